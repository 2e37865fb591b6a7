/* The board's inputs: e-stop A and B, key, local stop, ready inputs, line, pin read-back.
 *
 * Turns levels and times into what PROTOCOL.md calls open and closed (section 5: opening counts at
 * once, closing after 100 ms), keeps the proofs of the e-stop inputs, and names the cause of a trip.
 * Never changes the state itself. Called by core.c.
 */
#ifndef CW_INPUTS_H
#define CW_INPUTS_H

#include <stdbool.h>
#include <stdint.h>

#include "ticks.h"

struct estop_input {
    struct alarm closes_at;
    bool level;  /* what the pin says: closed */
    bool closed; /* what counts */
    bool seen_open;
    bool proven;
};

struct inputs {
    struct estop_input estop[2];
    struct alarm disagree_at;
    uint8_t levels; /* key, local stop, ready: as in status; e-stop bits unused */
    bool disagreeing;
    bool line_low;
    bool pin_mismatch;
};

/* The program starts at `now` with these levels (bits as in status, 1 = contact closed now). */
void inputs_start(struct inputs *inputs, uint8_t levels, uint32_t now);

/* A disagreement that lasts is counted anew from `now`. */
void inputs_watch_anew(struct inputs *inputs, uint32_t now);

/* New levels of the e-stop inputs at `now`. True if an opening is a trip: while `locked` the first
 * opening of each is its proof test, and none. */
bool inputs_set_estops(struct inputs *inputs, uint8_t levels, bool locked, uint32_t now);

/* New levels of the others. */
void inputs_set_others(struct inputs *inputs, uint8_t levels);

/* What counts by `now` because of the time alone. True: the e-stop inputs disagreed too long. */
bool inputs_count(struct inputs *inputs, uint32_t now);

/* When something counts next without a change of level. False: nothing will. */
bool inputs_next_tick(const struct inputs *inputs, uint32_t *tick);

/* The inputs and the proofs as status shows them. */
uint8_t inputs_bits(const struct inputs *inputs);
uint8_t inputs_proofs(const struct inputs *inputs);

bool inputs_estop_open(const struct inputs *inputs);
bool inputs_key_on(const struct inputs *inputs);
bool inputs_local_stop(const struct inputs *inputs);

/* `outputs`: bit n for output n. True if all of them are ready. */
bool inputs_ready(const struct inputs *inputs, uint8_t outputs);

/* Does this cause of a trip still last? `outputs`: those with limits. */
bool inputs_remain(const struct inputs *inputs, uint8_t cause, uint8_t outputs);

#endif
