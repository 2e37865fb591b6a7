/* The frame writer; see writer.h. */
#include "writer.h"

#include "crc.h"

void writer_u8(struct writer *writer, uint8_t value)
{
    if (writer->length <= ANSWER_MAX) {
        writer->bytes[writer->length] = value;
        writer->length++;
    }
}

void writer_begin(struct writer *writer, uint8_t type, uint8_t sequence)
{
    writer->bytes[0] = 0U; /* becomes the first COBS code */
    writer->length = 1U;
    writer_u8(writer, type);
    writer_u8(writer, sequence);
}

void writer_u16(struct writer *writer, uint16_t value)
{
    writer_u8(writer, (uint8_t)(value & 0xFFU));
    writer_u8(writer, (uint8_t)(value >> 8));
}

void writer_u32(struct writer *writer, uint32_t value)
{
    writer_u16(writer, (uint16_t)(value & 0xFFFFU));
    writer_u16(writer, (uint16_t)(value >> 16));
}

void writer_end(struct writer *writer)
{
    uint16_t crc = CRC16_START;
    uint8_t code_at = 0U;

    for (uint8_t i = 1U; i < writer->length; i++) {
        crc = crc16_add(crc, writer->bytes[i]);
    }
    writer_u16(writer, crc);
    /* Every zero becomes the distance to the next one (no block is 254 long). */
    for (uint8_t i = 1U; i < writer->length; i++) {
        if (writer->bytes[i] == 0U) {
            writer->bytes[code_at] = (uint8_t)(i - code_at);
            code_at = i;
        }
    }
    writer->bytes[code_at] = (uint8_t)(writer->length - code_at);
    writer->bytes[writer->length] = 0U;
    writer->length++;
}
