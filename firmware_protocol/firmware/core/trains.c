/* The pulse trains of one output: what they play, and which is next; see trains.h. */
#include "trains.h"

#define GENERATOR_SEED 0xACE1U

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
        trains_move_grid(motion, (slot->phase * (slot->period >> 8)) +
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
                going_on = (uint8_t)(going_on | (1U << i));
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
SELDOM bool trains_come_before(const struct trains *trains, const struct motion *one,
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
                ((grid == best_grid) && trains_come_before(trains, motion, best))) {
                best = motion;
                best_grid = grid;
                next = i;
            }
        }
        train = &train[1];
    }
    return next;
}
