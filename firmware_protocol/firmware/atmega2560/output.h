/* What the files of the four output timers share: registers, bits, an output's state; see timers.h.
 * Nobody else includes this.
 */
#ifndef CW_AVR_OUTPUT_H
#define CW_AVR_OUTPUT_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "../core/limits.h"
#include "../core/sizes.h"
#include "pins.h"

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

extern const struct hardware hardware[OUTPUTS];

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
#define LEAST_UNLOAD 12U /* ticks to the top from reading TCNTn to disconnecting: twice what it takes, and more */
#define MOST_LEFT 16383U  /* longer than the horizon, shorter than the way to the top */
#define HALF_RANGE16 0x8000U /* two ticks by their lower halves: before, or not */
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

extern struct output timed_outputs[OUTPUTS];

/* A pulse could not be kept, or a register was not what was written. */
extern volatile bool fault;

/* Bits of e-stop inputs that opened, and HALT_STOP: nothing is connected. */
extern volatile uint8_t halted;

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

ALWAYS_INLINE const struct pulse *loaded_pulse(const struct output *output)
{
    return &output->line[(uint8_t)(output->first - 1U) & (DECISIONS - 1U)];
}

/* Has the pulse that is loaded started? */
ALWAYS_INLINE bool has_started(const struct output *output, const struct hardware *hw)
{
    return output->loaded && (hw->timer->count < APPROACH);
}

/* dark.c: dark, empty, and the compare latch low. Interrupts off. */
void make_dark(struct output *output, const struct hardware *hw);

#endif
