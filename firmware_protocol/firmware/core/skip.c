/* Grid points of pulse trains that nobody can keep any more; see trains.h. */
#include "trains.h"

#include <stddef.h>

#define FAR_BEHIND 0x800000U    /* ticks: half of the longest period, and all that 32 bits hold below */
#define MOST_SKIPPED 8U /* points one by one, and sums, at once */
#define MOST_SPREAD_SKIPPED 6U /* of spread trains: these take longer */
#define MOST_EVEN_SKIPPED 256U
/* While grid points are skipped, time passes: a train that is too late is skipped so many ticks beyond. */
#define SKIPPING_TICKS 400U       /* at once, by a sum */
#define SKIPPING_LONG_TICKS 2000U /* one by one: 50 us each */

bool trains_too_late(const struct motion *motion, uint32_t behind)
{
    if (behind >= FAR_BEHIND) {
        return true;
    }
    /* 2 x (256 x tick - grid point) > period */
    return (((behind << 8) - motion->grid_part) << 1) > motion->period;
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
    trains_move_grid(motion, moved);
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

    while (skipped < MOST_SPREAD_SKIPPED) {
        struct train *first = NULL;
        for (uint8_t i = 0U; i < SLOTS; i++) {
            struct train *train = &trains->train[i];
            if ((train->motion.state == TRAIN_RUNS) && (train->spread != 0U) &&
                ((first == NULL) || is_before(train->motion.grid, first->motion.grid) ||
                 ((train->motion.grid == first->motion.grid) &&
                  trains_come_before(trains, &train->motion, &first->motion)))) {
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

/* A bounded number of points and sums: the rest is for the next go. */
uint16_t trains_skip(struct trains *trains, uint32_t start)
{
    uint16_t skipped = skip_spread(trains, start);
    uint16_t points = skipped;

    for (uint8_t i = 0U; i < SLOTS; i++) {
        struct train *train = &trains->train[i];
        const struct motion *motion = &train->motion;
        uint32_t until = start;
        for (; points < MOST_SKIPPED; points++) {
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
