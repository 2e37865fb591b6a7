/* The guard of one output: the last word on every single pulse (PROTOCOL.md, section 9).
 *
 * Promises: no pulse passes that would break on-time, off-time, starts or on-time in any window,
 * whatever was asked. Shares nothing with the scheduler that asks; without limits it refuses all.
 * Nothing but that rule may live here.
 *
 * A pulse is judged when it is prepared, up to DECISIONS ahead of its start. From then on it is
 * *pending* and counts against every later one. When it has started it is counted for good; when it
 * was taken back it is forgotten. The main loop alone calls all of this. Ticks throughout.
 *
 * Counting is put off: pulses that started within the newest slot of every window are only summed
 * (`batch`), and written into the slots when one falls outside, or when a sum must be known exactly.
 */
#ifndef CW_GUARD_H
#define CW_GUARD_H

#include <stdbool.h>
#include <stdint.h>

#include "limits.h"
#include "sizes.h"
#include "ticks.h"
#include "window.h"

/* What every pulse needs comes first, where an AVR reaches it at no cost. */
struct guard {
    struct limits limits;
    bool has_limits;
    uint8_t pending_first; /* place of the oldest */
    uint8_t pending_count;
    uint8_t batch_starts;
    uint16_t batch_light;
    uint16_t fresh_light;  /* ticks: of all that is pending, and of the batch */
    uint16_t starts_total; /* the batch not included */
    uint32_t batch_until;  /* the earliest end of a newest slot */
    struct alarm newest_end;  /* of the newest pulse, pending or started; not set: none, or long ago */
    struct alarm started_end; /* of the newest that started */
    uint16_t pending_on[DECISIONS];
    uint32_t pending_start[DECISIONS];
    uint16_t longest_pulse; /* the ceiling: part of the slots' length */
    struct window second;   /* the 1 s duty window; its slots count starts, too */
    struct window window2;
    struct window window3;
    uint16_t starts[WINDOW_SLOTS];
};

/* At the start of the program, which is at tick `origin`. */
void guard_start(struct guard *guard, uint16_t longest_pulse, uint32_t origin);

/* Takes checked limits at `now`. A window that was not there begins empty. */
void guard_set_limits(struct guard *guard, const struct limits *limits, uint32_t now,
                      const struct uptime *uptime);

/* May a pulse start at `start`, after all that are pending? GUARD_NONE, or why not. */
uint8_t guard_judge(struct guard *guard, uint32_t start, uint16_t on);

/* A pulse that was judged lawful is prepared. False if there are DECISIONS already. */
bool guard_prepare(struct guard *guard, uint32_t start, uint16_t on);

/* The oldest pending pulse has started: counts for good, whole. False if there is none. */
bool guard_started(struct guard *guard);

/* Every pending pulse but the `kept` oldest was taken back before its start. */
void guard_withdrawn(struct guard *guard, uint8_t kept);

/* The last pulse was cut at `now`: off-time counts from here. The sums keep it whole. */
void guard_cut(struct guard *guard, uint32_t now);

/* Time passes; to be called at least every minute. */
void guard_pass(struct guard *guard, uint32_t now);

#endif
