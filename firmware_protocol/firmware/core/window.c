/* A sliding sum of on-time; see window.h. */
#include "window.h"

#include <string.h>

void window_start(struct window *window, uint32_t slot_ticks, uint32_t slot_start)
{
    (void)memset(window, 0, sizeof(*window));
    window->slot_ticks = slot_ticks;
    window->slot_end = slot_start + slot_ticks;
}

uint32_t window_slot_ticks(uint32_t window_ticks, uint16_t longest_pulse)
{
    return (window_ticks + longest_pulse + (WINDOW_SLOTS - 2U)) / (WINDOW_SLOTS - 1U);
}

static uint32_t amount_in(const struct window *window, uint8_t place)
{
    return ((uint32_t)window->high[place] << 16) | window->low[place];
}

uint8_t window_slots_ahead(const struct window *window, uint32_t tick)
{
    uint32_t elapsed = tick - window->slot_end;
    uint8_t slots = 1U;

    if (is_before(tick, window->slot_end)) {
        return 0U;
    }
    while ((slots < WINDOW_SLOTS) && (elapsed >= window->slot_ticks)) {
        elapsed -= window->slot_ticks;
        slots++;
    }
    return slots;
}

uint32_t window_total_at(const struct window *window, uint32_t tick)
{
    uint8_t slots = window_slots_ahead(window, tick);
    uint32_t total = window->total;
    uint8_t place = window->newest;

    for (uint8_t i = 0U; i < slots; i++) {
        place = window_next(place);
        total -= amount_in(window, place);
    }
    return total;
}

/* The next slot begins. */
static void step(struct window *window)
{
    uint8_t place = window_next(window->newest);

    window->newest = place;
    if ((window->low[place] != 0U) || (window->high[place] != 0U)) {
        window->total -= amount_in(window, place);
        window->low[place] = 0U;
        window->high[place] = 0U;
    }
    window->slot_end += window->slot_ticks;
}

uint8_t window_advance(struct window *window, uint32_t tick)
{
    uint8_t slots = 0U;

    while ((slots < WINDOW_SLOTS) && !is_before(tick, window->slot_end)) {
        step(window);
        slots++;
    }
    if (!is_before(tick, window->slot_end)) { /* all is forgotten, after a long silence */
        uint32_t whole = (tick - window->slot_end) / window->slot_ticks;
        window->slot_end += (whole + 1U) * window->slot_ticks;
    }
    return slots;
}
