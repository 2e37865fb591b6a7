/* Times: counts of 0.5 us ticks modulo 2^32 (PROTOCOL.md, section 2). Used by every part.
 *
 * Two times are compared by their difference, so a compare is right while the two lie within 2^31
 * ticks (18 minutes) of each other. What may be older than that carries a flag (`struct alarm`) and
 * is cleared in time. Nothing but arithmetic may live here.
 */
#ifndef CW_TICKS_H
#define CW_TICKS_H

#include <stdbool.h>
#include <stdint.h>

#define TICK_HZ UINT32_C(2000000)
#define TICKS_PER_MS UINT32_C(2000)
#define HALF_RANGE 0x80000000U

/* Ticks since the start of the program, in 64 bits. */
struct uptime {
    uint32_t high;
    uint32_t low;
};

/* A time that may be set or not: "no such event". */
struct alarm {
    uint32_t at;
    bool set;
};

/* True if `tick` is `now` or before it. */
static inline bool is_due(uint32_t tick, uint32_t now)
{
    return (uint32_t)(now - tick) < HALF_RANGE;
}

/* True if `tick` is before `other`. */
static inline bool is_before(uint32_t tick, uint32_t other)
{
    return (uint32_t)(tick - other) >= HALF_RANGE;
}

static inline bool alarm_is_due(const struct alarm *alarm, uint32_t now)
{
    return alarm->set && is_due(alarm->at, now);
}

static inline void alarm_set(struct alarm *alarm, uint32_t at)
{
    alarm->at = at;
    alarm->set = true;
}

static inline void alarm_clear(struct alarm *alarm)
{
    alarm->set = false;
}

/* A counter of the wire: wraps at its size. */
static inline void count_up(uint16_t *counter)
{
    *counter = (uint16_t)(*counter + 1U);
}

#endif
