/* What is done first of all after a reset: its cause is kept, the watchdog begins to count 16 ms, and the RAM that
 * nothing uses is painted, so that it is seen how deep the stack has gone.
 */
#ifndef CW_AVR_RESET_H
#define CW_AVR_RESET_H

#include <stdbool.h>
#include <stdint.h>

/* By its number of PROTOCOL.md; a jump to 0 without a reset counts as one by the watchdog. */
uint8_t why_reset(void);

/* Has the stack stayed off the program's variables? */
bool stack_is_whole(void);

#endif
