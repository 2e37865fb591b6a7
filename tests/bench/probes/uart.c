/* USART0 at 500 kbaud. While PA0 is high every received byte is stored with its status, and while PA1 is
 * high sent back. */
#include <avr/io.h>
#include <avr/wdt.h>

volatile uint8_t statuses[256];
volatile uint8_t bytes[256];
volatile uint8_t count;

int main(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = 3;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    for (;;) {
        wdt_reset();
        if ((PINA & _BV(PA0)) && (UCSR0A & _BV(RXC0))) {
            statuses[count] = UCSR0A;
            uint8_t byte = UDR0;
            bytes[count++] = byte;
            if (PINA & _BV(PA1)) {
                while (!(UCSR0A & _BV(UDRE0))) {
                }
                UDR0 = byte;
            }
        }
    }
}
