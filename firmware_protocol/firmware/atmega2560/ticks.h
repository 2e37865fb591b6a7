/* The board's clock: 0.5 us ticks since the start of the program (timer 0 and its overflows).
 *
 * Timer 0 shares the prescaler with the output timers, so that on silicon all count at the same edges.
 * Byte 1 of the tick is in GPIOR0, bytes 2 and 3 in RAM; only the overflow interrupt writes them.
 */
#ifndef CW_AVR_TICKS_H
#define CW_AVR_TICKS_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

extern volatile uint16_t ticks_upper;

void ticks_start(void);

/* The present tick. Main loop only. */
uint32_t ticks_now(void);

/* How many times timer 0 has overflowed, modulo 256: the sign of life of the interrupts. */
static inline uint8_t ticks_overflows(void)
{
    return GPIOR0;
}

/* The lower 16 bits of the present tick; interrupts must be off. */
static inline uint16_t ticks_now16(void)
{
    uint8_t low = TCNT0;
    uint8_t high = GPIOR0;

    if (((TIFR0 & (1U << TOV0)) != 0U) && (low < 0x80U)) {
        high++; /* overflowed, and its interrupt still waits */
    }
    return (uint16_t)((uint16_t)((uint16_t)high << 8) | low);
}

#endif
