/* The levels of e-stop inputs, key, local stop and ready inputs, as bits of status; what an opening does.
 *
 * An e-stop input that opens makes every output dark in its interrupt, and is kept for the core however
 * short it was. Closing is the core's matter (100 ms).
 */
#ifndef CW_AVR_LEVELS_H
#define CW_AVR_LEVELS_H

#include <stdbool.h>
#include <stdint.h>

/* `unused_ready`: bit n: no ready input is fitted for output n. */
void levels_start(uint8_t unused_ready);

/* As they are now: bits as in status, 1 = closed, on, pressed, ready. */
uint8_t levels_read(void);

/* The e-stop inputs that have opened since the last call. */
uint8_t levels_take_opened(void);

/* After the core was told of what levels_take_opened said: dark for sure, and ends the halt, unless
 * another input has opened meanwhile. */
void levels_told(void);

#endif
