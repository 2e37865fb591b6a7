/* One output: its trains, its queue, its guard, and the pulses prepared for it (PROTOCOL.md, 7 and 8).
 *
 * `trains` is ahead of what has happened, by the decisions that were made in advance: one pulse fired,
 * dropped or refused each, or one queued frame applied. When its time has come a decision is
 * *committed*: counted, in guard and status. When something intervenes (a frame, a trip) those that
 * have not happened are *withdrawn*, newest first, and the trains are as they were. Up to a pulse too near
 * its start to be taken back they are *kept* instead, and reckoned anew with what the frame changed. So
 * whatever is prepared, what happens (but for such a pulse itself) is the same as if every decision were made
 * at its own tick.
 *
 * Called by core.c (time) and voices.c (frames), main loop only. Ticks throughout. What every poll
 * needs comes first in the struct, where an AVR reaches it at no cost.
 */
#ifndef CW_COIL_H
#define CW_COIL_H

#include <stdbool.h>
#include <stdint.h>

#include "catalogue.h"
#include "guard.h"
#include "port.h"
#include "queue.h"
#include "sizes.h"
#include "ticks.h"
#include "trains.h"

/* What becomes of a decision: 1 to 6 are the guard's reasons. */
#define FATE_FIRED 0U
#define FATE_FORGOTTEN 0xFDU /* a queued frame that was applied ahead, with a pulse of it under way */
#define FATE_DROPPED 0xFEU
#define FATE_APPLIED 0xFFU

struct decision {
    uint32_t at;
    struct undo undo;
    uint8_t train; /* SLOTS: its train was replaced meanwhile */
    uint8_t fate;
};

struct coil {
    uint8_t count;         /* decisions made and not committed */
    uint8_t first;         /* place of the oldest */
    uint8_t started;       /* pulses committed as started, modulo 256 */
    uint8_t output;
    uint8_t applied_ahead; /* so many queued frames, all of one tick, are in `trains`; `before` is without */
    bool stirred;          /* something changed: `wake` does not hold */
    uint32_t wake;         /* nothing to commit but started pulses, nor to decide, before this tick */
    struct alarm quiet;    /* nothing to decide before this tick */
    struct alarm lease;
    uint16_t pulses;
    uint16_t collisions_dropped;
    uint16_t guard_refusals;
    uint16_t last_number;
    uint8_t last_guard_reason;
    uint8_t refused_for[REASONS_OF_GUARD]; /* modulo 256; reason 1 first */
    uint8_t refused_since_arming; /* stays at 255 */
    bool has_number;
    struct decision decisions[DECISIONS];
    struct trains trains;
    struct trains before;
    struct guard guard;
    struct queue queue;
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

/* Forgets, at `now`, all but the `keep` earliest queued frames. */
void coil_forget(struct coil *coil, uint32_t now, uint8_t keep);

/* Is there anything to commit or to decide at `now`? Quick: asked at every poll. */
static inline bool coil_has_work(const struct coil *coil, uint32_t now)
{
    return coil->stirred || (port_started(coil->output) != coil->started) ||
           is_due(coil->wake, now);
}

/* Sets `wake`: there is no more to do at `now`. */
void coil_rest(struct coil *coil, uint32_t now);

/* Up to which tick everything is decided: `now` if nothing is; far ahead where nothing plays. */
uint32_t coil_decided_until(const struct coil *coil, uint32_t now);

/* Commits the next decision whose time has come by `now`. True if there was one. */
bool coil_commit(struct coil *coil, uint32_t now);

/* Commits all that was due before `now`. */
void coil_commit_before(struct coil *coil, uint32_t now);

/* Makes one more decision in advance, none that is due after `until`. How much work that was: 1; more where
 * many grid points were past; 0 if there was none to make. */
uint8_t coil_decide(struct coil *coil, uint32_t now, uint32_t until);

static inline bool is_refusal(uint8_t fate)
{
    return (fate != FATE_FIRED) && (fate < FATE_FORGOTTEN);
}

/* The latest decision made in advance, where there is one. */
static inline const struct decision *coil_newest(const struct coil *coil)
{
    return &coil->decisions[(uint8_t)(coil->first + (uint8_t)(coil->count - 1U)) & (DECISIONS - 1U)];
}

/* Is it a refusal? */
static inline bool coil_ends_in_refusal(const struct coil *coil)
{
    return (coil->count != 0U) && is_refusal(coil_newest(coil)->fate);
}

/* How many pulses were refused since arming, or will be up to `until` by decisions made in advance. */
uint16_t coil_refusals(const struct coil *coil, uint32_t until);

/* When something next happens on this output by itself. False: nothing will. */
bool coil_next_tick(const struct coil *coil, uint32_t now, uint32_t *tick);

/* Time passes; at least every minute. */
void coil_pass(struct coil *coil, uint32_t now);

#endif
