/* The four output timers; see timers.h. */
#include "timers.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "../core/catalogue.h"
#include "../core/limits.h"
#include "../core/port.h"
#include "../core/sizes.h"
#include "pins.h"
#include "ticks.h"

/* Timers 1, 3, 4 and 5 have the same registers at different places. */
struct registers {
    uint8_t control_a; /* TCCRnA */
    uint8_t control_b; /* TCCRnB */
    uint8_t control_c; /* TCCRnC */
    uint8_t unused;     /* cppcheck-suppress unusedStructMember ; a gap between registers */
    uint16_t count;     /* TCNTn */
    uint16_t top;       /* ICRn */
    uint16_t compare_a; /* OCRnA */ /* cppcheck-suppress unusedStructMember ; it keeps OCRnB's place */
    uint16_t compare;   /* OCRnB */
};

struct hardware {
    volatile struct registers *timer;
    volatile uint8_t *flags;     /* TIFRn */
    volatile uint8_t *mask;      /* TIMSKn */
    volatile uint8_t *direction; /* DDRx */
    volatile uint8_t *pins;      /* PINx */
    uint8_t pin;                 /* bit in direction and pins */
};

#define TIMER(first) ((volatile struct registers *)&(first))
static const struct hardware hardware[OUTPUTS] = {
    {TIMER(TCCR1A), &TIFR1, &TIMSK1, &DDRB, &PINB, 1U << PB6},
    {TIMER(TCCR3A), &TIFR3, &TIMSK3, &DDRE, &PINE, 1U << PE4},
    {TIMER(TCCR4A), &TIFR4, &TIMSK4, &DDRH, &PINH, 1U << PH4},
    {TIMER(TCCR5A), &TIFR5, &TIMSK5, &DDRL, &PINL, 1U << PL4},
};

/* Bits that are alike in all four timers. Mode 14: fast PWM, top in ICRn. Mode 12: no PWM. */
#define A_DISCONNECTED (1U << WGM11)                   /* mode 14, lower half */
#define A_CONNECTED ((1U << WGM11) | (1U << COM1B1))   /* set at bottom, clear on compare */
#define A_CLEAR_NOT_PWM (1U << COM1B1)                 /* mode 12, clear on compare */
#define B_STOPPED ((1U << WGM13) | (1U << WGM12))
#define B_RUNNING ((1U << WGM13) | (1U << WGM12) | (1U << CS11)) /* clk/8 */
#define C_FORCE (1U << FOC1B)
#define COMPARE_FLAG (1U << OCF1B)

#define APPROACH 0x8000U  /* TCNTn from here up: the pulse has not started */
#define NEAR_TOP 0xFFC0U  /* where ICRn will be, nearly */
#define LEAST_TOP 0xFF00U /* ICRn is never lower: far above any compare value plus off-time */
#define LEAST_AHEAD 40U   /* ticks from looking at the clock to the start: time to load, and more */
#define JUDGING_TICKS 120U /* from port_lead_ticks to port_offer, interrupts included */
#define LEAST_LEFT 6U     /* ticks from writing ICRn to the start */
#define MOST_LEFT 16383U  /* longer than the horizon, shorter than the way to the top */
#define LEAST_ON 2U       /* OCRnB = 0 would be a spike: no frame may ask for one, and none is taken */
#define OVERDUE_TICKS 400U
#define CLOCK_TRIES 8U
#define OFFER_TRIES 2U
#define EDGE_TICKS 4U     /* 2 us: from a match to the pin and back through its synchroniser, and more */

#if ((LEAST_TOP - CEILING_MAX_ON) < (CEILING_MIN_OFF + OVERDUE_TICKS)) || (CEILING_MAX_ON >= APPROACH)
#error "top, compare and off-time do not fit"
#endif

struct pulse {
    uint16_t start;   /* lower half of the tick */
    uint16_t compare; /* OCRnB: lit for one tick more */
};

/* Shared between interrupts and main loop: touched with interrupts off only. */
struct output {
    struct pulse line[DECISIONS]; /* prepared, not yet loaded; the one before `first` is loaded */
    uint8_t first;
    uint8_t count;
    uint8_t ended; /* pulses that ended or were cut, modulo 256 */
    bool loaded;   /* the timer runs, connected, for one pulse */
};

static struct output outputs[OUTPUTS];
static volatile bool fault; /* a pulse could not be kept, or a register was not what was written */
static uint16_t working_since;
static volatile uint8_t halted; /* bits of e-stop inputs that opened: nothing is connected */

#define ALWAYS_INLINE static inline __attribute__((always_inline))

ALWAYS_INLINE void disconnect_and_stop(const struct hardware *hw)
{
    hw->timer->control_a = A_DISCONNECTED;
    hw->timer->control_b = B_STOPPED;
}

ALWAYS_INLINE void unload(struct output *output, const struct hardware *hw)
{
    disconnect_and_stop(hw);
    output->loaded = false;
}

ALWAYS_INLINE bool may_connect(void)
{
    return (halted == 0U) && ((ESTOP_PINS & ESTOP_BITS) == ESTOP_CLOSED);
}

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
#define PULSE_ENDS(n, vector)                          \
    ISR(vector)                                        \
    {                                                  \
        if (pulse_ended(&outputs[n], &hardware[n])) {  \
            sei();                                     \
            __asm__ volatile("nop");                   \
            cli();                                     \
            load_next(&outputs[n], &hardware[n]);      \
        }                                              \
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
ALWAYS_INLINE void halt(uint8_t input)
{
    TCCR1A = A_DISCONNECTED;
    TCCR3A = A_DISCONNECTED;
    TCCR4A = A_DISCONNECTED;
    TCCR5A = A_DISCONNECTED;
    TCCR1B = B_STOPPED;
    TCCR3B = B_STOPPED;
    TCCR4B = B_STOPPED;
    TCCR5B = B_STOPPED;
    halted |= input;
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

uint8_t timers_halted(void)
{
    return halted;
}

/* Has the pulse that is loaded started? */
static bool has_started(const struct output *output, const struct hardware *hw)
{
    return output->loaded && (hw->timer->count < APPROACH);
}

/* Dark, empty, and the compare latch low: it may have been high, and would show when next connected.
 * Interrupts off. The pin is an input meanwhile (its pull-down holds it), so that no latch shows. */
static void make_dark(struct output *output, const struct hardware *hw)
{
    disconnect_and_stop(hw);
    if (has_started(output, hw)) {
        output->ended++;
    }
    output->loaded = false;
    output->count = 0U;
    *hw->direction = (uint8_t)(*hw->direction & (uint8_t)~hw->pin);
    hw->timer->control_a = A_CLEAR_NOT_PWM;
    hw->timer->control_c = C_FORCE;
    hw->timer->control_a = A_DISCONNECTED;
    *hw->direction = (uint8_t)(*hw->direction | hw->pin);
    *hw->flags = COMPARE_FLAG;
}

void timers_start(void)
{
    for (uint8_t i = 0U; i < OUTPUTS; i++) {
        make_dark(&outputs[i], &hardware[i]);
        hardware[i].timer->top = NEAR_TOP;
        *hardware[i].mask = COMPARE_FLAG;
    }
}

void timers_release(uint8_t told)
{
    for (uint8_t i = 0U; i < OUTPUTS; i++) {
        port_dark(i);
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        halted &= (uint8_t)~told;
    }
}

/* -- core/port.h ------------------------------------------------------------------------------------ */

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
        taken = offer(&outputs[0], &hardware[0], start16, on);
        break;
    case 1U:
        taken = offer(&outputs[1], &hardware[1], start16, on);
        break;
    case 2U:
        taken = offer(&outputs[2], &hardware[2], start16, on);
        break;
    case 3U:
        taken = offer(&outputs[3], &hardware[3], start16, on);
        break;
    default:
        break;
    }
    return taken;
}

uint8_t port_started(uint8_t output)
{
    const struct output *out = &outputs[output];
    uint8_t started;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        started = (uint8_t)(out->ended + (has_started(out, &hardware[output]) ? 1U : 0U));
    }
    return started;
}

uint8_t port_withdraw(uint8_t output)
{
    struct output *out = &outputs[output];
    const struct hardware *hw = &hardware[output];
    uint8_t started;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        started = out->ended;
        out->count = 0U;
        if (out->loaded) {
            uint16_t count = hw->timer->count;
            if ((count >= APPROACH) && ((uint16_t)(hw->timer->top - count) > LEAST_LEFT)) {
                unload(out, hw);
            } else {
                started++; /* it has started, or will before anyone could help it */
            }
        }
    }
    return started;
}

void port_dark(uint8_t output)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        make_dark(&outputs[output], &hardware[output]);
    }
}

/* -- checks, from the main loop --------------------------------------------------------------------- */

bool timers_take_fault(void)
{
    bool taken = fault;

    if (taken) {
        fault = false; /* one that comes between is of the same kind */
    }
    return taken;
}

static const struct pulse *loaded_pulse(const struct output *output)
{
    return &output->line[(uint8_t)(output->first - 1U) & (DECISIONS - 1U)];
}

/* Is the timer on its way to, or in, the very pulse that is loaded? Interrupts off. */
static bool timer_is_right(const struct output *output, const struct hardware *hw)
{
    const struct pulse *pulse = loaded_pulse(output);
    uint16_t now = ticks_now16();
    uint16_t count = hw->timer->count;
    uint16_t left = (uint16_t)(pulse->start - now);
    uint16_t top = hw->timer->top;
    uint16_t off_by = (count >= APPROACH) ? (uint16_t)((uint16_t)(top - count) + 1U - left)
                                          : (uint16_t)(count + left);

    return ((uint16_t)(off_by + 1U) <= 2U) && (top >= LEAST_TOP) &&
           (hw->timer->compare == pulse->compare) && (pulse->compare < CEILING_MAX_ON) &&
           ((count >= APPROACH) || (count <= (pulse->compare + OVERDUE_TICKS)));
}

/* Interrupts off. */
static bool registers_are_right(const struct output *output, const struct hardware *hw)
{
    uint8_t a = output->loaded ? A_CONNECTED : A_DISCONNECTED;
    uint8_t b = output->loaded ? B_RUNNING : B_STOPPED;

    return (hw->timer->control_a == a) && (hw->timer->control_b == b) && (*hw->mask == COMPARE_FLAG) &&
           ((*hw->direction & hw->pin) != 0U) && (!output->loaded || timer_is_right(output, hw));
}

bool timers_check(uint8_t output)
{
    struct output *out = &outputs[output];
    const struct hardware *hw = &hardware[output];
    bool right = true;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        if ((halted == 0U) && !registers_are_right(out, hw)) {
            make_dark(out, hw);
            *hw->mask = COMPARE_FLAG;
            fault = true;
            right = false;
        }
    }
    return right;
}

/* Is the pin not what the timer says now? Near an edge nothing is said. Interrupts off. */
static bool disagrees(const struct output *output, const struct hardware *hw)
{
    uint16_t count = hw->timer->count;
    bool high = (*hw->pins & hw->pin) != 0U;
    uint16_t compare = loaded_pulse(output)->compare;

    if (!output->loaded) {
        return high;
    }
    if (count >= APPROACH) {
        return high && ((uint16_t)(hw->timer->top - count) > EDGE_TICKS);
    }
    if ((count >= EDGE_TICKS) && ((uint16_t)(count + EDGE_TICKS) < compare)) {
        return !high;
    }
    return high && (count > (uint16_t)(compare + EDGE_TICKS));
}

bool timers_pin_disagrees(uint8_t output)
{
    bool disagree = true;

    for (uint8_t i = 0U; disagree && (i < 2U); i++) {
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            disagree = disagrees(&outputs[output], &hardware[output]);
        }
    }
    return disagree;
}
