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
    uint32_t total = window->total;

    if (!is_before(tick, window->slot_end)) { /* mostly it falls in the newest slot */
        uint8_t slots = window_slots_ahead(window, tick);
        uint8_t place = window->newest;
        for (uint8_t i = 0U; i < slots; i++) {
            place = window_next(place);
            total -= amount_in(window, place);
        }
    }
    return total;
}

uint8_t window_advance(struct window *window, uint32_t tick)
{
    uint8_t slots = 0U;

    if (!is_before(tick, window->slot_end)) {
        slots = window_slots_ahead(window, tick);
        for (uint8_t i = 0U; i < slots; i++) {
            window->newest = window_next(window->newest);
            window->total -= amount_in(window, window->newest);
            window->low[window->newest] = 0U;
            window->high[window->newest] = 0U;
        }
        if (slots < WINDOW_SLOTS) {
            window->slot_end += slots * window->slot_ticks;
        } else {
            /* All is forgotten; a division is due after a long silence only. */
            uint32_t whole = (tick - window->slot_end) / window->slot_ticks;
            window->slot_end += (whole + 1U) * window->slot_ticks;
        }
    }
    return slots;
}

void window_add(struct window *window, uint16_t on_ticks)
{
    uint16_t *low = &window->low[window->newest];

    *low = (uint16_t)(*low + on_ticks);
    if (*low < on_ticks) {
        window->high[window->newest]++;
    }
    window->total += on_ticks;
}
