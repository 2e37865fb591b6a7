/* Builds one frame for the host: fields in order, then CRC, COBS and 0x00, all in one buffer.
 *
 * Called by tell.c; the buffer lives on its stack.
 */
#ifndef CW_WRITER_H
#define CW_WRITER_H

#include <stdint.h>

#include "sizes.h"

struct writer {
    uint8_t bytes[ANSWER_MAX + 2U]; /* first the COBS code, last the 0x00 */
    uint8_t length;
};

void writer_begin(struct writer *writer, uint8_t type, uint8_t sequence);

/* What does not fit is cut off: no message of ours is that long. */
void writer_u8(struct writer *writer, uint8_t value);
void writer_u16(struct writer *writer, uint16_t value);
void writer_u32(struct writer *writer, uint32_t value);

/* After this `bytes` and `length` are what goes on the wire. */
void writer_end(struct writer *writer);

#endif
