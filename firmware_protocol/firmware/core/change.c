/* What a frame changes of what was decided in advance for one output; see coil.h. */
#include <stddef.h>

#include "decisions.h"

#define ALL_SLOTS ((uint8_t)((1U << SLOTS) - 1U))

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

/* Undoes every decision of `from` or later, and forgets it unless it is inevitable. A pulse of before stays with
 * the port: it may be too near to be offered again. Returns how many of
 * those that are left are not undone: `reckon` is for the others. */
static uint8_t withdraw(struct coil *coil, uint32_t from, bool before_queued)
{
    uint8_t kept = 0U;
    uint8_t pulses = 0U;
    uint8_t left;

    if (coil->count != 0U) {
        kept = inevitable(coil, port_withdraw(coil->output, from));
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

void apply_queued(struct coil *coil, uint32_t tick)
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
            if (((uint8_t)(moving >> decision->train) & 1U) != 0U) {
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
    coil_commit_before(coil, now);
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
    if ((coil->count != 0U) && is_due(apply_at, coil_newest(coil)->at)) {
        uint8_t undone = withdraw(coil, apply_at, false);
        if (undone < coil->count) { /* a pulse of later is inevitable: it cannot wait in the queue */
            reckon(coil, undone, trains_apply(&coil->trains, apply_at, slots));
            return true;
        }
    }
    return queue_insert(&coil->queue, apply_at, slots);
}
