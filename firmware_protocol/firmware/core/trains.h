/* The pulse trains of one output and how they step: PROTOCOL.md, sections 7 ("applying") and 8.
 *
 * A plain value: copying it is taking a snapshot. coil.c keeps two, one of what has happened and one
 * ahead of it. Grid times are ticks and 1/256 tick; periods 1/256 tick. No pulse is fired here.
 */
#ifndef CW_TRAINS_H
#define CW_TRAINS_H

#include <stdbool.h>
#include <stdint.h>

#include "slots.h"
#include "ticks.h"

struct train {
    uint32_t grid; /* the next grid point: tick ... */
    uint32_t period;
    uint32_t target;
    uint16_t on;
    uint16_t step;
    uint8_t grid_part; /* ... and 1/256 tick */
    uint8_t start;
    uint8_t bangs; /* left; 0: until changed */
    uint8_t spread;
    uint8_t order; /* of the last pulses: 0 never fired, 1 furthest back, then 2 ... */
    bool sounds;   /* the slot is not silent */
    bool done;     /* has fired its bangs; stays, silent */
};

struct trains {
    struct train train[SLOTS];
    struct alarm free_at; /* the output's; not set: it has been free for long */
    uint16_t random;      /* the generator of spread */
};

/* What a decision changes of a train and its output; all of it, so that it can be done twice. */
struct stepped {
    uint32_t grid;
    uint32_t period;
    uint16_t random;
    uint8_t grid_part;
    uint8_t bangs;
    bool done;
};

/* Every slot silent. The output's free time and the generator stay. */
void trains_silence(struct trains *trains);

/* The generator's state at arming. */
void trains_seed(struct trains *trains, uint8_t output);

/* Makes `slots` what sounds from `tick` on. */
void trains_apply(struct trains *trains, uint32_t tick, const struct slots *slots);

/* True if applying `slots` would change nothing. */
bool trains_match(const struct trains *trains, const struct slots *slots);

/* Which train is next. False: none. */
bool trains_next(const struct trains *trains, uint8_t *index);

/* When its pulse comes, but not before `earliest`. */
uint32_t trains_pulse_at(const struct trains *trains, uint8_t index, uint32_t earliest);

/* At `tick`, is the pulse too far behind its grid point to be fired? */
bool trains_too_late(const struct trains *trains, uint8_t index, uint32_t tick);

/* The train's pulse is the output's newest; the output is free again at `free_at`. */
void trains_fired(struct trains *trains, uint8_t index, uint32_t free_at);

/* To the train's next grid point. */
void trains_step(struct trains *trains, uint8_t index);

/* What trains_step left, and to leave the same on another snapshot. */
void trains_save_step(const struct trains *trains, uint8_t index, struct stepped *stepped);
void trains_repeat_step(struct trains *trains, uint8_t index, const struct stepped *stepped);

#endif
