/* The guard of one output: the last word on every single pulse (PROTOCOL.md, section 9).
 *
 * Promises: no pulse passes that would break on-time, off-time, starts or on-time in any window,
 * whatever was asked. Shares nothing with the scheduler that asks; without limits it refuses all.
 * Nothing but that rule may live here.
 *
 * A pulse is judged when it is prepared, up to DECISIONS ahead of its start. From then on it is
 * *pending* and counts against every later one. When it has started it is counted for good; when it
 * was taken back it is forgotten. The main loop alone calls all of this. Ticks throughout.
 */
#ifndef CW_GUARD_H
#define CW_GUARD_H

#include <stdbool.h>
#include <stdint.h>

#include "limits.h"
#include "sizes.h"
#include "ticks.h"
#include "window.h"

struct pending_pulse {
    uint32_t start;
    uint16_t on;
};

struct guard {
    struct limits limits;
    bool has_limits;
    uint8_t pending_first; /* place of the oldest */
    uint8_t pending_count;
    uint16_t starts_total;
    uint32_t pending_light; /* ticks, of all that are pending */
    struct alarm last_end;  /* end of the last pulse started; not set: none, or long ago */
    struct pending_pulse pending[DECISIONS];
    struct window second; /* the 1 s duty window; its slots count starts, too */
    struct window window2;
    struct window window3;
    uint16_t starts[WINDOW_SLOTS];
    uint16_t longest_pulse; /* the ceiling: part of the slots' length */
};

/* At the start of the program, which is at tick `origin`. */
void guard_start(struct guard *guard, uint16_t longest_pulse, uint32_t origin);

/* Takes checked limits at `now`. A window that was not there begins empty. */
void guard_set_limits(struct guard *guard, const struct limits *limits, uint32_t now,
                      const struct uptime *uptime);

/* May a pulse start at `start`, after all that are pending? GUARD_NONE, or why not. */
uint8_t guard_judge(const struct guard *guard, uint32_t start, uint16_t on);

/* A pulse that was judged lawful is prepared. False if there are DECISIONS already. */
bool guard_prepare(struct guard *guard, uint32_t start, uint16_t on);

/* The oldest pending pulse has started: counts for good, whole. False if there is none. */
bool guard_started(struct guard *guard, struct pending_pulse *pulse);

/* When the newest pulse, pending or started, ends or ended. False: none, or long ago. */
bool guard_newest_end(const struct guard *guard, uint32_t *end);

/* Every pending pulse was taken back before its start. */
void guard_withdrawn(struct guard *guard);

/* The last pulse was cut at `now`: off-time counts from here. The sums keep it whole. */
void guard_cut(struct guard *guard, uint32_t now);

/* Time passes; to be called at least every minute. */
void guard_pass(struct guard *guard, uint32_t now);

#endif
