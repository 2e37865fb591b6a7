/* A sliding sum of on-time; see window.h. */
#include "window.h"

#include <string.h>

#include "ticks.h"

void window_start(struct window *window, uint32_t slot_ticks, uint32_t slot_start)
{
    (void)memset(window, 0, sizeof(*window));
    window->slot_ticks = slot_ticks;
    window->slot_start = slot_start;
}

uint32_t window_slot_ticks(uint32_t window_ticks, uint16_t longest_pulse)
{
    return (window_ticks + longest_pulse + (WINDOW_SLOTS - 2U)) / (WINDOW_SLOTS - 1U);
}

uint8_t window_next(uint8_t place)
{
    return (place >= (WINDOW_SLOTS - 1U)) ? 0U : (uint8_t)(place + 1U);
}

static uint32_t amount_in(const struct window *window, uint8_t place)
{
    return ((uint32_t)window->high[place] << 16) | window->low[place];
}

static void set_amount(struct window *window, uint8_t place, uint32_t amount)
{
    window->low[place] = (uint16_t)(amount & 0xFFFFU);
    window->high[place] = (uint8_t)((amount >> 16) & 0xFFU);
}

uint8_t window_slots_ahead(const struct window *window, uint32_t tick)
{
    uint32_t elapsed = tick - window->slot_start;
    uint8_t slots = 0U;

    if (is_before(tick, window->slot_start)) {
        return 0U; /* counts in the newest slot, which keeps it longer, never shorter */
    }
    while ((slots < WINDOW_SLOTS) && (elapsed >= window->slot_ticks)) {
        elapsed -= window->slot_ticks;
        slots++;
    }
    return slots;
}

uint32_t window_total_after(const struct window *window, uint8_t slots)
{
    uint32_t total = window->total;
    uint8_t place = window->newest;

    for (uint8_t i = 0U; i < slots; i++) {
        place = window_next(place);
        total -= amount_in(window, place);
    }
    return total;
}

uint8_t window_advance(struct window *window, uint32_t tick)
{
    uint8_t slots = window_slots_ahead(window, tick);

    for (uint8_t i = 0U; i < slots; i++) {
        window->newest = window_next(window->newest);
        window->total -= amount_in(window, window->newest);
        set_amount(window, window->newest, 0U);
    }
    if (slots < WINDOW_SLOTS) {
        window->slot_start += slots * window->slot_ticks;
    } else {
        /* All is forgotten; a division is due after a long silence only. */
        window->slot_start += ((tick - window->slot_start) / window->slot_ticks) * window->slot_ticks;
    }
    return slots;
}

void window_add(struct window *window, uint16_t on_ticks)
{
    set_amount(window, window->newest, amount_in(window, window->newest) + on_ticks);
    window->total += on_ticks;
}
