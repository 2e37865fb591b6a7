/* The frame reader; see reader.h. */
#include "reader.h"

#include "bytes.h"
#include "crc.h"
#include "ticks.h"

static void begin_anew(struct reader *reader)
{
    reader->count = 0;
    reader->summed = 0;
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

/* Brings `crc` up to all but the two newest bytes, which may be the CRC itself. */
static void sum_up(struct reader *reader)
{
    const uint8_t *at = &reader->bytes[reader->summed];
    uint16_t crc = reader->crc;
    uint8_t left = (reader->count > (reader->summed + 2U))
                       ? (uint8_t)((uint8_t)(reader->count - 2U) - reader->summed)
                       : 0U;

    reader->summed = (uint8_t)(reader->summed + left);
    while (left != 0U) {
        crc = crc16_add(crc, *at);
        at++;
        left--;
    }
    reader->crc = crc;
}

/* At a 0x00: true if what came before it is a good frame. */
static bool is_good(struct reader *reader)
{
    if (reader->spoiled || (reader->block_left != 0U) || (reader->count < FRAME_MIN)) {
        return false;
    }
    sum_up(reader);
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

/* Decodes up to a 0x00, or as long as there is room. Returns how many bytes that took. */
static uint8_t decode(struct reader *reader, const uint8_t *bytes, uint8_t count)
{
    const uint8_t *from = bytes;
    uint8_t *to = &reader->bytes[reader->count];
    uint8_t room = (uint8_t)(FRAME_MAX - reader->count);
    uint8_t block_left = reader->block_left;
    bool begun = reader->begun;
    uint8_t left = count;

    for (; (left != 0U) && (room != 0U); left--) {
        uint8_t byte = *from;
        if (byte == 0U) {
            break;
        }
        if (block_left != 0U) {
            block_left--;
        } else { /* a code byte: the block before it (none is 254 long: a frame is shorter) ends in a zero */
            block_left = (uint8_t)(byte - 1U);
            byte = 0U;
        }
        if (begun) {
            *to = byte;
            to++;
            room--;
        }
        begun = true; /* nothing was before the first code byte */
        from++;
    }
    reader->count = (uint8_t)(FRAME_MAX - room);
    reader->block_left = block_left;
    reader->begun = begun;
    return (uint8_t)(count - left);
}

uint8_t reader_take(struct reader *reader, const uint8_t *bytes, uint8_t count, bool *complete)
{
    uint8_t taken = 0U;

    *complete = false;
    while ((taken < count) && !*complete) {
        if (bytes[taken] == 0U) {
            *complete = end_frame(reader);
            taken++;
        } else if (reader->spoiled) {
            taken++; /* waits for its 0x00 */
        } else if (reader->count >= FRAME_MAX) {
            reader->spoiled = true;
        } else {
            taken = (uint8_t)(taken + decode(reader, &bytes[taken], (uint8_t)(count - taken)));
        }
    }
    if (!*complete && !reader->spoiled) {
        sum_up(reader); /* what is done already need not be done when the frame is complete */
    }
    return taken;
}
