/* Decisions of one output whose time has come: counted; see coil.h. */
#include "catalogue.h"
#include "decisions.h"

SELDOM static void refused(struct coil *coil, uint8_t reason)
{
    count_up(&coil->guard_refusals);
    coil->last_guard_reason = reason;
    if ((reason > GUARD_NONE) && (reason <= REASONS_OF_GUARD)) {
        uint8_t *count = &coil->refused_for[reason - 1U];
        *count = (uint8_t)(*count + 1U);
    }
    if (coil->refused_since_arming < UINT8_MAX) {
        coil->refused_since_arming++;
    }
}

/* The oldest decision has happened. */
static void commit_first(struct coil *coil)
{
    uint8_t fate = coil->decisions[coil->first].fate;

    switch (fate) {
    case FATE_FIRED:
        (void)guard_started(&coil->guard);
        coil->started++;
        count_up(&coil->pulses);
        break;
    case FATE_DROPPED:
        count_up(&coil->collisions_dropped);
        break;
    case FATE_APPLIED:
        for (uint8_t i = 0U; i < coil->applied_ahead; i++) {
            queue_drop_first(&coil->queue);
        }
        coil->applied_ahead = 0U;
        break;
    case FATE_FORGOTTEN:
        break;
    default:
        refused(coil, fate);
        break;
    }
    coil->first = decision_place(coil, 1U);
    coil->count--;
}

uint8_t more_of(const struct coil *coil, uint8_t started)
{
    uint8_t more = (uint8_t)(started - coil->started);

    return (more <= DECISIONS) ? more : 0U;
}

void commit_pulses(struct coil *coil, uint8_t started)
{
    for (uint8_t i = 0U; (i < DECISIONS) && (coil->count != 0U) && (more_of(coil, started) != 0U); i++) {
        commit_first(coil);
    }
}

bool coil_commit(struct coil *coil, uint32_t now)
{
    const struct decision *first = &coil->decisions[coil->first];
    bool happened = false;

    if (coil->count != 0U) {
        happened = is_due(first->at, now);
        if (first->fate == FATE_FIRED) { /* the hardware decides when it has */
            happened = happened && (more_of(coil, port_started(coil->output)) != 0U);
        }
    }
    if (happened) {
        commit_first(coil);
    }
    return happened;
}

void coil_commit_before(struct coil *coil, uint32_t now)
{
    for (uint8_t i = 0U; i < DECISIONS; i++) {
        if (!coil_commit(coil, now - 1U)) {
            break;
        }
    }
}

bool coil_is_lit(struct coil *coil, uint32_t now)
{
    commit_pulses(coil, port_started(coil->output));
    return coil->guard.started_end.set && is_before(now, coil->guard.started_end.at);
}
