/* The slots of a voices frame: everything that sounds on one output. PROTOCOL.md, section 3. */
#ifndef CW_SLOTS_H
#define CW_SLOTS_H

#include <stdbool.h>
#include <stdint.h>

#include "sizes.h"

#define SLOT_BYTES 12U

struct slot {
    uint32_t period; /* 1/256 tick */
    uint16_t on;     /* ticks */
    uint16_t step;   /* 1/16 tick */
    uint8_t start;   /* start number */
    uint8_t bangs;   /* 0: until changed */
    uint8_t spread;  /* 1/256 of the period */
    uint8_t phase;   /* 1/256 of the period */
};

struct slots {
    struct slot slot[SLOTS];
    uint8_t mask; /* bit n: slot n sounds */
};

/* Is the bit of slot `index` set? */
static inline bool slots_has(uint8_t mask, uint8_t index)
{
    return ((uint8_t)(mask >> index) & 1U) != 0U;
}

/* From a payload's slots, lowest first; `mask` has no bit above SLOTS. */
void slots_parse(struct slots *slots, uint8_t mask, const uint8_t *payload);

/* Can every slot be scheduled at all (check 6 of a voices frame)? */
bool slots_are_lawful(const struct slots *slots);

#endif
