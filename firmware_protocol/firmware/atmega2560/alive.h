/* Signs of life: the watchdog and the ENABLE pin, both driven by the main loop, both only while the
 * interrupts live too. A wedge of either leaves ENABLE still, and the watchdog resets within 16 ms.
 */
#ifndef CW_AVR_ALIVE_H
#define CW_AVR_ALIVE_H

#include <stdbool.h>
#include <stdint.h>

/* The horn and the beacon (port_show_state); ENABLE may move in `armed` only. */
void alive_show(uint8_t state);

/* May ENABLE move until the next call? */
void alive_allow(bool well);

/* Turns ENABLE over, if it may move and timer 0 has overflowed since. Called often: between any two
 * pieces of the main loop's work. One that finds something wrong forbids it at the end of its turn. */
void alive_turn(void);

/* At the end of a whole round of the main loop in which every check passed. */
void alive_kick(void);

/* While the program starts, and while commissioning: no outputs, nothing to watch. */
void alive_wait(void);

#endif
