/* The board's clock; see ticks.h. */
#include "ticks.h"

#include <stdbool.h>
#include <util/atomic.h>

volatile uint16_t ticks_upper; /* bytes 2 and 3; the bench reads them, too */

/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
ISR(TIMER0_OVF_vect)
{
    uint8_t overflows = (uint8_t)(GPIOR0 + 1U);

    GPIOR0 = overflows;
    if (overflows == 0U) {
        ticks_upper++;
    }
}

void ticks_start(void)
{
    GPIOR0 = 0U;
    ticks_upper = 0U;
    TCCR0A = 0U;
    TCNT0 = 0U;
    TIFR0 = (1U << TOV0);
    TIMSK0 = (1U << TOIE0);
    TCCR0B = (1U << CS01); /* clk/8 */
}

uint32_t ticks_now(void)
{
    uint8_t low;
    uint8_t middle;
    uint16_t high;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        low = TCNT0;
        middle = GPIOR0;
        high = ticks_upper;
        if (((TIFR0 & (1U << TOV0)) != 0U) && (low < 0x80U)) {
            middle++;
            if (middle == 0U) {
                high++;
            }
        }
    }
    return ((uint32_t)high << 16) | (uint16_t)((uint16_t)((uint16_t)middle << 8) | low);
}
