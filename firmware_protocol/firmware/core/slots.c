/* The slots of a voices frame; see slots.h. */
#include "slots.h"

#include "bytes.h"

#define SHORTEST_ON 2U
#define SHORTEST_PERIOD 51200U /* 200 ticks */
#define MOST_SPREAD 128U

void slots_parse(struct slots *slots, uint8_t mask, const uint8_t *payload)
{
    const uint8_t *at = payload;

    slots->mask = mask;
    for (uint8_t i = 0U; i < SLOTS; i++) {
        if (slots_has(mask, i)) {
            struct slot *slot = &slots->slot[i];
            slot->start = at[0];
            slot->bangs = at[1];
            slot->spread = at[2];
            slot->phase = at[3];
            slot->on = get_u16(&at[4]);
            slot->step = get_u16(&at[6]);
            slot->period = get_u32(&at[8]);
            at = &at[SLOT_BYTES];
        }
    }
}

bool slots_are_lawful(const struct slots *slots)
{
    for (uint8_t i = 0U; i < SLOTS; i++) {
        if (slots_has(slots->mask, i)) {
            const struct slot *slot = &slots->slot[i];
            if ((slot->on < SHORTEST_ON) || (slot->period < SHORTEST_PERIOD) ||
                (slot->spread > MOST_SPREAD)) {
                return false;
            }
        }
    }
    return true;
}
