/* The serial line: what is sent; see uart.h. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "../core/port.h"
#include "uart.h"

static uint8_t tx_ring[256]; /* indices wrap by themselves */
static volatile uint8_t tx_head;
static volatile uint8_t tx_tail;

/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
ISR(USART0_UDRE_vect)
{
    uint8_t tail = tx_tail;

    UDR0 = tx_ring[tail];
    tail++;
    tx_tail = tail;
    if (tail == tx_head) {
        UCSR0B &= (uint8_t)~(1U << UDRIE0);
    }
}

bool uart_send(const uint8_t *bytes, uint8_t count)
{
    uint8_t head = tx_head;
    uint8_t room = (uint8_t)((uint8_t)(tx_tail - head) - 1U);

    if (count > room) {
        return false;
    }
    for (uint8_t i = 0U; i < count; i++) {
        tx_ring[head] = bytes[i];
        head++;
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        tx_head = head;
        UCSR0B |= (1U << UDRIE0);
    }
    return true;
}

bool port_send(const uint8_t *bytes, uint8_t count)
{
    return uart_send(bytes, count);
}
