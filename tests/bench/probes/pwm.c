/* Timer 1 in mode 14 on OC1B, prescaler 8, started in the way the data sheet leaves no doubt about:
 * compare value written while it is not buffered. The overflow interrupt only counts. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

volatile uint16_t overflows;

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

int main(void)
{
    DDRB |= _BV(PB6);
    OCR1B = 199;
    ICR1 = 1999;
    TCCR1A = _BV(COM1B1) | _BV(WGM11);
    TIMSK1 = _BV(TOIE1);
    sei();
    TCCR1B = _BV(WGM13) | _BV(WGM12) | _BV(CS11);
    for (;;) {
        wdt_reset();
    }
}
