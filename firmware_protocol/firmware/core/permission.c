/* Permission to fire; see permission.h. */
#include "permission.h"

#include "ticks.h"

#define STAYS 0xFFU

/* The state after `event` in `state`; STAYS where the table has no such pair. */
static uint8_t state_after(uint8_t state, uint8_t event)
{
    uint8_t after = STAYS;

    switch (event) {
    case EVENT_ARM:
        after = (state == STATE_LOCKED) ? STATE_ARMED : STAYS;
        break;
    case EVENT_ARM_WITH_HORN:
        after = (state == STATE_LOCKED) ? STATE_WARNING : STAYS;
        break;
    case EVENT_HORN_END:
        after = (state == STATE_WARNING) ? STATE_ARMED : STAYS;
        break;
    case EVENT_DISARM:
        after = ((state == STATE_WARNING) || (state == STATE_ARMED)) ? STATE_LOCKED : STAYS;
        break;
    case EVENT_GRAVE_CAUSE:
        after = (state != STATE_TRIPPED) ? STATE_TRIPPED : STAYS;
        break;
    case EVENT_CAUSE:
        after = ((state == STATE_WARNING) || (state == STATE_ARMED)) ? STATE_TRIPPED : STAYS;
        break;
    case EVENT_RESET:
        after = (state == STATE_TRIPPED) ? STATE_LOCKED : STAYS;
        break;
    default:
        break;
    }
    return after;
}

static bool is_grave(uint8_t cause)
{
    bool grave;

    switch (cause) {
    case CAUSE_ESTOP_OPEN:
    case CAUSE_ESTOP_DISAGREE:
    case CAUSE_HOST_STOP:
    case CAUSE_PIN_MISMATCH:
    case CAUSE_INTERNAL_FAULT:
        grave = true;
        break;
    default:
        grave = false;
        break;
    }
    return grave;
}

static void latch(struct permission *permission, uint8_t cause)
{
    permission->memory.state = STATE_TRIPPED;
    permission->memory.cause = cause;
    count_up(&permission->memory.trip_number);
}

/* Which trip a start of the program is by itself, CAUSE_NONE if none. */
static uint8_t cause_of_start(uint8_t state, uint8_t reset_cause)
{
    uint8_t cause = CAUSE_NONE;

    if (reset_cause == RESET_WATCHDOG) {
        cause = CAUSE_WATCHDOG_RESET;
    } else if (reset_cause == RESET_BROWN_OUT) {
        cause = CAUSE_BROWN_OUT;
    } else if ((state == STATE_ARMED) || (state == STATE_WARNING)) {
        cause = CAUSE_RESET_WHILE_ARMED;
    } else if (state != STATE_LOCKED) { /* no state at all: the memory is damaged */
        cause = CAUSE_INTERNAL_FAULT;
    } else {
        /* locked, and an ordinary start */
    }
    return cause;
}

void permission_start(struct permission *permission, const struct trip_memory *kept,
                      uint8_t reset_cause)
{
    permission->memory = *kept;
    permission->memory.boot_id++;
    if (kept->state != STATE_TRIPPED) {
        uint8_t cause = cause_of_start(kept->state, reset_cause);
        if (cause == CAUSE_NONE) {
            permission->memory.cause = CAUSE_NONE;
        } else {
            latch(permission, cause);
        }
    }
    port_remember(&permission->memory);
}

bool permission_move(struct permission *permission, uint8_t event)
{
    uint8_t after = state_after(permission->memory.state, event);

    if ((after == STAYS) || (after == STATE_TRIPPED)) {
        return false;
    }
    permission->memory.state = after;
    permission->memory.cause = CAUSE_NONE;
    port_remember(&permission->memory);
    return true;
}

bool permission_trip(struct permission *permission, uint8_t cause)
{
    uint8_t event = is_grave(cause) ? EVENT_GRAVE_CAUSE : EVENT_CAUSE;

    if (state_after(permission->memory.state, event) != STATE_TRIPPED) {
        return false;
    }
    latch(permission, cause);
    port_remember(&permission->memory);
    return true;
}
