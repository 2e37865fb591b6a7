/* INT0 sets PC0 and INT1 clears it, in the shortest way there is: no compiler's prologue.
 * INT2 counts; what senses what is set from outside. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

volatile uint16_t count;

ISR(INT0_vect, ISR_NAKED)
{
    __asm__ volatile("sbi %0, 0\n\treti" : : "I"(_SFR_IO_ADDR(PORTC)));
}

ISR(INT1_vect, ISR_NAKED)
{
    __asm__ volatile("cbi %0, 0\n\treti" : : "I"(_SFR_IO_ADDR(PORTC)));
}

ISR(INT2_vect)
{
    count++;
}

int main(void)
{
    DDRC = _BV(PC0);
    EICRA = _BV(ISC01) | _BV(ISC11) | _BV(ISC10); /* INT0 falling, INT1 rising, INT2 low level */
    EIMSK = _BV(INT0) | _BV(INT1) | _BV(INT2);
    sei();
    for (;;) {
        wdt_reset();
    }
}
