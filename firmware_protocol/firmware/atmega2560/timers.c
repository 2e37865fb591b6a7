/* The pulses of the four output timers: prepared, loaded, ended; and what stops them; see timers.h. */
#include "timers.h"

#include <avr/interrupt.h>
#include <util/atomic.h>

#include "../core/catalogue.h"
#include "../core/port.h"
#include "output.h"
#include "ticks.h"
#include "uart.h"

#define TIMER(first) ((volatile struct registers *)&(first))
const struct hardware hardware[OUTPUTS] = {
    {TIMER(TCCR1A), &TIFR1, &TIMSK1, &DDRB, &PINB, 1U << PB6},
    {TIMER(TCCR3A), &TIFR3, &TIMSK3, &DDRE, &PINE, 1U << PE4},
    {TIMER(TCCR4A), &TIFR4, &TIMSK4, &DDRH, &PINH, 1U << PH4},
    {TIMER(TCCR5A), &TIFR5, &TIMSK5, &DDRL, &PINL, 1U << PL4},
};

struct output timed_outputs[OUTPUTS];
volatile bool fault;
volatile uint8_t halted;
static uint16_t working_since;

/* The only place that connects an output. Interrupts off, so that nothing comes between. */
ALWAYS_INLINE bool connect(const struct hardware *hw)
{
    if (!may_connect()) {
        return false;
    }
    hw->timer->control_a = A_CONNECTED;
    return true;
}

/* TCNTn and the lower byte of the tick at one moment: read until both clocks were read within one tick.
 * In assembler because the time of a turn matters: 11 cycles, which goes through all phases of a tick
 * (8), so the second turn succeeds. `tries` counts down; 0: not found. */
/* cppcheck-suppress misra-c2012-2.7 ; `tries` is used in the assembler, which the check cannot read */
ALWAYS_INLINE uint16_t count_at_tick(const struct hardware *hw, uint8_t *low_tick, uint8_t *tries)
{
    uint16_t count;
    uint8_t again;

    __asm__ volatile("1: in %[tick], %[clock]\n\t"
                     "lds %A[count], %[from]\n\t"
                     "in %[again], %[clock]\n\t"
                     "lds %B[count], %[from] + 1\n\t" /* was kept aside with the lower half */
                     "cp %[again], %[tick]\n\t"
                     "breq 2f\n\t"
                     "dec %[tries]\n\t"
                     "brne 1b\n"
                     "2:"
                     : [tick] "=&r"(*low_tick), [count] "=&r"(count), [again] "=&r"(again),
                       [tries] "+r"(*tries)
                     : [clock] "I"(_SFR_IO_ADDR(TCNT0)), [from] "i"(&hw->timer->count));
    return count;
}

/* The only place that writes a timer: from stopped and disconnected to the way to `pulse`. Interrupts
 * off. False: not possible or not lawful; then it is not connected. */
ALWAYS_INLINE bool write_timer(const struct hardware *hw, const struct pulse *pulse)
{
    uint16_t start = pulse->start;
    uint16_t compare = pulse->compare;
    uint16_t now = ticks_now16();
    uint16_t ahead = (uint16_t)(start - now);
    uint16_t count;
    uint16_t left;
    uint16_t top;
    uint8_t low_tick;
    uint8_t tries = CLOCK_TRIES;

    hw->timer->count = (uint16_t)(NEAR_TOP - ahead);
    hw->timer->compare = compare; /* taken over at the bottom; until then TCNTn is above it and the old */
    hw->timer->control_b = B_RUNNING;
    count = count_at_tick(hw, &low_tick, &tries);
    left = (uint16_t)(ahead - (uint8_t)(low_tick - (uint8_t)(now & 0xFFU))); /* until the start */
    top = (uint16_t)((uint16_t)(count + left) - 1U);                         /* the bottom follows it */
    /* The write-point check: ICRn >= OCRnB in use and pending + off-time, ICRn > TCNTn + margin. */
    if ((tries == 0U) || ((uint16_t)(left - LEAST_LEFT) > (MOST_LEFT - LEAST_LEFT)) ||
        (top < LEAST_TOP) || (compare >= CEILING_MAX_ON)) {
        return false;
    }
    hw->timer->top = top;
    return connect(hw);
}

/* The next prepared pulse, if there is one, from stopped and disconnected. Interrupts off. */
ALWAYS_INLINE void load_next(struct output *output, const struct hardware *hw)
{
    const struct pulse *pulse = &output->line[output->first];

    output->count--;
    output->first = (uint8_t)((uint8_t)(output->first + 1U) & (DECISIONS - 1U));
    if (write_timer(hw, pulse)) {
        output->loaded = true;
    } else {
        unload(output, hw);
        output->count = 0U;
        fault |= may_connect(); /* an opened e-stop input tells of itself */
    }
}

/* The pulse under way has ended. True: another is prepared. Interrupts off. */
ALWAYS_INLINE bool pulse_ended(struct output *output, const struct hardware *hw)
{
    disconnect_and_stop(hw);
    if (!output->loaded) { /* made dark meanwhile */
        return false;
    }
    output->loaded = false;
    output->ended++;
    return output->count != 0U;
}

/* Between the end of one pulse and the loading of the next, in a state that is sound by itself, other
 * interrupts get their turn: none waits for both. What they may change, an opened e-stop input most of all,
 * is looked at again by connect. */
#define PULSE_ENDS(n, vector)                                \
    ISR(vector)                                              \
    {                                                        \
        if (pulse_ended(&timed_outputs[n], &hardware[n])) {  \
            sei();                                           \
            __asm__ volatile("nop");                         \
            cli();                                           \
            load_next(&timed_outputs[n], &hardware[n]);      \
        }                                                    \
    }

/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
PULSE_ENDS(0, TIMER1_COMPB_vect)
/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
PULSE_ENDS(1, TIMER3_COMPB_vect)
/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
PULSE_ENDS(2, TIMER4_COMPB_vect)
/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
PULSE_ENDS(3, TIMER5_COMPB_vect)

/* Everything dark at once, and nothing connected again until timers_release. */
ALWAYS_INLINE void halt(uint8_t why)
{
    TCCR1A = A_DISCONNECTED;
    TCCR3A = A_DISCONNECTED;
    TCCR4A = A_DISCONNECTED;
    TCCR5A = A_DISCONNECTED;
    TCCR1B = B_STOPPED;
    TCCR3B = B_STOPPED;
    TCCR4B = B_STOPPED;
    TCCR5B = B_STOPPED;
    halted |= why;
}

/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
ISR(INT0_vect) /* e-stop input A opened: before all other interrupts */
{
    halt(INPUT_ESTOP_A);
}

/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
ISR(INT1_vect)
{
    halt(INPUT_ESTOP_B);
}

/* A stop frame was received: dark at once, whatever the main loop is doing. It will come to the frame in its
 * order, and trip. */
/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
ISR(TIMER0_COMPA_vect)
{
    bool heard;

    TIMSK0 = (1U << TOIE0); /* once: receiving turned it on */
    sei(); /* looking takes 400 cycles, for which an e-stop cannot wait */
    heard = uart_heard_stop();
    cli();
    if (heard) {
        halt(HALT_STOP);
    }
}

uint8_t timers_halted(void)
{
    return halted;
}

/* -- core/port.h: pulses are offered -------------------------------------------------------------------- */

void timers_working_since(uint32_t now)
{
    working_since = (uint16_t)now;
}

uint16_t port_lead_ticks(void)
{
    uint16_t now;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        now = ticks_now16();
    }
    return (uint16_t)(now - working_since) + JUDGING_TICKS + LEAST_AHEAD;
}

/* The pulse under way has ended, and its interrupt only waits to be let in. */
ALWAYS_INLINE bool end_waits(const struct output *output, const struct hardware *hw)
{
    return output->loaded && (hw->timer->count < APPROACH) && ((*hw->flags & COMPARE_FLAG) != 0U);
}

/* If the end of a pulse waits, it is let in first, and then there is one more try: all in one would be too
 * long a stretch with interrupts off. */
ALWAYS_INLINE bool offer(struct output *output, const struct hardware *hw, uint16_t start, uint16_t on)
{
    bool taken = false;
    bool waits = true;

    for (uint8_t i = 0U; waits && (i < OFFER_TRIES); i++) {
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            uint16_t ahead = (uint16_t)(start - ticks_now16());
            uint8_t waiting = (uint8_t)(output->count + (output->loaded ? 1U : 0U));
            waits = end_waits(output, hw);
            if (!waits && (halted == 0U) && (waiting < DECISIONS) && (ahead > LEAST_AHEAD) &&
                (ahead < MOST_LEFT)) {
                uint8_t place = (uint8_t)(output->first + output->count) & (DECISIONS - 1U);
                output->line[place].start = start;
                output->line[place].compare = (uint16_t)(on - 1U);
                output->count++;
                taken = true;
                if (!output->loaded) {
                    load_next(output, hw);
                } /* else the interrupt at the end of the pulse under way will load it */
            }
        }
    }
    return taken;
}

/* One copy for each timer, as for the interrupts: the registers' addresses are constants then. */
bool port_offer(uint8_t output, uint32_t start, uint16_t on)
{
    uint16_t start16 = (uint16_t)start;
    bool taken = false;

    if (on < LEAST_ON) {
        return false;
    }
    switch (output) {
    case 0U:
        taken = offer(&timed_outputs[0], &hardware[0], start16, on);
        break;
    case 1U:
        taken = offer(&timed_outputs[1], &hardware[1], start16, on);
        break;
    case 2U:
        taken = offer(&timed_outputs[2], &hardware[2], start16, on);
        break;
    case 3U:
        taken = offer(&timed_outputs[3], &hardware[3], start16, on);
        break;
    default:
        break;
    }
    return taken;
}
