/* Which pin does what: the one table that code and WIRING.md share. Nothing else may live here.
 *
 * Every pin is an input without pull-up from reset until main.c sets it up, so that the external
 * resistors of WIRING.md alone decide: outputs dark, ENABLE still, horn and beacon off.
 *
 * Outputs 0 to 3 (1 to 4 in words) are the compare outputs B of timers 1, 3, 4 and 5:
 * PB6, PE4, PH4, PL4. High = light = fire. timers.h says who touches them.
 */
#ifndef CW_AVR_PINS_H
#define CW_AVR_PINS_H

#include <avr/io.h>

/* The two e-stop inputs, on INT0 and INT1. Antivalent at the pins: the same loop state gives opposite
 * levels, so a short between the two, or of both to one rail, is an open input or a disagreement.
 * A closed = low (pull-up: a broken wire opens); B closed = high (pull-down: likewise). */
#define ESTOP_PINS PIND
#define ESTOP_PORT PORTD
#define ESTOP_A_BIT 0x01U
#define ESTOP_B_BIT 0x02U
#define ESTOP_BITS (ESTOP_A_BIT | ESTOP_B_BIT)
#define ESTOP_CLOSED ESTOP_B_BIT /* what ESTOP_PINS & ESTOP_BITS says when both are closed */

/* Port A, low = the wanted contact is closed (pull-ups: a broken wire is the safe answer). */
#define PANEL_PINS PINA
#define PANEL_PORT PORTA
#define PANEL_DDR DDRA
#define KEY_BIT 0x01U         /* low: key on */
#define LOCAL_STOP_BIT 0x02U  /* low: button at rest (normally closed); high: pressed */
#define COMMISSION_BIT 0x04U  /* low at the start of the program: commissioning */
#define PANEL_INPUTS (KEY_BIT | LOCAL_STOP_BIT | COMMISSION_BIT)

/* Port A, outputs, high = on. */
#define BEACON_BIT 0x10U
#define HORN_BIT 0x20U
#define ENABLE_BIT 0x40U /* toggled while armed and all is well */
#define PANEL_OUTPUTS (BEACON_BIT | HORN_BIT | ENABLE_BIT)

/* Port C bits 0 to 3: ready inputs of outputs 0 to 3. Low: ready (pull-ups: absent = not ready). */
#define READY_PINS PINC
#define READY_PORT PORTC
#define READY_BITS 0x0FU

/* The serial line: USART0, receiver on PE0, which is also pin change input 8. */
#define LINE_PINS PINE
#define LINE_BIT 0x01U

#endif
