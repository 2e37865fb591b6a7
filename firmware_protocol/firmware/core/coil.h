/* One output: its trains, its queue, its guard, and the pulses prepared for it (PROTOCOL.md, 7 and 8).
 *
 * The trains exist twice: `now`, as of everything that has happened, and `ahead`, after the decisions
 * that were made in advance. A decision is one pulse fired, dropped or refused, or one queued frame
 * applied. When its time has come it is *committed* to `now`; when something intervenes (a frame, a
 * trip) what has not happened is *withdrawn*, and `ahead` becomes `now` again. So whatever is
 * prepared, what happens is the same as if every decision were made at its own tick.
 *
 * Called by core.c (time) and voices.c (frames), main loop only. Ticks throughout.
 */
#ifndef CW_COIL_H
#define CW_COIL_H

#include <stdbool.h>
#include <stdint.h>

#include "guard.h"
#include "queue.h"
#include "sizes.h"
#include "ticks.h"
#include "trains.h"

/* What becomes of a decision: 1 to 6 are the guard's reasons. */
#define FATE_FIRED 0U
#define FATE_DROPPED 0xFEU
#define FATE_APPLIED 0xFFU

struct decision {
    uint32_t at;
    struct stepped stepped;
    uint8_t train;
    uint8_t fate;
};

struct coil {
    struct guard guard;
    struct queue queue;
    struct trains now;
    struct trains ahead;
    struct decision decisions[DECISIONS];
    uint8_t first; /* place of the oldest decision */
    uint8_t count;
    uint8_t applied_ahead; /* queued frames already in `ahead` */
    uint8_t started;       /* pulses committed as started, modulo 256 */
    uint8_t output;
    struct alarm lit_until;
    struct alarm lease;
    bool has_number;
    uint16_t last_number;
    uint16_t pulses;
    uint16_t collisions_dropped;
    uint16_t guard_refusals;
    uint8_t last_guard_reason;
    uint8_t refused_since_arming; /* stays at 255 */
};

/* At the start of the program, at tick `now`. */
void coil_start(struct coil *coil, uint8_t output, uint16_t longest_pulse, uint32_t now);

/* A new session, whose first lease ends at `lease_until`. */
void coil_arm(struct coil *coil, uint32_t lease_until);

/* Dark at `now`, everything forgotten but guard and counters. The port is dark already. */
void coil_go_dark(struct coil *coil, uint32_t now);

/* Is a pulse under way at `now`? */
bool coil_is_lit(struct coil *coil, uint32_t now);

/* Commits all that was due before `now`. To be called before a frame of `now` is looked at. */
void coil_catch_up(struct coil *coil, uint32_t now);

/* Applies a frame at `now`. */
void coil_apply(struct coil *coil, uint32_t now, const struct slots *slots);

/* Queues a frame. False: no room. */
bool coil_enqueue(struct coil *coil, uint32_t apply_at, const struct slots *slots);

/* Forgets all but the `keep` earliest queued frames. */
void coil_forget(struct coil *coil, uint8_t keep);

/* Commits the next decision whose time has come by `now`. True if there was one. */
bool coil_commit(struct coil *coil, uint32_t now);

/* Makes one more decision in advance, none that is due after `until`. True if it did. */
bool coil_decide(struct coil *coil, uint32_t now, uint32_t until);

/* When something next happens on this output by itself. False: nothing will. */
bool coil_next_tick(const struct coil *coil, uint32_t now, uint32_t *tick);

/* Time passes; at least every minute. */
void coil_pass(struct coil *coil, uint32_t now);

#endif
