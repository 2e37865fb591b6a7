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

void guard_set_limits(struct guard *guard, const struct limits *limits, uint32_t now,
                      const struct uptime *uptime)
{
    guard->limits = *limits;
    guard->has_limits = true;
    add_window(&guard->window2, limits->window2_ms, guard->longest_pulse, now, uptime);
    add_window(&guard->window3, limits->window3_ms, guard->longest_pulse, now, uptime);
}

static uint8_t place_of(const struct guard *guard, uint8_t index)
{
    return (uint8_t)((uint8_t)(guard->pending_first + index) & (DECISIONS - 1U));
}

bool guard_newest_end(const struct guard *guard, uint32_t *end)
{
    if (guard->pending_count != 0U) {
        const struct pending_pulse *newest =
            &guard->pending[place_of(guard, (uint8_t)(guard->pending_count - 1U))];
        *end = newest->start + newest->on;
        return true;
    }
    *end = guard->last_end.at;
    return guard->last_end.set;
}

static bool breaks_off_time(const struct guard *guard, uint32_t start)
{
    uint32_t end;

    if (!guard_newest_end(guard, &end)) {
        return false;
    }
    return is_before(start, end) || ((start - end) < guard->limits.most.min_off);
}

static bool breaks_rate(const struct guard *guard, uint32_t start)
{
    uint16_t starts = (uint16_t)(guard->starts_total + guard->pending_count + 1U);
    uint8_t place = guard->second.newest;

    if (!is_before(start, guard->second.slot_end)) {
        uint8_t slots = window_slots_ahead(&guard->second, start);
        for (uint8_t i = 0U; i < slots; i++) {
            place = window_next(place);
            starts = (uint16_t)(starts - guard->starts[place]);
        }
    }
    return starts > guard->limits.most.max_starts_1s;
}

/* Pending pulses lie less than the shortest window back, so all of them count. */
static bool breaks_window(const struct window *window, uint32_t most, uint32_t start, uint32_t light)
{
    return (window_total_at(window, start) + light) > most;
}

uint8_t guard_judge(const struct guard *guard, uint32_t start, uint16_t on)
{
    uint32_t light = guard->pending_light + on;

    if (!guard->has_limits || (on > guard->limits.most.max_on)) {
        return GUARD_ON_TIME;
    }
    if (breaks_off_time(guard, start)) {
        return GUARD_OFF_TIME;
    }
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

bool guard_prepare(struct guard *guard, uint32_t start, uint16_t on)
{
    struct pending_pulse *pulse = &guard->pending[place_of(guard, guard->pending_count)];

    if (guard->pending_count >= DECISIONS) {
        return false;
    }
    pulse->start = start;
    pulse->on = on;
    guard->pending_count++;
    guard->pending_light += on;
    return true;
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
}

static void advance_windows(struct guard *guard, uint32_t tick)
{
    advance_second(guard, tick);
    if (guard->limits.window2_ms != 0U) {
        (void)window_advance(&guard->window2, tick);
    }
    if (guard->limits.window3_ms != 0U) {
        (void)window_advance(&guard->window3, tick);
    }
}

bool guard_started(struct guard *guard, struct pending_pulse *pulse)
{
    if (guard->pending_count == 0U) {
        return false;
    }
    *pulse = guard->pending[guard->pending_first];
    guard->pending_first = place_of(guard, 1U);
    guard->pending_count--;
    guard->pending_light -= pulse->on;
    advance_windows(guard, pulse->start);
    count_up(&guard->starts[guard->second.newest]);
    count_up(&guard->starts_total);
    window_add(&guard->second, pulse->on);
    if (guard->limits.window2_ms != 0U) {
        window_add(&guard->window2, pulse->on);
    }
    if (guard->limits.window3_ms != 0U) {
        window_add(&guard->window3, pulse->on);
    }
    alarm_set(&guard->last_end, pulse->start + pulse->on);
    return true;
}

void guard_withdrawn(struct guard *guard)
{
    guard->pending_count = 0U;
    guard->pending_light = 0U;
}

void guard_cut(struct guard *guard, uint32_t now)
{
    alarm_set(&guard->last_end, now);
}

void guard_pass(struct guard *guard, uint32_t now)
{
    advance_windows(guard, now);
    if (guard->last_end.set && is_due(guard->last_end.at, now) &&
        ((now - guard->last_end.at) > LONGEST_MIN_OFF)) {
        alarm_clear(&guard->last_end);
    }
}
