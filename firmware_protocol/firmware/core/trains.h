/* The pulse trains of one output and how they step: PROTOCOL.md, sections 7 ("applying") and 8.
 *
 * A plain value: copying it is taking a snapshot, and what one step changes can be undone. Grid times
 * are ticks and 1/256 tick; periods 1/256 tick. No pulse is fired here. Called by the files that coil.h speaks for.
 */
#ifndef CW_TRAINS_H
#define CW_TRAINS_H

#include <stdbool.h>
#include <stdint.h>

#include "slots.h"
#include "ticks.h"

/* States of a train. One that has fired its bangs stays, silent. */
#define TRAIN_SILENT 0U
#define TRAIN_RUNS 1U
#define TRAIN_DONE 2U

/* What a step changes. */
struct motion {
    uint32_t grid; /* the next grid point: tick ... */
    uint32_t period;
    uint16_t last_pulse; /* which of the output's pulses was its last */
    uint8_t grid_part;   /* ... and 1/256 tick */
    uint8_t bangs;       /* left; 0: until changed */
    uint8_t state;
    bool has_fired;
};

struct train {
    struct motion motion;
    uint32_t target;
    uint16_t on;
    uint16_t step;
    uint8_t start;
    uint8_t spread;
};

struct trains {
    struct train train[SLOTS];
    uint16_t random; /* the generator of spread */
    uint16_t pulses; /* of this output, modulo 2^16 */
};

/* Everything that trains_step and trains_fired changed. */
struct undo {
    struct motion motion;
    uint16_t random;
};

/* Every slot silent. The generator stays. */
void trains_silence(struct trains *trains);

/* The generator's state at arming. */
void trains_seed(struct trains *trains, uint8_t output);

/* Makes `slots` what sounds from `tick` on. Returns bit n: the train of slot n goes on, with new values. */
uint8_t trains_apply(struct trains *trains, uint32_t tick, const struct slots *slots);

/* True if applying `slots` would change nothing. */
bool trains_match(const struct trains *trains, const struct slots *slots);

/* Which train is next; SLOTS: none. */
uint8_t trains_next(const struct trains *trains);

/* A train's grid point, rounded up to a tick. */
static inline uint32_t trains_due_at(const struct motion *motion)
{
    return motion->grid + ((motion->grid_part != 0U) ? 1U : 0U);
}

/* A pulse `behind` ticks after its grid tick: too far behind to be fired? */
bool trains_too_late(const struct motion *motion, uint32_t behind);

/* Keeps what a step of this train will change. */
void trains_keep(const struct trains *trains, const struct train *train, struct undo *undo);

/* To the next grid point of one of the trains; `fired`: its pulse is the output's newest. */
void trains_step(struct trains *trains, struct train *train, bool fired);

/* Past every grid point whose pulse would come too late at `start`. Returns how many, at least one where
 * there is one; there may be more. */
uint16_t trains_skip(struct trains *trains, uint32_t start);

/* Back to before that step. */
void trains_undo(struct trains *trains, uint8_t index, bool fired, const struct undo *undo);

/* Time passes; at least once in 16,000 pulses. */
void trains_pass(struct trains *trains);

/* steps.c: the grid `units` of 1/256 tick on. */
void trains_move_grid(struct motion *motion, uint32_t units);

/* Of two with the same grid tick: does `one` come before `other`? */
bool trains_come_before(const struct trains *trains, const struct motion *one, const struct motion *other);

#endif
