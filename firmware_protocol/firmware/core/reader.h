/* Cuts a byte stream into frames: COBS (Cheshire & Baker 1999) and CRC-16, byte by byte.
 *
 * Survives any bytes, holds at most one frame, and never answers what is malformed: it is dropped
 * and counted at its 0x00. The work is spread over the bytes, so that no byte costs much more than
 * another. Called by core.c with each received byte.
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
    uint16_t crc;       /* of everything but the two newest bytes */
    uint16_t bad_frames;
    uint8_t bytes[FRAME_MAX]; /* type, sequence, payload, CRC; good until the next byte */
};

void reader_start(struct reader *reader);

/* One byte. True if it completed a good frame. */
bool reader_take(struct reader *reader, uint8_t byte);

/* A byte came broken: the frame it falls in, or the next, is dropped. */
void reader_spoil(struct reader *reader);

#endif
