/* Limits of one output; see limits.h. */
#include "limits.h"

#include <stddef.h>

#include "bytes.h"
#include "catalogue.h"

#define SHORTEST_WINDOW_MS 5U
#define LONGEST_WINDOW_MS 10000U

struct ceilings ceilings_within_compiled(const struct ceilings *board)
{
    struct ceilings tighter = {CEILING_MAX_ON, CEILING_MIN_OFF, CEILING_STARTS_1S, CEILING_DUTY_1S};

    if (board->max_on < tighter.max_on) {
        tighter.max_on = board->max_on;
    }
    if (board->min_off > tighter.min_off) {
        tighter.min_off = board->min_off;
    }
    if (board->max_starts_1s < tighter.max_starts_1s) {
        tighter.max_starts_1s = board->max_starts_1s;
    }
    if (board->duty_1s < tighter.duty_1s) {
        tighter.duty_1s = board->duty_1s;
    }
    return tighter;
}

void limits_parse(struct limits *limits, const uint8_t *payload)
{
    limits->most.max_on = get_u16(&payload[1]);
    limits->most.min_off = get_u16(&payload[3]);
    limits->most.max_starts_1s = get_u16(&payload[5]);
    limits->most.duty_1s = get_u32(&payload[7]);
    limits->window2_ms = get_u16(&payload[11]);
    limits->window2 = get_u32(&payload[13]);
    limits->window3_ms = get_u16(&payload[17]);
    limits->window3 = get_u32(&payload[19]);
}

void limits_write(struct writer *writer, uint8_t output, const struct limits *limits)
{
    writer_u8(writer, output);
    writer_u16(writer, limits->most.max_on);
    writer_u16(writer, limits->most.min_off);
    writer_u16(writer, limits->most.max_starts_1s);
    writer_u32(writer, limits->most.duty_1s);
    writer_u16(writer, limits->window2_ms);
    writer_u32(writer, limits->window2);
    writer_u16(writer, limits->window3_ms);
    writer_u32(writer, limits->window3);
}

static bool window_is_bad(uint16_t window_ms, uint32_t most)
{
    if (window_ms == 0U) {
        return most != 0U;
    }
    return (window_ms < SHORTEST_WINDOW_MS) || (window_ms > LONGEST_WINDOW_MS) || (most < 1U);
}

static bool is_looser(const struct ceilings *fresh, const struct ceilings *than)
{
    return (fresh->max_on > than->max_on) || (fresh->min_off < than->min_off) ||
           (fresh->max_starts_1s > than->max_starts_1s) || (fresh->duty_1s > than->duty_1s);
}

/* A window in force can be tightened, not removed, and keeps its length. */
static bool window_loosens(uint16_t fresh_ms, uint32_t fresh, uint16_t old_ms, uint32_t old)
{
    return (old_ms != 0U) && ((fresh_ms != old_ms) || (fresh > old));
}

uint8_t limits_check(const struct limits *fresh, const struct ceilings *ceilings,
                     const struct limits *in_force)
{
    if ((fresh->most.max_on < 1U) || (fresh->most.max_starts_1s < 1U) ||
        (fresh->most.duty_1s < 1U) || window_is_bad(fresh->window2_ms, fresh->window2) ||
        window_is_bad(fresh->window3_ms, fresh->window3)) {
        return REASON_BAD_LIMITS;
    }
    if (is_looser(&fresh->most, ceilings)) {
        return REASON_ABOVE_CEILING;
    }
    if ((in_force != NULL) &&
        (is_looser(&fresh->most, &in_force->most) ||
         window_loosens(fresh->window2_ms, fresh->window2, in_force->window2_ms,
                        in_force->window2) ||
         window_loosens(fresh->window3_ms, fresh->window3, in_force->window3_ms,
                        in_force->window3))) {
        return REASON_WOULD_LOOSEN;
    }
    return REASON_NONE;
}
