/* Cuts a byte stream into frames: COBS (Cheshire & Baker 1999) and CRC-16.
 *
 * Survives any bytes, holds at most one frame, and never answers what is malformed: it is dropped
 * and counted at its 0x00. Takes bytes in rows, as many as there are: the fewer calls, the less each
 * byte costs. Called by core.c.
 */
#ifndef CW_READER_H
#define CW_READER_H

#include <stdbool.h>
#include <stdint.h>

#include "sizes.h"

struct reader {
    uint8_t block_left; /* bytes still to come in this COBS block */
    uint8_t count;      /* bytes decoded so far */
    bool spoiled;       /* dropped and counted at its 0x00 */
    bool begun;         /* at least one byte since the last 0x00 */
    uint8_t length;     /* of the frame just completed, CRC included */
    uint8_t summed;     /* bytes that are in `crc`; never the two newest */
    uint16_t crc;
    uint16_t bad_frames;
    uint8_t bytes[FRAME_MAX]; /* type, sequence, payload, CRC; good until the next byte */
};

void reader_start(struct reader *reader);

/* Takes up to `count` bytes, none beyond the end of a good frame; `complete`: there is one. Returns how many. */
uint8_t reader_take(struct reader *reader, const uint8_t *bytes, uint8_t count, bool *complete);

/* A byte came broken: the frame it falls in, or the next, is dropped. */
void reader_spoil(struct reader *reader);

#endif
