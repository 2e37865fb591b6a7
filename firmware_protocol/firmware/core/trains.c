/* The pulse trains of one output; see trains.h. */
#include "trains.h"

#define GENERATOR_SEED 0xACE1U
#define STEP_UNITS UINT32_C(16)      /* `step` counts 16 period units */
#define PARTS_PER_TICK UINT32_C(256) /* period units in a tick */
#define FAR_BEHIND 0x800000U /* ticks: half of the longest period, and more than 32 bits can hold */

void trains_silence(struct trains *trains)
{
    for (uint8_t i = 0U; i < SLOTS; i++) {
        trains->train[i].sounds = false;
        trains->train[i].order = 0U;
    }
}

void trains_seed(struct trains *trains, uint8_t output)
{
    trains->random = (uint16_t)(GENERATOR_SEED ^ output);
}

static void move_grid(struct train *train, uint32_t units)
{
    uint32_t parts = (uint32_t)train->grid_part + (units & 0xFFU);
    train->grid += (units >> 8) + (parts >> 8);
    train->grid_part = (uint8_t)(parts & 0xFFU);
}

static void move_grid_back(struct train *train, uint32_t units)
{
    uint32_t part = units & 0xFFU;
    train->grid -= units >> 8;
    if (train->grid_part < part) {
        train->grid--;
    }
    train->grid_part = (uint8_t)((train->grid_part - part) & 0xFFU);
}

/* The train leaves the order of last pulses; the others close up. */
static void leave_order(struct trains *trains, uint8_t index)
{
    uint8_t left = trains->train[index].order;

    trains->train[index].order = 0U;
    for (uint8_t i = 0U; i < SLOTS; i++) {
        if ((left != 0U) && (trains->train[i].order > left)) {
            trains->train[i].order--;
        }
    }
}

static void begin_train(struct train *train, uint32_t tick, const struct slot *slot)
{
    /* phase x period / 256, rounded down, without its 40 bits */
    uint32_t offset = (slot->phase * (slot->period >> 8)) +
                      ((slot->phase * (slot->period & 0xFFU)) >> 8);

    train->start = slot->start;
    train->bangs = slot->bangs;
    train->period = slot->period;
    train->grid = tick;
    train->grid_part = 0U;
    train->sounds = true;
    train->done = false;
    move_grid(train, offset);
}

void trains_apply(struct trains *trains, uint32_t tick, const struct slots *slots)
{
    for (uint8_t i = 0U; i < SLOTS; i++) {
        struct train *train = &trains->train[i];
        const struct slot *slot = &slots->slot[i];

        if (!slots_has(slots->mask, i)) {
            leave_order(trains, i);
            train->sounds = false;
        } else {
            if (!train->sounds || (train->start != slot->start)) {
                leave_order(trains, i);
                begin_train(train, tick, slot);
            }
            train->on = slot->on;
            train->spread = slot->spread;
            train->step = slot->step;
            train->target = slot->period;
        }
    }
}

bool trains_match(const struct trains *trains, const struct slots *slots)
{
    for (uint8_t i = 0U; i < SLOTS; i++) {
        const struct train *train = &trains->train[i];
        const struct slot *slot = &slots->slot[i];
        bool sounds = slots_has(slots->mask, i);

        if (sounds != train->sounds) {
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

static bool comes_before(const struct train *train, const struct train *other)
{
    if (train->grid != other->grid) {
        return is_before(train->grid, other->grid);
    }
    if (train->grid_part != other->grid_part) {
        return train->grid_part < other->grid_part;
    }
    return train->order < other->order;
}

bool trains_next(const struct trains *trains, uint8_t *index)
{
    bool found = false;

    for (uint8_t i = 0U; i < SLOTS; i++) {
        const struct train *train = &trains->train[i];
        if (train->sounds && !train->done &&
            (!found || comes_before(train, &trains->train[*index]))) {
            *index = i;
            found = true;
        }
    }
    return found;
}

uint32_t trains_pulse_at(const struct trains *trains, uint8_t index, uint32_t earliest)
{
    const struct train *train = &trains->train[index];
    uint32_t tick = train->grid + ((train->grid_part != 0U) ? 1U : 0U);

    if (trains->free_at.set && is_before(tick, trains->free_at.at)) {
        tick = trains->free_at.at;
    }
    return is_before(tick, earliest) ? earliest : tick;
}

bool trains_too_late(const struct trains *trains, uint8_t index, uint32_t tick)
{
    const struct train *train = &trains->train[index];
    uint32_t behind = tick - train->grid;

    if (behind >= FAR_BEHIND) {
        return true;
    }
    /* 2 x (256 x tick - grid point) > period */
    return ((2U * PARTS_PER_TICK * behind) - (2U * train->grid_part)) > train->period;
}

void trains_fired(struct trains *trains, uint8_t index, uint32_t free_at)
{
    uint8_t newest = 0U;

    leave_order(trains, index);
    for (uint8_t i = 0U; i < SLOTS; i++) {
        if (trains->train[i].order > newest) {
            newest = trains->train[i].order;
        }
    }
    trains->train[index].order = (uint8_t)(newest + 1U);
    alarm_set(&trains->free_at, free_at);
}

static void step_period(struct train *train)
{
    uint32_t most = STEP_UNITS * train->step;
    bool up = train->target > train->period;
    uint32_t away = up ? (train->target - train->period) : (train->period - train->target);

    if ((most == 0U) || (away <= most)) {
        train->period = train->target;
    } else if (up) {
        train->period += most;
    } else {
        train->period -= most;
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
static void spread_grid(struct train *train, uint8_t high)
{
    uint32_t m = (train->period >> 8) * train->spread;
    uint32_t whole = m >> 7;
    uint32_t rest = m & 0x7FU;

    if (high >= 128U) {
        uint32_t r = (uint32_t)high - 128U;
        move_grid(train, (whole * r) + ((rest * r) >> 7));
    } else {
        uint32_t r = 128U - (uint32_t)high;
        move_grid_back(train, (whole * r) + (((rest * r) + 127U) >> 7));
    }
}

void trains_step(struct trains *trains, uint8_t index)
{
    struct train *train = &trains->train[index];

    if (train->bangs != 0U) {
        train->bangs--;
        if (train->bangs == 0U) {
            train->done = true;
            return;
        }
    }
    if (train->period != train->target) {
        step_period(train);
    }
    move_grid(train, train->period);
    if (train->spread != 0U) {
        trains->random = next_random(trains->random);
        spread_grid(train, (uint8_t)(trains->random >> 8));
    }
}

void trains_save_step(const struct trains *trains, uint8_t index, struct stepped *stepped)
{
    const struct train *train = &trains->train[index];

    stepped->grid = train->grid;
    stepped->grid_part = train->grid_part;
    stepped->period = train->period;
    stepped->bangs = train->bangs;
    stepped->done = train->done;
    stepped->random = trains->random;
}

void trains_repeat_step(struct trains *trains, uint8_t index, const struct stepped *stepped)
{
    struct train *train = &trains->train[index];

    train->grid = stepped->grid;
    train->grid_part = stepped->grid_part;
    train->period = stepped->period;
    train->bangs = stepped->bangs;
    train->done = stepped->done;
    trains->random = stepped->random;
}
