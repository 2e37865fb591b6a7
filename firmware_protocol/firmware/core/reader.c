/* The frame reader; see reader.h. */
#include "reader.h"

#include "bytes.h"
#include "crc.h"
#include "ticks.h"

static void begin_anew(struct reader *reader)
{
    reader->count = 0;
    reader->block_left = 0;
    reader->begun = false;
    reader->spoiled = false;
    reader->crc = CRC16_START;
}

void reader_start(struct reader *reader)
{
    begin_anew(reader);
    reader->length = 0;
    reader->bad_frames = 0;
}

void reader_spoil(struct reader *reader)
{
    reader->spoiled = true;
}

static inline void append(struct reader *reader, uint8_t byte)
{
    uint8_t *at = &reader->bytes[reader->count];

    if (reader->count >= FRAME_MAX) {
        reader->spoiled = true;
        return;
    }
    at[0] = byte;
    if (reader->count >= 2U) { /* the two newest may be the CRC itself */
        const uint8_t *before = &reader->bytes[reader->count - 2U];
        reader->crc = crc16_add(reader->crc, before[0]);
    }
    reader->count++;
}

/* At a 0x00: true if what came before it is a good frame. */
static bool is_good(const struct reader *reader)
{
    if (reader->spoiled || (reader->block_left != 0U) || (reader->count < FRAME_MIN)) {
        return false;
    }
    return reader->crc == get_u16(&reader->bytes[reader->count - 2U]);
}

static bool end_frame(struct reader *reader)
{
    bool complete = is_good(reader);

    reader->length = reader->count;
    if (!complete && (reader->begun || reader->spoiled)) {
        count_up(&reader->bad_frames);
    }
    begin_anew(reader);
    return complete;
}

bool reader_take(struct reader *reader, uint8_t byte)
{
    if (byte == 0U) {
        return end_frame(reader);
    }
    if (reader->spoiled) {
        return false; /* waits for its 0x00 */
    }
    if (reader->block_left != 0U) {
        append(reader, byte);
        reader->block_left--;
        return false;
    }
    /* A code byte. The block before it (none is 254 long: a frame is shorter) ends in a zero. */
    if (reader->begun) {
        append(reader, 0U);
    }
    reader->begun = true;
    reader->block_left = (uint8_t)(byte - 1U);
    return false;
}
