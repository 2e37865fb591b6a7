/* One output between frames and prepared pulses; see coil.h. */
#include "coil.h"

#include <stddef.h>
#include <string.h>

#include "catalogue.h"
#include "port.h"

#define ALL_SLOTS ((uint8_t)((1U << SLOTS) - 1U))

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

/* -- committing decisions ---------------------------------------------------------------------- */

static uint8_t decision_place(const struct coil *coil, uint8_t index)
{
    return (uint8_t)((uint8_t)(coil->first + index) & (DECISIONS - 1U));
}

SELDOM static void refused(struct coil *coil, uint8_t reason)
{
    count_up(&coil->guard_refusals);
    coil->last_guard_reason = reason;
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

/* Of `started` pulses, modulo 256, so many were not committed yet. */
static uint8_t more_of(const struct coil *coil, uint8_t started)
{
    uint8_t more = (uint8_t)(started - coil->started);

    return (more <= DECISIONS) ? more : 0U;
}

/* Commits until `started` pulses have been. */
static void commit_pulses(struct coil *coil, uint8_t started)
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

static void commit_before(struct coil *coil, uint32_t now)
{
    for (uint8_t i = 0U; i < DECISIONS; i++) {
        if (!coil_commit(coil, now - 1U)) {
            break;
        }
    }
}

/* -- making and withdrawing them --------------------------------------------------------------- */

static struct decision *decided(struct coil *coil, uint32_t at, uint8_t train, uint8_t fate)
{
    struct decision *decision = &coil->decisions[decision_place(coil, coil->count)];

    decision->at = at;
    decision->train = train;
    decision->fate = fate;
    coil->count++;
    return decision;
}

/* Something changed that decisions hang on. */
static void wake_up(struct coil *coil)
{
    alarm_clear(&coil->quiet);
    coil->stirred = true;
}

/* How many of the decisions end with the pulses that have started, or will before anyone could help it. */
static uint8_t inevitable(const struct coil *coil, uint8_t started)
{
    uint8_t more = more_of(coil, started);
    uint8_t kept = 0U;

    for (uint8_t i = 0U; (i < coil->count) && (more != 0U); i++) {
        if (coil->decisions[decision_place(coil, i)].fate == FATE_FIRED) {
            more--;
            kept = (uint8_t)(i + 1U);
        }
    }
    return kept;
}

static void undo(struct coil *coil, const struct decision *decision)
{
    if (decision->fate == FATE_APPLIED) {
        coil->trains = coil->before;
    } else if (decision->train < SLOTS) {
        trains_undo(&coil->trains, decision->train, decision->fate == FATE_FIRED, &decision->undo);
    } else {
        /* it moved no train */
    }
}

/* Is it of `from` or later? A queued frame comes before another of its tick that arrives only now, and
 * `before_queued` tells that this one does not go through the queue: it comes first. */
static bool is_after(const struct decision *decision, uint32_t from, bool before_queued)
{
    return ((decision->fate == FATE_APPLIED) && !before_queued) ? is_before(from, decision->at)
                                                                : is_due(from, decision->at);
}

/* Undoes every decision of `from` or later, and forgets it unless it is inevitable. Returns how many of
 * those that are left are not undone: `reckon` is for the others. */
static uint8_t withdraw(struct coil *coil, uint32_t from, bool before_queued)
{
    uint8_t kept = 0U;
    uint8_t pulses = 0U;
    uint8_t left;

    if (coil->count != 0U) {
        kept = inevitable(coil, port_withdraw(coil->output));
    }
    left = coil->count;
    while (left != 0U) {
        const struct decision *newest = &coil->decisions[decision_place(coil, (uint8_t)(left - 1U))];
        if ((left <= kept) && !is_after(newest, from, before_queued)) {
            break;
        }
        if ((left > kept) && (newest->fate == FATE_APPLIED)) {
            coil->applied_ahead = 0U;
        }
        undo(coil, newest);
        left--;
    }
    coil->count = kept;
    for (uint8_t i = 0U; i < kept; i++) {
        if (coil->decisions[decision_place(coil, i)].fate == FATE_FIRED) {
            pulses++;
        }
    }
    guard_withdrawn(&coil->guard, pulses);
    wake_up(coil);
    return left;
}

/* Every queued frame of `tick`, in order: each might come too late if it waited for the one before. */
static void apply_queued(struct coil *coil, uint32_t tick)
{
    const struct queued_frame *frame = queue_at(&coil->queue, 0U);

    coil->before = coil->trains;
    coil->applied_ahead = 0U;
    while ((frame != NULL) && (frame->apply_at == tick)) {
        (void)trains_apply(&coil->trains, tick, &frame->slots);
        coil->applied_ahead++;
        frame = queue_at(&coil->queue, coil->applied_ahead);
    }
}

/* The trains of which bits are set in `going_on` move again, by the decisions from `index` on: with what has
 * been changed. */
static void reckon(struct coil *coil, uint8_t index, uint8_t going_on)
{
    uint8_t moving = going_on;

    for (uint8_t i = index; i < coil->count; i++) {
        struct decision *decision = &coil->decisions[decision_place(coil, i)];
        if (decision->fate == FATE_APPLIED) {
            apply_queued(coil, decision->at);
            moving = ALL_SLOTS;
        } else if (decision->fate == FATE_FORGOTTEN) {
            moving = 0U;
        } else if (decision->train < SLOTS) {
            struct train *train = &coil->trains.train[decision->train];
            if (((moving >> decision->train) & 1U) != 0U) {
                trains_keep(&coil->trains, train, &decision->undo);
                trains_step(&coil->trains, train, decision->fate == FATE_FIRED);
            } else {
                decision->train = SLOTS;
            }
        } else {
            /* its train is gone */
        }
    }
}

static bool may_decide_more(const struct coil *coil)
{
    uint8_t newest;

    if (coil->count >= DECISIONS) {
        return false;
    }
    if (coil->count == 0U) {
        return true;
    }
    /* Not beyond a refusal: it may be the one that trips. */
    newest = coil->decisions[decision_place(coil, (uint8_t)(coil->count - 1U))].fate;
    return (newest == FATE_FIRED) || (newest >= FATE_FORGOTTEN);
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
 * than it takes to be in time again. In time, each is dropped at its own tick, in order. */
SELDOM static bool drop_pulse(struct coil *coil, uint32_t now, uint32_t start, uint8_t index)
{
    struct train *train = &coil->trains.train[index];
    uint32_t at = pulse_at(coil, &train->motion, now - 1U);

    if ((coil->count == 0U) && is_before(at, start)) { /* it was the port that came late */
        coil->collisions_dropped =
            (uint16_t)(coil->collisions_dropped + trains_skip(&coil->trains, start));
    } else {
        struct decision *decision = decided(coil, at, index, FATE_DROPPED);
        trains_keep(&coil->trains, train, &decision->undo);
        trains_step(&coil->trains, train, false);
    }
    return true;
}

SELDOM static bool apply_ahead(struct coil *coil, uint32_t tick)
{
    apply_queued(coil, tick);
    (void)decided(coil, tick, SLOTS, FATE_APPLIED);
    return true;
}

/* Nothing is due by `until`: no look before `next` comes up at the horizon. */
SELDOM static bool rest_until(struct coil *coil, uint32_t next)
{
    alarm_set(&coil->quiet, next - HORIZON_TICKS);
    return false;
}

bool coil_decide(struct coil *coil, uint32_t now, uint32_t until)
{
    const struct queued_frame *frame;
    const struct motion *motion;
    uint32_t start = now + (2U * HORIZON_TICKS);
    uint32_t behind = 0U;
    uint8_t index;

    if (!may_decide_more(coil) || (coil->quiet.set && is_before(now, coil->quiet.at))) {
        return false;
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
            return rest_until(coil, frame->apply_at);
        }
        return (coil->applied_ahead == 0U) && apply_ahead(coil, frame->apply_at);
    }
    if (!is_due(start, until)) {
        return rest_until(coil, start);
    }
    if ((behind > 1U) && trains_too_late(motion, behind)) {
        return drop_pulse(coil, now, start, index);
    }
    return decide_pulse(coil, start, index);
}

/* -- frames --------------------------------------------------------------------------------------- */

static bool is_overdue(const struct coil *coil, uint32_t now)
{
    const struct queued_frame *frame = queue_at(&coil->queue, 0U);

    return (frame != NULL) && is_before(frame->apply_at, now);
}

/* What sounds from `tick` on, whatever had been decided of later. */
static void change(struct coil *coil, uint32_t tick, const struct slots *slots)
{
    uint8_t undone = withdraw(coil, tick, true);
    uint8_t going_on = trains_apply(&coil->trains, tick, slots);

    reckon(coil, undone, going_on);
}

void coil_catch_up(struct coil *coil, uint32_t now)
{
    commit_before(coil, now);
    for (uint8_t i = 0U; (i < QUEUE_FRAMES) && (coil->applied_ahead == 0U) && is_overdue(coil, now);
         i++) { /* polled late */
        const struct queued_frame *frame = queue_at(&coil->queue, 0U);
        change(coil, frame->apply_at, &frame->slots);
        queue_drop_first(&coil->queue);
    }
}

void coil_apply(struct coil *coil, uint32_t now, const struct slots *slots)
{
    if ((coil->applied_ahead != 0U) || !trains_match(&coil->trains, slots)) {
        change(coil, now, slots);
    }
}

void coil_forget(struct coil *coil, uint32_t now, uint8_t keep)
{
    if ((keep == 0U) && (coil->applied_ahead != 0U)) {
        uint8_t undone = withdraw(coil, now, true);
        for (uint8_t i = 0U; i < coil->count; i++) {
            struct decision *decision = &coil->decisions[decision_place(coil, i)];
            if (decision->fate == FATE_APPLIED) {
                decision->fate = FATE_FORGOTTEN;
            }
        }
        reckon(coil, undone, ALL_SLOTS);
        coil->applied_ahead = 0U;
    }
    queue_keep(&coil->queue, keep);
    wake_up(coil);
}

bool coil_enqueue(struct coil *coil, uint32_t apply_at, const struct slots *slots)
{
    wake_up(coil);
    if (coil->count != 0U) {
        uint8_t newest = decision_place(coil, (uint8_t)(coil->count - 1U));
        if (is_due(apply_at, coil->decisions[newest].at)) {
            uint8_t undone = withdraw(coil, apply_at, false);
            if (undone < coil->count) { /* a pulse of later is inevitable: it cannot wait in the queue */
                reckon(coil, undone, trains_apply(&coil->trains, apply_at, slots));
                return true;
            }
        }
    }
    return queue_insert(&coil->queue, apply_at, slots);
}

/* -- the rest ------------------------------------------------------------------------------------- */

bool coil_is_lit(struct coil *coil, uint32_t now)
{
    commit_pulses(coil, port_started(coil->output));
    return coil->guard.started_end.set && is_before(now, coil->guard.started_end.at);
}

void coil_go_dark(struct coil *coil, uint32_t now)
{
    commit_before(coil, now);
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

void coil_pass(struct coil *coil, uint32_t now)
{
    guard_pass(&coil->guard, now);
    trains_pass(&coil->trains);
    if (alarm_is_due(&coil->quiet, now)) {
        wake_up(coil);
    }
}
