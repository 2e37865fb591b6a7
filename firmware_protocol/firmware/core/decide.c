/* The next decision of one output, made in advance; see coil.h. */
#include <stddef.h>

#include "catalogue.h"
#include "decisions.h"

#define WORK_OF_SKIPPING 4U /* as much as so many decisions */

static struct decision *decided(struct coil *coil, uint32_t at, uint8_t train, uint8_t fate)
{
    struct decision *decision = &coil->decisions[decision_place(coil, coil->count)];

    decision->at = at;
    decision->train = train;
    decision->fate = fate;
    coil->count++;
    return decision;
}

uint16_t coil_refusals(const struct coil *coil, uint32_t until)
{
    uint16_t refusals = coil->refused_since_arming;

    for (uint8_t i = 0U; i < coil->count; i++) {
        const struct decision *decision = &coil->decisions[decision_place(coil, i)];
        if (is_refusal(decision->fate) && is_due(decision->at, until)) {
            refusals++;
        }
    }
    return refusals;
}

/* When the train's pulse comes: not before the output is free, nor before `earliest`. */
static inline uint32_t pulse_at(const struct coil *coil, const struct motion *motion,
                                uint32_t earliest)
{
    uint32_t tick = trains_due_at(motion);
    const struct alarm *end = &coil->guard.newest_end;

    if (end->set) {
        uint32_t free_at = end->at + coil->guard.limits.most.min_off;
        if (is_before(tick, free_at)) {
            tick = free_at;
        }
    }
    return is_before(tick, earliest) ? earliest : tick;
}

/* The pulse of train `index` at `start`: refused, or offered to the port. False: the port has no room. */
static bool decide_pulse(struct coil *coil, uint32_t start, uint8_t index)
{
    struct train *train = &coil->trains.train[index];
    struct decision *decision;
    uint16_t on = train->on;
    uint8_t fate = guard_judge(&coil->guard, start, on);

    if (fate == GUARD_NONE) {
        if (!port_offer(coil->output, start, on)) {
            return false;
        }
        (void)guard_prepare(&coil->guard, start, on);
        fate = FATE_FIRED;
    }
    decision = decided(coil, start, index, fate);
    trains_keep(&coil->trains, train, &decision->undo);
    trains_step(&coil->trains, train, fate == FATE_FIRED);
    return true;
}

/* The pulse of train `index` would come too late at `start`. Where the port polls late, all trains' grid
 * points that would are done with at once, and nothing is kept of them: being late must cost less time
 * than it takes to be in time again. In time, each is dropped at its own tick, in order. Returns how much work
 * that was. */
SELDOM static uint8_t drop_pulse(struct coil *coil, uint32_t now, uint32_t start, uint8_t index)
{
    struct train *train = &coil->trains.train[index];
    struct decision *decision;
    uint32_t at = pulse_at(coil, &train->motion, now - 1U);

    if ((coil->count == 0U) && is_before(at, start)) { /* it was the port that came late */
        coil->collisions_dropped =
            (uint16_t)(coil->collisions_dropped + trains_skip(&coil->trains, start));
        return WORK_OF_SKIPPING;
    }
    decision = decided(coil, at, index, FATE_DROPPED);
    trains_keep(&coil->trains, train, &decision->undo);
    trains_step(&coil->trains, train, false);
    return 1U;
}

SELDOM static bool apply_ahead(struct coil *coil, uint32_t tick)
{
    apply_queued(coil, tick);
    (void)decided(coil, tick, SLOTS, FATE_APPLIED);
    return true;
}

/* Nothing is due by `until`: no look before `next` comes up at the horizon. */
SELDOM static void rest_until(struct coil *coil, uint32_t next)
{
    alarm_set(&coil->quiet, next - HORIZON_TICKS);
}

uint8_t coil_decide(struct coil *coil, uint32_t now, uint32_t until)
{
    const struct queued_frame *frame;
    const struct motion *motion;
    uint32_t start = now + (2U * HORIZON_TICKS);
    uint32_t behind = 0U;
    uint8_t index;

    if ((coil->count >= DECISIONS) || (coil->quiet.set && is_before(now, coil->quiet.at))) {
        return 0U;
    }
    index = trains_next(&coil->trains);
    motion = &coil->trains.train[index & (SLOTS - 1U)].motion;
    if (index < SLOTS) {
        start = pulse_at(coil, motion, now + port_lead_ticks());
        behind = start - motion->grid;
    }
    frame = queue_at(&coil->queue, coil->applied_ahead);
    if ((frame != NULL) && is_due(frame->apply_at, start)) { /* frames come before pulses */
        if (!is_due(frame->apply_at, until)) {
            rest_until(coil, frame->apply_at);
            return 0U;
        }
        return ((coil->applied_ahead == 0U) && apply_ahead(coil, frame->apply_at)) ? 1U : 0U;
    }
    if (!is_due(start, until)) {
        rest_until(coil, start);
        return 0U;
    }
    if ((behind > 1U) && trains_too_late(motion, behind)) {
        return drop_pulse(coil, now, start, index);
    }
    return decide_pulse(coil, start, index) ? 1U : 0U;
}

bool coil_next_tick(const struct coil *coil, uint32_t now, uint32_t *tick)
{
    const struct queued_frame *frame = queue_at(&coil->queue, 0U);
    uint8_t train = trains_next(&coil->trains);
    bool found = false;

    if (coil->count != 0U) {
        *tick = coil->decisions[coil->first].at;
        return true;
    }
    if (train < SLOTS) {
        *tick = pulse_at(coil, &coil->trains.train[train].motion, now);
        found = true;
    }
    if ((frame != NULL) && (!found || is_before(frame->apply_at, *tick))) {
        *tick = frame->apply_at;
        found = true;
    }
    return found;
}
