/* Permission to fire: the states, how they follow one another, and what is remembered.
 *
 * Everything that changes the state is here, as one table (PROTOCOL.md, sections 4 and 5). A pair of
 * state and event that is not in it changes nothing. Called by core.c and the files that obey frames.
 */
#ifndef CW_PERMISSION_H
#define CW_PERMISSION_H

#include <stdbool.h>
#include <stdint.h>

#include "catalogue.h"
#include "port.h"

/* What can move the state. */
#define EVENT_ARM 0U           /* all conditions met, no horn */
#define EVENT_ARM_WITH_HORN 1U /* all conditions met, the horn first */
#define EVENT_HORN_END 2U
#define EVENT_DISARM 3U
#define EVENT_GRAVE_CAUSE 4U /* of those that trip from locked too */
#define EVENT_CAUSE 5U       /* any other cause of a trip */
#define EVENT_RESET 6U

struct permission {
    struct trip_memory memory; /* the state itself is what is remembered */
};

/* The program starts. A remembered trip stays; a start that is a trip itself becomes one. */
void permission_start(struct permission *permission, const struct trip_memory *kept,
                      uint8_t reset_cause);

/* Follows the table for anything but a trip. True if the state changed. */
bool permission_move(struct permission *permission, uint8_t event);

/* Latches `cause` if the table lets it trip from here. True if it did. */
bool permission_trip(struct permission *permission, uint8_t cause);

static inline uint8_t permission_state(const struct permission *permission)
{
    return permission->memory.state;
}

/* Warning or armed: leases run and everything trips. */
static inline bool permission_may_fire(const struct permission *permission)
{
    return (permission->memory.state == STATE_ARMED) || (permission->memory.state == STATE_WARNING);
}

#endif
