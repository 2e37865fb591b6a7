/* The four output timers: light, and nothing but lawful light, at exactly its tick.
 *
 * For each pulse a stopped, disconnected timer is set so that it reaches its bottom, where hardware sets the
 * output, at exactly the pulse's tick; hardware clears it on compare. Its next bottom would come only
 * 32 ms later, so whatever fails after that (interrupt lost, interrupts off for ever, program wedged),
 * the pulse is not repeated before the watchdog resets the board. At the pulse's end an interrupt
 * disconnects and stops the timer, and sets it anew if the next pulse is prepared. So TCNTn is written only
 * while stopped and disconnected; between two pulses an output is connected only on the way to one.
 *
 *   idle: stopped, disconnected ── load ──▶ approach: TCNTn 0x8000 and up, output low
 *     ▲                                       │ bottom, at the tick asked for
 *     └── interrupt (compare) ── ended ◀── lit: TCNTn from 0
 *
 * Ticks throughout. Only timers.c, dark.c and timer_checks.c may touch the registers of timers 1, 3, 4
 * and 5 and their pins. The functions of core/port.h about pulses are in the first two.
 */
#ifndef CW_AVR_TIMERS_H
#define CW_AVR_TIMERS_H

#include <stdbool.h>
#include <stdint.h>

/* Everything dark, latches low, pins driven. Interrupts off. */
void timers_start(void);

/* The core works on an output with this as its `now`: port_lead_ticks counts from here. */
void timers_working_since(uint32_t now);

/* The e-stop inputs (bits as in status) that opened, and HALT_STOP for a stop frame that was received: their
 * interrupts made everything dark, and nothing is connected again before timers_release. */
#define HALT_STOP 0x80U
uint8_t timers_halted(void);

/* The core was told of these. Every output is made dark in full, and may be loaded again unless
 * another has come since. */
void timers_release(uint8_t told);

/* True once for each time that a pulse could not be kept, or a register was not what was written. */
bool timers_take_fault(void);

/* Are all registers of an output as they must be, and has its pulse, if it ended, been seen by its
 * interrupt? False: timers_take_fault tells, and the output is dark. */
bool timers_check(uint8_t output);

/* Does an output's pin read otherwise than commanded, twice? */
bool timers_pin_disagrees(uint8_t output);

#endif
