/* The levels of e-stop inputs, key, local stop and ready inputs, as bits of status.
 *
 * What an e-stop input does when it opens is in timers.c; what closing means is the core's matter.
 */
#ifndef CW_AVR_LEVELS_H
#define CW_AVR_LEVELS_H

#include <stdint.h>

/* `unused_ready`: bit n: no ready input is fitted for output n. */
void levels_start(uint8_t unused_ready);

/* As they are now: bits as in status, 1 = closed, on, pressed, ready. */
uint8_t levels_read(void);

#endif
