/* Between the files of one output: what they need of its decisions. See coil.h. */
#ifndef CW_DECISIONS_H
#define CW_DECISIONS_H

#include "coil.h"

/* Where decision `index` is, the oldest being 0. */
static inline uint8_t decision_place(const struct coil *coil, uint8_t index)
{
    return (uint8_t)((uint8_t)(coil->first + index) & (DECISIONS - 1U));
}

/* Something changed that decisions hang on. */
static inline void wake_up(struct coil *coil)
{
    alarm_clear(&coil->quiet);
    coil->stirred = true;
}

/* commit.c. Of `started` pulses, modulo 256, so many were not committed yet. */
uint8_t more_of(const struct coil *coil, uint8_t started);

/* Commits until `started` pulses have been. */
void commit_pulses(struct coil *coil, uint8_t started);

/* change.c. Every queued frame of `tick` takes effect, in order: each might come too late if it waited for the
 * one before. */
void apply_queued(struct coil *coil, uint32_t tick);

#endif
