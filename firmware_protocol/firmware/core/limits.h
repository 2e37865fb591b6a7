/* What one output may do: its ceilings, its limits, and whether new limits may be taken.
 *
 * PROTOCOL.md, section 6. All times in ticks. Nothing here changes a state.
 */
#ifndef CW_LIMITS_H
#define CW_LIMITS_H

#include <stdbool.h>
#include <stdint.h>

#include "writer.h"

#define LIMITS_BYTES 23U /* payload of a limits message */

/* The compiled ceilings of the reference board; a board may keep lower ones, never looser.
 * 400 us, 100 us, 2,000 starts a second, 12 % of 1 s. */
#define CEILING_MAX_ON 800U
#define CEILING_MIN_OFF 200U
#define CEILING_STARTS_1S 2000U
#define CEILING_DUTY_1S UINT32_C(240000)

/* The most that an output may ever be allowed. */
struct ceilings {
    uint16_t max_on;
    uint16_t min_off;
    uint16_t max_starts_1s;
    uint32_t duty_1s;
};

/* A window of 0 ms is not there. */
struct limits {
    struct ceilings most; /* the same four values, in force */
    uint16_t window2_ms;
    uint16_t window3_ms;
    uint32_t window2;
    uint32_t window3;
};

/* The tighter of `board` and the compiled ceilings, value by value. */
struct ceilings ceilings_within_compiled(const struct ceilings *board);

/* From the payload of a limits message, its first byte (the output) left out. */
void limits_parse(struct limits *limits, const uint8_t *payload);

/* The payload of a limits message. */
void limits_write(struct writer *writer, uint8_t output, const struct limits *limits);

/* REASON_NONE if `fresh` may follow `in_force` (NULL: none yet) under `ceilings`. */
uint8_t limits_check(const struct limits *fresh, const struct ceilings *ceilings,
                     const struct limits *in_force);

#endif
