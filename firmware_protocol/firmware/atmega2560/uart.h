/* The serial line: USART0 at 500 kbaud, 8N1, both ways by interrupt.
 *
 * Received bytes wait in a ring together with the places at which a byte came broken. The line is also
 * watched for a break: low for 2 ms or more, timed from the byte that came broken to the pin's rise.
 */
#ifndef CW_AVR_UART_H
#define CW_AVR_UART_H

#include <stdbool.h>
#include <stdint.h>

/* What uart_take found. */
#define LINE_NOTHING 0U
#define LINE_BYTES 1U
#define LINE_ERROR 2U

/* What uart_watch_break found. */
#define LINE_STAYS 0U
#define LINE_BREAK 1U
#define LINE_IDLE 2U

/* Bytes for which there was no room, or that came too fast: for the bench. */
extern volatile uint8_t uart_lost;

void uart_start(void);

/* What was received next. LINE_BYTES: `count` good bytes at `bytes`, with the ends of two
 * frames at most, which stay there until the call after this one. */
uint8_t uart_take(const uint8_t **bytes, uint8_t *count);

/* How many bytes uart_take has not handed over yet. */
uint8_t uart_waiting(void);

/* LINE_BREAK once when the line has been low for 2 ms; LINE_IDLE once when it is high again. */
uint8_t uart_watch_break(void);

/* Is what a 0x00 just ended a whole, good stop frame? Called by timer 0's compare interrupt, which the
 * receiving of such a 0x00 turns on. */
bool uart_heard_stop(void);

/* Sends a whole frame, or nothing if there is no room (port_send). */
bool uart_send(const uint8_t *bytes, uint8_t count);

#endif
