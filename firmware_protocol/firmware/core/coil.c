/* One output between frames and prepared pulses: its beginning, its rest, its end; see coil.h. */
#include "coil.h"

#include <stddef.h>
#include <string.h>

#include "decisions.h"

void coil_start(struct coil *coil, uint8_t output, uint16_t longest_pulse, uint32_t now)
{
    (void)memset(coil, 0, sizeof(*coil));
    coil->output = output;
    coil->started = port_started(output);
    guard_start(&coil->guard, longest_pulse, now);
    queue_clear(&coil->queue);
    trains_seed(&coil->trains, output);
}

void coil_arm(struct coil *coil, uint32_t lease_until)
{
    trains_seed(&coil->trains, coil->output);
    coil->stirred = true;
    coil->refused_since_arming = 0U;
    if (coil->guard.has_limits) {
        alarm_set(&coil->lease, lease_until);
    }
}

void coil_rest(struct coil *coil, uint32_t now)
{
    uint32_t wake = now + HORIZON_TICKS;
    const struct decision *first = &coil->decisions[coil->first];

    if ((coil->count != 0U) && (first->fate != FATE_FIRED)) {
        wake = first->at;
    }
    if (coil->count < DECISIONS) {
        uint32_t next = coil->quiet.set ? coil->quiet.at : now;
        wake = is_before(next, wake) ? next : wake;
    }
    coil->wake = wake;
    coil->stirred = false;
}

uint32_t coil_decided_until(const struct coil *coil, uint32_t now)
{
    uint32_t until = now;

    if (coil->count != 0U) {
        until = coil_newest(coil)->at;
    } else if ((trains_next(&coil->trains) == SLOTS) && (queue_at(&coil->queue, 0U) == NULL)) {
        until = now + HORIZON_TICKS;
    } else {
        /* nothing is, and something may be due at once */
    }
    return until;
}

void coil_go_dark(struct coil *coil, uint32_t now)
{
    coil_commit_before(coil, now);
    if (coil_is_lit(coil, now)) {
        guard_cut(&coil->guard, now);
    }
    coil->count = 0U;
    coil->applied_ahead = 0U;
    guard_withdrawn(&coil->guard, 0U);
    wake_up(coil);
    queue_clear(&coil->queue);
    trains_silence(&coil->trains);
    alarm_clear(&coil->lease);
    coil->has_number = false;
    coil->started = port_started(coil->output);
}

void coil_pass(struct coil *coil, uint32_t now)
{
    guard_pass(&coil->guard, now);
    trains_pass(&coil->trains);
    if (alarm_is_due(&coil->quiet, now)) {
        wake_up(coil);
    }
}
