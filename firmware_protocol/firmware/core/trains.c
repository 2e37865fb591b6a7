/* The pulse trains of one output; see trains.h. */
#include "trains.h"

#include <stddef.h>

#define GENERATOR_SEED 0xACE1U
#define STEP_UNITS UINT32_C(16) /* `step` counts 16 period units */
#define FAR_BEHIND 0x800000U    /* ticks: half of the longest period, and all that 32 bits hold below */
#define MOST_SKIPPED 16U
#define MOST_EVEN_SKIPPED 256U
/* While grid points are skipped, time passes: a train that is too late is skipped so many ticks beyond. */
#define SKIPPING_TICKS 400U       /* at once, by a sum */
#define SKIPPING_LONG_TICKS 2000U /* one by one: 50 us each */
#define LONG_AGO 0x8000U        /* pulses */

void trains_silence(struct trains *trains)
{
    for (uint8_t i = 0U; i < SLOTS; i++) {
        trains->train[i].motion.state = TRAIN_SILENT;
    }
}

void trains_seed(struct trains *trains, uint8_t output)
{
    trains->random = (uint16_t)(GENERATOR_SEED ^ output);
}

static void move_grid(struct motion *motion, uint32_t units)
{
    uint16_t parts = (uint16_t)(motion->grid_part + (uint8_t)(units & 0xFFU));

    motion->grid += units >> 8;
    if (parts > 0xFFU) {
        motion->grid++;
    }
    motion->grid_part = (uint8_t)(parts & 0xFFU);
}

static void move_grid_back(struct motion *motion, uint32_t units)
{
    uint8_t part = (uint8_t)(units & 0xFFU);

    motion->grid -= units >> 8;
    if (motion->grid_part < part) {
        motion->grid--;
    }
    motion->grid_part = (uint8_t)(motion->grid_part - part);
}

static void begin_train(struct train *train, uint32_t tick, const struct slot *slot)
{
    struct motion *motion = &train->motion;

    train->start = slot->start;
    motion->bangs = slot->bangs;
    motion->period = slot->period;
    motion->grid = tick;
    motion->grid_part = 0U;
    motion->state = TRAIN_RUNS;
    motion->has_fired = false;
    motion->last_pulse = 0U;
    if (slot->phase != 0U) { /* phase x period / 256, rounded down, without its 40 bits */
        move_grid(motion, (slot->phase * (slot->period >> 8)) +
                              ((slot->phase * (slot->period & 0xFFU)) >> 8));
    }
}

uint8_t trains_apply(struct trains *trains, uint32_t tick, const struct slots *slots)
{
    uint8_t going_on = 0U;

    for (uint8_t i = 0U; i < SLOTS; i++) {
        struct train *train = &trains->train[i];
        const struct slot *slot = &slots->slot[i];

        if (!slots_has(slots->mask, i)) {
            train->motion.state = TRAIN_SILENT;
        } else {
            if ((train->motion.state == TRAIN_SILENT) || (train->start != slot->start)) {
                begin_train(train, tick, slot);
            } else {
                going_on |= (uint8_t)(1U << i);
            }
            train->on = slot->on;
            train->spread = slot->spread;
            train->step = slot->step;
            train->target = slot->period;
        }
    }
    return going_on;
}

bool trains_match(const struct trains *trains, const struct slots *slots)
{
    for (uint8_t i = 0U; i < SLOTS; i++) {
        const struct train *train = &trains->train[i];
        const struct slot *slot = &slots->slot[i];
        bool sounds = slots_has(slots->mask, i);
        bool sounded = train->motion.state != TRAIN_SILENT;

        if (sounds != sounded) {
            return false;
        }
        if (sounds &&
            ((train->start != slot->start) || (train->on != slot->on) ||
             (train->spread != slot->spread) || (train->step != slot->step) ||
             (train->target != slot->period))) {
            return false;
        }
    }
    return true;
}

/* Of two with the same grid point: whose last pulse lies further back? */
static bool waited_longer(const struct trains *trains, const struct motion *one,
                          const struct motion *other)
{
    uint16_t one_ago = (uint16_t)(trains->pulses - one->last_pulse);
    uint16_t other_ago = (uint16_t)(trains->pulses - other->last_pulse);

    if (!one->has_fired || !other->has_fired) {
        return !one->has_fired && other->has_fired;
    }
    return one_ago > other_ago;
}

/* Of two with the same grid tick. */
SELDOM static bool comes_before(const struct trains *trains, const struct motion *one,
                         const struct motion *other)
{
    if (one->grid_part != other->grid_part) {
        return one->grid_part < other->grid_part;
    }
    return waited_longer(trains, one, other);
}

uint8_t trains_next(const struct trains *trains)
{
    const struct train *train = &trains->train[0];
    const struct motion *best = &train->motion;
    uint32_t best_grid = 0U;
    uint8_t next = SLOTS;

    for (uint8_t i = 0U; i < SLOTS; i++) {
        const struct motion *motion = &train->motion;
        if (motion->state == TRAIN_RUNS) {
            uint32_t grid = motion->grid;
            if ((next == SLOTS) || is_before(grid, best_grid) ||
                ((grid == best_grid) && comes_before(trains, motion, best))) {
                best = motion;
                best_grid = grid;
                next = i;
            }
        }
        train = &train[1];
    }
    return next;
}

bool trains_too_late(const struct motion *motion, uint32_t behind)
{
    if (behind >= FAR_BEHIND) {
        return true;
    }
    /* 2 x (256 x tick - grid point) > period */
    return (((behind << 8) - motion->grid_part) << 1) > motion->period;
}

SELDOM static void step_period(struct train *train)
{
    struct motion *motion = &train->motion;
    uint32_t most = STEP_UNITS * train->step;
    bool up = train->target > motion->period;
    uint32_t away = up ? (train->target - motion->period) : (motion->period - train->target);

    if ((most == 0U) || (away <= most)) {
        motion->period = train->target;
    } else if (up) {
        motion->period += most;
    } else {
        motion->period -= most;
    }
}

static uint16_t next_random(uint16_t before)
{
    uint16_t x = (uint16_t)(before ^ (uint16_t)(before << 7));
    x = (uint16_t)(x ^ (x >> 9));
    return (uint16_t)(x ^ (uint16_t)(x << 8));
}

/* Moves the grid by ((period >> 8) * spread * r) >> 7, r = high - 128, without its 39 bits:
 * with m = (period >> 8) * spread = 128 * whole + rest it is whole * r + floor(rest * r / 128). */
SELDOM static void spread_grid(struct train *train, uint8_t high)
{
    uint32_t m = (train->motion.period >> 8) * train->spread;
    uint32_t whole = m >> 7;
    uint16_t rest = (uint16_t)(m & 0x7FU);

    if (high >= 128U) {
        uint16_t r = (uint16_t)((uint16_t)high - 128U);
        move_grid(&train->motion, (whole * r) + (uint16_t)((uint16_t)(rest * r) >> 7));
    } else {
        uint16_t r = (uint16_t)(128U - (uint16_t)high);
        move_grid_back(&train->motion,
                       (whole * r) + (uint16_t)((uint16_t)((uint16_t)(rest * r) + 127U) >> 7));
    }
}

/* Field by field: an AVR's compiler makes a slow loop of a whole struct. */
static inline void copy_motion(struct motion *to, const struct motion *from)
{
    to->grid = from->grid;
    to->period = from->period;
    to->last_pulse = from->last_pulse;
    to->grid_part = from->grid_part;
    to->bangs = from->bangs;
    to->state = from->state;
    to->has_fired = from->has_fired;
}

void trains_keep(const struct trains *trains, const struct train *train, struct undo *undo)
{
    copy_motion(&undo->motion, &train->motion);
    undo->random = trains->random;
}

void trains_step(struct trains *trains, struct train *train, bool fired)
{
    struct motion *motion = &train->motion;

    if (fired) {
        count_up(&trains->pulses);
        motion->last_pulse = trains->pulses;
        motion->has_fired = true;
    }
    if (motion->bangs != 0U) {
        motion->bangs--;
        if (motion->bangs == 0U) {
            motion->state = TRAIN_DONE;
            return;
        }
    }
    if (motion->period != train->target) {
        step_period(train);
    }
    move_grid(motion, motion->period);
    if (train->spread != 0U) {
        trains->random = next_random(trains->random);
        spread_grid(train, (uint8_t)(trains->random >> 8));
    }
}

/* The same for a train of even gaps, for which it is a sum. `behind`: ticks, less than FAR_BEHIND. */
static uint16_t skip_even(struct motion *motion, uint32_t behind)
{
    uint32_t units = (behind << 8) - motion->grid_part;
    uint32_t half = motion->period >> 1; /* 2 x units > period */
    uint32_t moved = 0U;
    uint16_t skipped = 0U;
    uint16_t most = (motion->bangs == 0U) ? MOST_EVEN_SKIPPED : (uint16_t)(motion->bangs - 1U);

    while ((moved < units) && ((units - moved) > half) && (skipped < most)) {
        moved += motion->period;
        skipped++;
    }
    if (motion->bangs != 0U) {
        motion->bangs = (uint8_t)(motion->bangs - skipped);
    }
    move_grid(motion, moved);
    return skipped;
}

/* The last bang is for trains_step. */
static bool is_even(const struct train *train)
{
    return (train->spread == 0U) && (train->motion.bangs != 1U) &&
           (train->motion.period == train->target);
}

static bool is_to_be_skipped(const struct motion *motion, uint32_t start)
{
    return (motion->state == TRAIN_RUNS) && is_before(motion->grid, start) &&
           trains_too_late(motion, start - motion->grid);
}

/* Those that share the generator, in their order. */
static uint16_t skip_spread(struct trains *trains, uint32_t start)
{
    uint16_t skipped = 0U;
    uint32_t until = start;

    while (skipped < MOST_SKIPPED) {
        struct train *first = NULL;
        for (uint8_t i = 0U; i < SLOTS; i++) {
            struct train *train = &trains->train[i];
            if ((train->motion.state == TRAIN_RUNS) && (train->spread != 0U) &&
                ((first == NULL) || is_before(train->motion.grid, first->motion.grid) ||
                 ((train->motion.grid == first->motion.grid) &&
                  comes_before(trains, &train->motion, &first->motion)))) {
                first = train;
            }
        }
        if ((first == NULL) || !is_to_be_skipped(&first->motion, until)) {
            break;
        }
        until = start + SKIPPING_LONG_TICKS;
        trains_step(trains, first, false);
        skipped++;
    }
    return skipped;
}

/* A bounded number: the rest is for the next go. */
uint16_t trains_skip(struct trains *trains, uint32_t start)
{
    uint16_t skipped = skip_spread(trains, start);

    for (uint8_t i = 0U; i < SLOTS; i++) {
        struct train *train = &trains->train[i];
        const struct motion *motion = &train->motion;
        uint32_t until = start;
        for (uint8_t points = 0U; points < MOST_SKIPPED; points++) {
            if ((train->spread != 0U) || !is_to_be_skipped(motion, until)) {
                break;
            }
            until = start + (is_even(train) ? SKIPPING_TICKS : SKIPPING_LONG_TICKS);
            if (is_even(train) && ((until - motion->grid) < FAR_BEHIND)) {
                skipped = (uint16_t)(skipped + skip_even(&train->motion, until - motion->grid));
            } else {
                trains_step(trains, train, false);
                skipped++;
            }
        }
    }
    return skipped;
}

void trains_undo(struct trains *trains, uint8_t index, bool fired, const struct undo *undo)
{
    copy_motion(&trains->train[index].motion, &undo->motion);
    trains->random = undo->random;
    if (fired) {
        trains->pulses = (uint16_t)(trains->pulses - 1U);
    }
}

/* A train that was dropped ever since must not seem, when the count has gone round, to have fired. */
void trains_pass(struct trains *trains)
{
    for (uint8_t i = 0U; i < SLOTS; i++) {
        struct motion *motion = &trains->train[i].motion;
        if ((uint16_t)(trains->pulses - motion->last_pulse) > LONG_AGO) {
            motion->last_pulse = (uint16_t)(trains->pulses - LONG_AGO);
        }
    }
}
