/* One output between frames and prepared pulses; see coil.h. */
#include "coil.h"

#include <stddef.h>
#include <string.h>

#include "catalogue.h"
#include "port.h"

void coil_start(struct coil *coil, uint8_t output, uint16_t longest_pulse, uint32_t now)
{
    (void)memset(coil, 0, sizeof(*coil));
    coil->output = output;
    coil->started = port_started(output);
    guard_start(&coil->guard, longest_pulse, now);
    queue_clear(&coil->queue);
    trains_seed(&coil->now, output);
    coil->ahead = coil->now;
}

void coil_arm(struct coil *coil, uint32_t lease_until)
{
    trains_seed(&coil->now, coil->output);
    coil->ahead = coil->now;
    coil->refused_since_arming = 0U;
    if (coil->guard.has_limits) {
        alarm_set(&coil->lease, lease_until);
    }
}

/* -- decisions: made in advance, committed when their time has come, or withdrawn ---------------- */

static uint8_t place_of(const struct coil *coil, uint8_t index)
{
    return (uint8_t)((uint8_t)(coil->first + index) & (DECISIONS - 1U));
}

static void refused(struct coil *coil, uint8_t reason)
{
    count_up(&coil->guard_refusals);
    coil->last_guard_reason = reason;
    if (coil->refused_since_arming < UINT8_MAX) {
        coil->refused_since_arming++;
    }
}

static void apply_first_queued(struct coil *coil)
{
    const struct queued_frame *frame = queue_at(&coil->queue, 0U);

    if (frame != NULL) {
        trains_apply(&coil->now, frame->apply_at, &frame->slots);
        queue_drop_first(&coil->queue);
    }
}

static void fired(struct coil *coil, uint8_t train)
{
    struct pending_pulse pulse;

    if (guard_started(&coil->guard, &pulse)) {
        uint32_t end = pulse.start + pulse.on;
        alarm_set(&coil->lit_until, end);
        trains_fired(&coil->now, train, end + coil->guard.limits.most.min_off);
    }
    coil->started++;
    count_up(&coil->pulses);
}

/* The oldest decision has happened. */
static void commit_first(struct coil *coil)
{
    const struct decision *decision = &coil->decisions[coil->first];

    switch (decision->fate) {
    case FATE_APPLIED:
        apply_first_queued(coil);
        coil->applied_ahead--;
        break;
    case FATE_FIRED:
        fired(coil, decision->train);
        break;
    case FATE_DROPPED:
        count_up(&coil->collisions_dropped);
        break;
    default:
        refused(coil, decision->fate);
        break;
    }
    if (decision->fate != FATE_APPLIED) {
        trains_repeat_step(&coil->now, decision->train, &decision->stepped);
    }
    coil->first = place_of(coil, 1U);
    coil->count--;
}

/* Commits until `started` pulses have been, modulo 256. */
static void commit_pulses(struct coil *coil, uint8_t started)
{
    uint8_t more = (uint8_t)(started - coil->started);

    for (uint8_t i = 0U; (i < DECISIONS) && (coil->count != 0U); i++) {
        if ((more == 0U) || (more > DECISIONS)) { /* more than that: it has not come up to us yet */
            break;
        }
        commit_first(coil);
        more = (uint8_t)(started - coil->started);
    }
}

bool coil_commit(struct coil *coil, uint32_t now)
{
    bool happened = false;

    if (coil->count != 0U) {
        const struct decision *first = &coil->decisions[coil->first];
        if (first->fate == FATE_FIRED) { /* the hardware decides when it has */
            uint8_t more = (uint8_t)(port_started(coil->output) - coil->started);
            happened = (more != 0U) && (more <= DECISIONS);
        } else {
            happened = is_due(first->at, now);
        }
    }
    if (happened) {
        commit_first(coil);
    }
    return happened;
}

static void commit_before(struct coil *coil, uint32_t now)
{
    for (uint8_t i = 0U; i < DECISIONS; i++) {
        if (!coil_commit(coil, now - 1U)) {
            break;
        }
    }
}

/* Everything decided that has not happened is undone; `ahead` is `now` again. */
static void withdraw(struct coil *coil)
{
    if (coil->count != 0U) {
        commit_pulses(coil, port_withdraw(coil->output));
    }
    guard_withdrawn(&coil->guard);
    coil->count = 0U;
    coil->applied_ahead = 0U;
    coil->ahead = coil->now;
}

static void decided(struct coil *coil, uint32_t at, uint8_t train, uint8_t fate)
{
    struct decision *decision = &coil->decisions[place_of(coil, coil->count)];

    decision->at = at;
    decision->train = train;
    decision->fate = fate;
    if (fate != FATE_APPLIED) {
        trains_step(&coil->ahead, train);
        trains_save_step(&coil->ahead, train, &decision->stepped);
    }
    coil->count++;
}

static bool may_decide_more(const struct coil *coil)
{
    uint8_t newest;

    if ((coil->count == 0U) || (coil->count >= DECISIONS)) {
        return coil->count == 0U;
    }
    /* Not beyond a refusal: it may be the one that trips. */
    newest = coil->decisions[place_of(coil, (uint8_t)(coil->count - 1U))].fate;
    return (newest == FATE_FIRED) || (newest == FATE_DROPPED) || (newest == FATE_APPLIED);
}

/* The pulse of `train` at `start`: refused, or offered to the port. False: the port has no room. */
static bool decide_pulse(struct coil *coil, uint32_t start, uint8_t train)
{
    uint16_t on = coil->ahead.train[train].on;
    uint8_t fate = guard_judge(&coil->guard, start, on);

    if (fate == GUARD_NONE) {
        if (!port_offer(coil->output, start, on)) {
            return false;
        }
        (void)guard_prepare(&coil->guard, start, on);
        trains_fired(&coil->ahead, train, start + on + coil->guard.limits.most.min_off);
        fate = FATE_FIRED;
    }
    decided(coil, start, train, fate);
    return true;
}

bool coil_decide(struct coil *coil, uint32_t now, uint32_t until)
{
    const struct queued_frame *frame = queue_at(&coil->queue, coil->applied_ahead);
    uint8_t train = 0U;
    uint32_t start = until;
    bool pulse;

    if (!may_decide_more(coil)) {
        return false;
    }
    pulse = trains_next(&coil->ahead, &train);
    if (pulse) {
        start = trains_pulse_at(&coil->ahead, train, now + port_lead_ticks());
    }
    if ((frame != NULL) && is_due(frame->apply_at, start)) { /* frames come before pulses */
        if (!is_due(frame->apply_at, until)) {
            return false;
        }
        trains_apply(&coil->ahead, frame->apply_at, &frame->slots);
        coil->applied_ahead++;
        decided(coil, frame->apply_at, 0U, FATE_APPLIED);
        return true;
    }
    if (!pulse || !is_due(start, until)) {
        return false;
    }
    if (trains_too_late(&coil->ahead, train, start)) { /* at once, where the port polls late */
        decided(coil, trains_pulse_at(&coil->ahead, train, now), train, FATE_DROPPED);
        return true;
    }
    return decide_pulse(coil, start, train);
}

/* -- frames --------------------------------------------------------------------------------------- */

static bool is_overdue(const struct coil *coil, uint32_t now)
{
    const struct queued_frame *frame = queue_at(&coil->queue, 0U);

    return (frame != NULL) && is_before(frame->apply_at, now);
}

void coil_catch_up(struct coil *coil, uint32_t now)
{
    commit_before(coil, now);
    if (is_overdue(coil, now)) { /* only where the port polls late */
        withdraw(coil);
        for (uint8_t i = 0U; (i < QUEUE_FRAMES) && is_overdue(coil, now); i++) {
            apply_first_queued(coil);
        }
        coil->ahead = coil->now;
    }
}

void coil_apply(struct coil *coil, uint32_t now, const struct slots *slots)
{
    if (!trains_match(&coil->now, slots)) {
        withdraw(coil);
        trains_apply(&coil->now, now, slots);
        coil->ahead = coil->now;
    }
}

void coil_forget(struct coil *coil, uint8_t keep)
{
    if (keep < coil->applied_ahead) {
        withdraw(coil);
    }
    queue_keep(&coil->queue, keep);
}

bool coil_enqueue(struct coil *coil, uint32_t apply_at, const struct slots *slots)
{
    if (coil->count != 0U) {
        uint8_t newest = place_of(coil, (uint8_t)(coil->count - 1U));
        if (is_due(apply_at, coil->decisions[newest].at)) {
            withdraw(coil);
        }
    }
    return queue_insert(&coil->queue, apply_at, slots);
}

/* -- the rest --------------------------------------------------------------------------------------- */

bool coil_is_lit(struct coil *coil, uint32_t now)
{
    commit_pulses(coil, port_started(coil->output));
    return coil->lit_until.set && is_before(now, coil->lit_until.at);
}

void coil_go_dark(struct coil *coil, uint32_t now)
{
    commit_before(coil, now);
    if (coil_is_lit(coil, now)) {
        guard_cut(&coil->guard, now);
        alarm_set(&coil->now.free_at, now + coil->guard.limits.most.min_off);
    }
    alarm_clear(&coil->lit_until);
    alarm_clear(&coil->lease);
    coil->has_number = false;
    queue_clear(&coil->queue);
    trains_silence(&coil->now);
    guard_withdrawn(&coil->guard);
    coil->count = 0U;
    coil->applied_ahead = 0U;
    coil->ahead = coil->now;
    coil->started = port_started(coil->output);
}

bool coil_next_tick(const struct coil *coil, uint32_t now, uint32_t *tick)
{
    const struct queued_frame *frame = queue_at(&coil->queue, 0U);
    uint8_t train = 0U;
    bool found = false;

    if (coil->count != 0U) {
        *tick = coil->decisions[coil->first].at;
        return true;
    }
    if (trains_next(&coil->now, &train)) {
        *tick = trains_pulse_at(&coil->now, train, now);
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
    if (alarm_is_due(&coil->lit_until, now)) {
        alarm_clear(&coil->lit_until);
    }
    if (alarm_is_due(&coil->now.free_at, now)) {
        alarm_clear(&coil->now.free_at);
    }
    if (alarm_is_due(&coil->ahead.free_at, now)) {
        alarm_clear(&coil->ahead.free_at);
    }
}
