/* The guard of one output; see guard.h. */
#include "guard.h"

#include <string.h>

#include "catalogue.h"

#define WHOLE_SECOND TICK_HZ
#define LONGEST_MIN_OFF 0xFFFFU

void guard_start(struct guard *guard, uint16_t longest_pulse, uint32_t origin)
{
    (void)memset(guard, 0, sizeof(*guard));
    guard->longest_pulse = longest_pulse;
    window_start(&guard->second, window_slot_ticks(WHOLE_SECOND, longest_pulse), origin);
    guard->batch_until = origin; /* the first pulse finds out */
}

/* Uptime modulo `slot_ticks`, bit by bit: 64-bit division is long, and this is done while locked. */
static uint32_t into_slot(const struct uptime *uptime, uint32_t slot_ticks)
{
    uint32_t rest = 0U;

    for (uint8_t bit = 0U; bit < 64U; bit++) {
        uint32_t word = (bit < 32U) ? uptime->high : uptime->low;
        uint8_t shift = (uint8_t)(31U - (bit & 31U));
        rest = (rest << 1) | ((word >> shift) & 1U);
        if (rest >= slot_ticks) {
            rest -= slot_ticks;
        }
    }
    return rest;
}

static void add_window(struct window *window, uint16_t length_ms, uint16_t longest_pulse,
                       uint32_t now, const struct uptime *uptime)
{
    if ((length_ms != 0U) && (window->slot_ticks == 0U)) {
        uint32_t slot = window_slot_ticks(length_ms * TICKS_PER_MS, longest_pulse);
        window_start(window, slot, now - into_slot(uptime, slot));
    }
}

/* -- counting for good ------------------------------------------------------------------------- */

/* Writes the batch into the newest slots. */
SELDOM static void write_batch(struct guard *guard)
{
    uint16_t light = guard->batch_light;
    uint16_t *starts = &guard->starts[guard->second.newest];

    *starts = (uint16_t)(*starts + guard->batch_starts);
    guard->starts_total = (uint16_t)(guard->starts_total + guard->batch_starts);
    window_add(&guard->second, light);
    if (guard->limits.window2_ms != 0U) {
        window_add(&guard->window2, light);
    }
    if (guard->limits.window3_ms != 0U) {
        window_add(&guard->window3, light);
    }
    guard->fresh_light = (uint16_t)(guard->fresh_light - light);
    guard->batch_light = 0U;
    guard->batch_starts = 0U;
}

/* The slots of the 1 s window count starts as well as light. */
static void advance_second(struct guard *guard, uint32_t tick)
{
    uint8_t place = guard->second.newest;
    uint8_t slots = window_advance(&guard->second, tick);

    for (uint8_t i = 0U; i < slots; i++) {
        place = window_next(place);
        guard->starts_total = (uint16_t)(guard->starts_total - guard->starts[place]);
        guard->starts[place] = 0U;
    }
    guard->batch_until = guard->second.slot_end;
}

static void advance(struct guard *guard, struct window *window, uint32_t tick)
{
    if (!is_before(tick, window->slot_end)) {
        (void)window_advance(window, tick);
    }
    if (is_before(window->slot_end, guard->batch_until)) {
        guard->batch_until = window->slot_end;
    }
}

/* Every window moves on to the slot of `tick`. */
SELDOM static void move_on(struct guard *guard, uint32_t tick)
{
    write_batch(guard);
    advance_second(guard, tick);
    if (guard->limits.window2_ms != 0U) {
        advance(guard, &guard->window2, tick);
    }
    if (guard->limits.window3_ms != 0U) {
        advance(guard, &guard->window3, tick);
    }
}

void guard_set_limits(struct guard *guard, const struct limits *limits, uint32_t now,
                      const struct uptime *uptime)
{
    move_on(guard, now); /* what was before counts in the windows that were before */
    guard->limits = *limits;
    guard->has_limits = true;
    add_window(&guard->window2, limits->window2_ms, guard->longest_pulse, now, uptime);
    add_window(&guard->window3, limits->window3_ms, guard->longest_pulse, now, uptime);
    move_on(guard, now);
}

/* -- judging ------------------------------------------------------------------------------------- */

static bool breaks_off_time(const struct guard *guard, uint32_t start)
{
    uint32_t since = start - guard->newest_end.at;

    return guard->newest_end.set &&
           ((since < guard->limits.most.min_off) || (since >= HALF_RANGE));
}

/* Pending pulses lie less than the shortest window back: all of them count. */
static bool breaks_rate(const struct guard *guard, uint32_t start)
{
    uint8_t slots = window_slots_ahead(&guard->second, start);
    uint16_t starts = (uint16_t)(guard->starts_total + guard->pending_count + 1U);
    uint8_t place = guard->second.newest;

    for (uint8_t i = 0U; i < slots; i++) {
        place = window_next(place);
        starts = (uint16_t)(starts - guard->starts[place]);
    }
    return starts > guard->limits.most.max_starts_1s;
}

static bool breaks_window(const struct window *window, uint32_t most, uint32_t start,
                          uint32_t light)
{
    return (window_total_at(window, start) + light) > most;
}

/* The sums as they will be at `start`. */
SELDOM static uint8_t judge_exactly(struct guard *guard, uint32_t start, uint16_t on)
{
    uint32_t light;

    write_batch(guard);
    light = (uint32_t)guard->fresh_light + on;
    if (breaks_rate(guard, start)) {
        return GUARD_RATE;
    }
    if (breaks_window(&guard->second, guard->limits.most.duty_1s, start, light)) {
        return GUARD_DUTY_1S;
    }
    if ((guard->limits.window2_ms != 0U) &&
        breaks_window(&guard->window2, guard->limits.window2, start, light)) {
        return GUARD_DUTY_SECOND;
    }
    if ((guard->limits.window3_ms != 0U) &&
        breaks_window(&guard->window3, guard->limits.window3, start, light)) {
        return GUARD_DUTY_THIRD;
    }
    return GUARD_NONE;
}

/* Sums only fall as time passes, so what fits in the sums as they are need not be looked at closer. */
static bool fits_at_once(const struct guard *guard, uint16_t on)
{
    uint32_t light = (uint32_t)guard->fresh_light + on;
    uint16_t starts = (uint16_t)(guard->starts_total + guard->batch_starts);

    if ((uint16_t)(starts + guard->pending_count) >= guard->limits.most.max_starts_1s) {
        return false;
    }
    if ((guard->second.total + light) > guard->limits.most.duty_1s) {
        return false;
    }
    if ((guard->limits.window2_ms != 0U) &&
        ((guard->window2.total + light) > guard->limits.window2)) {
        return false;
    }
    return (guard->limits.window3_ms == 0U) ||
           ((guard->window3.total + light) <= guard->limits.window3);
}

uint8_t guard_judge(struct guard *guard, uint32_t start, uint16_t on)
{
    if (!guard->has_limits || (on > guard->limits.most.max_on)) {
        return GUARD_ON_TIME;
    }
    if (breaks_off_time(guard, start)) {
        return GUARD_OFF_TIME;
    }
    return fits_at_once(guard, on) ? GUARD_NONE : judge_exactly(guard, start, on);
}

/* -- pulses prepared, started, taken back, cut ------------------------------------------------- */

static uint8_t place_of(const struct guard *guard, uint8_t index)
{
    return (uint8_t)((uint8_t)(guard->pending_first + index) & (DECISIONS - 1U));
}

bool guard_prepare(struct guard *guard, uint32_t start, uint16_t on)
{
    uint8_t place = place_of(guard, guard->pending_count);

    if (guard->pending_count >= DECISIONS) {
        return false;
    }
    guard->pending_start[place] = start;
    guard->pending_on[place] = on;
    guard->pending_count++;
    guard->fresh_light = (uint16_t)(guard->fresh_light + on);
    alarm_set(&guard->newest_end, start + on);
    return true;
}

bool guard_started(struct guard *guard)
{
    uint8_t place = guard->pending_first;
    uint32_t start = guard->pending_start[place];
    uint16_t on = guard->pending_on[place];

    if (guard->pending_count == 0U) {
        return false;
    }
    guard->pending_first = place_of(guard, 1U);
    guard->pending_count--;
    if (!is_before(start, guard->batch_until)) {
        move_on(guard, start);
    }
    guard->batch_starts++;
    guard->batch_light = (uint16_t)(guard->batch_light + on);
    alarm_set(&guard->started_end, start + on);
    return true;
}

void guard_withdrawn(struct guard *guard, uint8_t kept)
{
    guard->fresh_light = guard->batch_light;
    guard->newest_end = guard->started_end;
    for (uint8_t i = 0U; (i < kept) && (i < guard->pending_count); i++) {
        uint8_t place = place_of(guard, i);
        guard->fresh_light = (uint16_t)(guard->fresh_light + guard->pending_on[place]);
        alarm_set(&guard->newest_end, guard->pending_start[place] + guard->pending_on[place]);
    }
    if (kept < guard->pending_count) {
        guard->pending_count = kept;
    }
}

void guard_cut(struct guard *guard, uint32_t now)
{
    alarm_set(&guard->started_end, now);
    guard->newest_end = guard->started_end;
}

static void forget_if_long_ago(struct alarm *end, uint32_t now)
{
    if (end->set && is_due(end->at, now) && ((now - end->at) > LONGEST_MIN_OFF)) {
        alarm_clear(end);
    }
}

void guard_pass(struct guard *guard, uint32_t now)
{
    move_on(guard, now);
    forget_if_long_ago(&guard->newest_end, now);
    forget_if_long_ago(&guard->started_end, now);
}
