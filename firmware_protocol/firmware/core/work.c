/* One output's work: what is due is committed, what is near is decided (PROTOCOL.md, section 8). */
#include "catalogue.h"
#include "obey.h"

#define MAX_GUARD_REFUSALS 16U /* since arming; one more trips */
#ifndef WORK_LIMIT
#define WORK_LIMIT 64U /* decisions made and committed in one go, about; a slow port sets fewer */
#endif

/* The last tick at which a pulse may be prepared to start: never at or after the end of a lease. */
static uint32_t horizon(const struct core *core)
{
    uint32_t until = core->now + HORIZON_TICKS;

    return (core->leases.set && is_due(core->leases.at, until)) ? (core->leases.at - 1U) : until;
}

SELDOM static bool too_many_refusals(const struct core *core)
{
    uint16_t refused = 0U;

    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        refused = (uint16_t)(refused + core->coils[output].refused_since_arming);
    }
    return refused > MAX_GUARD_REFUSALS;
}

/* Is the refusal that was decided last to trip? Nothing is decided beyond it then. */
SELDOM static bool trips(struct core *core, const struct coil *coil)
{
    uint32_t at = coil_newest(coil)->at;
    uint16_t refused = 0U;

    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        refused = (uint16_t)(refused + coil_refusals(&core->coils[output], at));
    }
    if (refused > MAX_GUARD_REFUSALS) {
        alarm_set(&core->trips_at, at);
        return true;
    }
    return false;
}

void trip_by_refusals(struct core *core)
{
    if (alarm_is_due(&core->trips_at, core->now - 1U)) {
        alarm_clear(&core->trips_at);
        for (uint8_t output = 0U; output < OUTPUTS; output++) {
            coil_commit_before(&core->coils[output], core->now);
        }
        if (too_many_refusals(core)) {
            trip(core, CAUSE_GUARD_REFUSALS);
        }
    }
}

void work(struct core *core, struct coil *coil)
{
    uint32_t now = core->now;
    uint32_t until = horizon(core);
    uint8_t done = 0U;
    bool more = true;

    while (more && (done < WORK_LIMIT)) {
        uint8_t work_done = 1U;
        if (!coil_commit(coil, now)) {
            work_done = ((coil->count < DECISIONS) && !(coil_ends_in_refusal(coil) && trips(core, coil)))
                            ? coil_decide(coil, now, until)
                            : 0U;
            more = work_done != 0U;
        } else if ((coil->refused_since_arming != 0U) && too_many_refusals(core)) {
            trip(core, CAUSE_GUARD_REFUSALS);
            more = false;
        } else {
            /* one has happened */
        }
        done = (uint8_t)(done + work_done);
    }
    coil_rest(coil, now);
}
