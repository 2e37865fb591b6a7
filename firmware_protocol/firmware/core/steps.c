/* A pulse train's way from one grid point to the next, and back; see trains.h. */
#include "trains.h"

#define STEP_UNITS UINT32_C(16) /* `step` counts 16 period units */
#define LONG_AGO 0x8000U        /* pulses */

void trains_move_grid(struct motion *motion, uint32_t units)
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
        trains_move_grid(&train->motion, (whole * r) + (uint16_t)((uint16_t)(rest * r) >> 7));
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
    trains_move_grid(motion, motion->period);
    if (train->spread != 0U) {
        trains->random = next_random(trains->random);
        spread_grid(train, (uint8_t)(trains->random >> 8));
    }
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
