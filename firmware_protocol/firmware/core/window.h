/* On-time in a sliding window, kept in 33 slots (PROTOCOL.md, section 9). One part of the guard.
 *
 * A window of W ticks is cut in slots of (W + longest pulse) / 32 ticks, rounded up; the sum of the
 * 33 newest is at least the on-time in any window of W. Slot boundaries are multiples of the slot
 * from the start of the program. Ticks throughout; sums fit 24 bits a slot because a slot holds no
 * more light than it is long, and one pulse. What is needed for every pulse comes first in the
 * struct, where an AVR reaches it at no cost.
 */
#ifndef CW_WINDOW_H
#define CW_WINDOW_H

#include <stdbool.h>
#include <stdint.h>

#include "ticks.h"

#define WINDOW_SLOTS 33U

struct window {
    uint32_t slot_end;   /* first tick after the newest slot */
    uint32_t slot_ticks; /* 0: this window is not there */
    uint32_t total;      /* of all slots */
    uint8_t newest;      /* its place in the two arrays */
    uint16_t low[WINDOW_SLOTS];
    uint8_t high[WINDOW_SLOTS];
};

/* A window that begins empty. `slot_start`: the boundary at or before the present. */
void window_start(struct window *window, uint32_t slot_ticks, uint32_t slot_start);

/* Length of a slot of a window of `window_ticks`. */
uint32_t window_slot_ticks(uint32_t window_ticks, uint16_t longest_pulse);

/* The place after `place` in a ring of WINDOW_SLOTS. */
static inline uint8_t window_next(uint8_t place)
{
    return (place >= (WINDOW_SLOTS - 1U)) ? 0U : (uint8_t)(place + 1U);
}

/* How many slots `tick` lies after the newest, at most WINDOW_SLOTS. A tick before the newest slot
 * counts in it: kept longer, never shorter. */
uint8_t window_slots_ahead(const struct window *window, uint32_t tick);

/* What the sum will be at `tick` if nothing is added: `total`, or less. */
uint32_t window_total_at(const struct window *window, uint32_t tick);

/* Moves on to the slot of `tick`. Returns how many slots left the sum, at most WINDOW_SLOTS. */
uint8_t window_advance(struct window *window, uint32_t tick);

/* Counts light in the newest slot. */
static inline void window_add(struct window *window, uint16_t on_ticks)
{
    uint16_t *low = &window->low[window->newest];
    uint16_t sum = (uint16_t)(*low + on_ticks);

    *low = sum;
    if (sum < on_ticks) {
        window->high[window->newest]++;
    }
    window->total += on_ticks;
}

#endif
