/* Outputs made dark, pulses taken back, and how many have started; see timers.h and core/port.h. */
#include <util/atomic.h>

#include "../core/port.h"
#include "../core/ticks.h"
#include "output.h"
#include "ticks.h"
#include "timers.h"

/* Dark, empty, and the compare latch low: it may have been high, and would show when next connected.
 * Interrupts off. The pin is an input meanwhile (its pull-down holds it), so that no latch shows. */
void make_dark(struct output *output, const struct hardware *hw)
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
        make_dark(&timed_outputs[i], &hardware[i]);
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

uint8_t port_started(uint8_t output)
{
    const struct output *out = &timed_outputs[output];
    uint8_t started;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        started = (uint8_t)(out->ended + (has_started(out, &hardware[output]) ? 1U : 0U));
    }
    return started;
}

static bool starts_before(const struct pulse *pulse, uint16_t from)
{
    return (uint16_t)(pulse->start - from) >= HALF_RANGE16;
}

/* Takes back the pulse that is loaded, unless it has started, or will before anyone could help it. Nothing may
 * come between reading the counter and disconnecting: LEAST_UNLOAD is the time for it. Interrupts off. */
static void unload_in_time(struct output *output, const struct hardware *hw)
{
    uint16_t top = hw->timer->top;
    uint16_t count = hw->timer->count;

    if ((count >= APPROACH) && ((uint16_t)(top - count) > LEAST_UNLOAD)) {
        unload(output, hw);
    }
}

/* The lower half of `from`; of what no prepared pulse can lie before, or beyond, one that says so. */
static uint16_t lower_half(uint32_t from)
{
    uint32_t now = ticks_now();
    uint32_t bound = from;

    if (is_before(from, now)) {
        bound = now;
    } else if (!is_before(from, now + MOST_LEFT)) {
        bound = now + MOST_LEFT;
    } else {
        /* within half of 16 bits */
    }
    return (uint16_t)(bound & 0xFFFFU);
}

uint8_t port_withdraw(uint8_t output, uint32_t from)
{
    struct output *out = &timed_outputs[output];
    const struct hardware *hw = &hardware[output];
    uint16_t from16 = lower_half(from);
    uint8_t started;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        uint8_t kept = 0U;
        started = out->ended;
        if (out->loaded && !starts_before(loaded_pulse(out), from16)) {
            unload_in_time(out, hw);
        } else {
            while ((kept < out->count) &&
                   starts_before(&out->line[(uint8_t)(out->first + kept) & (DECISIONS - 1U)], from16)) {
                kept++;
            }
        }
        started = (uint8_t)(started + (out->loaded ? 1U : 0U));
        out->count = kept;
        started = (uint8_t)(started + kept);
    }
    return started;
}

void port_dark(uint8_t output)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        make_dark(&timed_outputs[output], &hardware[output]);
    }
}
