/* Outputs made dark, pulses taken back, and how many have started; see timers.h and core/port.h. */
#include <util/atomic.h>

#include "../core/port.h"
#include "output.h"
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

uint8_t port_withdraw(uint8_t output)
{
    struct output *out = &timed_outputs[output];
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
        make_dark(&timed_outputs[output], &hardware[output]);
    }
}
