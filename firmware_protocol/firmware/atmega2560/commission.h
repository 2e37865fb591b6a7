/* The local commissioning act: board id, horn, ready inputs and ceilings are written into the EEPROM.
 *
 * Only while the COMMISSION pin is held low when the program starts: then nothing else runs, no output is
 * driven, and the board answers only the messages below (framed as on the wire). Ends by a reset.
 */
#ifndef CW_AVR_COMMISSION_H
#define CW_AVR_COMMISSION_H

#include <stdbool.h>

#include "../core/reader.h"

/* Payload: board_id u32, horn_ms u16, unused_ready u8, then for each output max_on u16, min_off u16,
 * max_starts_1s u16, duty_1s u32 (ticks); or nothing, to read. */
#define TYPE_COMMISSION 0x70U

/* The answer: good u8 (1: the record checks), then the same as read back. */
#define TYPE_COMMISSIONED 0x71U

bool commission_is_wanted(void);

/* Never returns. The reader is the caller's, to have it off the stack. */
void commission_serve(struct reader *reader) __attribute__((noreturn));

#endif
