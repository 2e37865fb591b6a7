/* Breaks the write point's invariant on timer 1 in every way that watch.mjs knows, one after another, with
 * what is lawful between: a pulse as the port makes it. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#define DISCONNECTED _BV(WGM11)
#define CONNECTED (_BV(WGM11) | _BV(COM1B1))
#define STOPPED (_BV(WGM13) | _BV(WGM12))
#define RUNNING (STOPPED | _BV(CS11))

EMPTY_INTERRUPT(TIMER1_COMPB_vect)

/* Stopped and disconnected, on the way to a pulse of `on` ticks whose top is `top`. */
static void prepare(uint16_t on, uint16_t top)
{
    TCCR1A = DISCONNECTED;
    TCCR1B = STOPPED;
    TIMSK1 = _BV(OCIE1B);
    TCNT1 = 0xFE00;
    OCR1B = on - 1;
    ICR1 = top;
}

int main(void)
{
    wdt_reset();
    PORTD = 0;
    cli();
    prepare(100, 0xFF80); /* lawful, all of it */
    TCCR1B = RUNNING;
    TCCR1A = CONNECTED;

    ICR1 = 0xFF80;
    OCR1B = 99;
    TCCR1B = RUNNING;
    TCNT1 = 0xFE00;
    TCCR1A = DISCONNECTED;
    TCNT1 = 0xFE00; /* it still runs */

    prepare(1, 0xFF80);
    TCCR1A = CONNECTED;
    prepare(801, 0xFF80);
    TCCR1A = CONNECTED;
    prepare(100, 298); /* also below TCNT1 */
    TCCR1A = CONNECTED;
    prepare(100, 0xFE01);
    TCCR1A = CONNECTED;
    prepare(100, 0xFF80);
    TCCR1A = CONNECTED | _BV(COM1B0);
    prepare(100, 0xFF80);
    TCCR1A = CONNECTED | _BV(COM1A1);
    prepare(100, 0xFF80);
    TIMSK1 = 0;
    TCCR1A = CONNECTED;
    prepare(100, 0xFF80);
    PORTD = _BV(PD0); /* e-stop input A opens: pulled up */
    wdt_reset();
    for (uint8_t i = 0; i < 20; i++) {
        __asm__ volatile("nop");
    }
    TCCR1A = CONNECTED;
    PORTD = 0;
    prepare(100, 0xFF80);
    sei();
    TCCR1A = CONNECTED;
    (void)TCNT1;
    cli();

    prepare(100, 0xFF80); /* the latch made high by hand (mode 12), while the pin is an input */
    TCCR1A = _BV(COM1B1) | _BV(COM1B0);
    TCCR1C = _BV(FOC1B);
    TCCR1A = DISCONNECTED;
    TCCR1A = CONNECTED;
    TCCR1A = DISCONNECTED;
    DDRB = _BV(PB6);
    TCCR1A = _BV(COM1B1);
    for (;;) {
        wdt_reset();
    }
}
