/* Are the timers and pins what they must be? From the main loop; see timers.h. */
#include <util/atomic.h>

#include "output.h"
#include "ticks.h"
#include "timers.h"

bool timers_take_fault(void)
{
    bool taken = fault;

    if (taken) {
        fault = false; /* one that comes between is of the same kind */
    }
    return taken;
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
    struct output *out = &timed_outputs[output];
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
            disagree = disagrees(&timed_outputs[output], &hardware[output]);
        }
    }
    return disagree;
}
