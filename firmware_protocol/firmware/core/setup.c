/* Setting up and arming: hello, limits, arm, reset (PROTOCOL.md, section 6).
 *
 * Checks in the order in which that page states them; the first that applies is the answer. Lengths
 * were checked by obey.c. None of this runs while armed but what trips.
 */
#include <stddef.h>

#include "bytes.h"
#include "catalogue.h"
#include "obey.h"

#define BOTH_PROOFS 0x03U

/* 250 ms: the longest a lease may last, and the first after arming. */
#define FIRST_LEASE_TICKS (TICK_HZ / 4U)

uint8_t outputs_with_limits(const struct core *core)
{
    uint8_t outputs = 0U;

    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        if (core->coils[output].guard.has_limits) {
            outputs = (uint8_t)(outputs | (uint8_t)(1U << output));
        }
    }
    return outputs;
}

uint8_t obey_hello(struct core *core, const struct frame *frame)
{
    if (permission_may_fire(&core->permission)) {
        trip(core, CAUSE_SETUP_WHILE_ARMED);
        return REASON_NONE;
    }
    if (frame->payload[0] != PROTOCOL_VERSION) {
        return REASON_WRONG_VERSION;
    }
    tell_identity(core);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        if (core->coils[output].guard.has_limits) {
            tell_limits(core, output);
        }
    }
    return REASON_NONE;
}

uint8_t obey_limits(struct core *core, const struct frame *frame)
{
    uint8_t output = frame->payload[0];
    struct limits fresh;
    struct guard *guard;
    uint8_t reason;

    if (permission_may_fire(&core->permission)) {
        trip(core, CAUSE_SETUP_WHILE_ARMED);
        return REASON_NONE;
    }
    if (permission_state(&core->permission) != STATE_LOCKED) {
        return REASON_NOT_LOCKED;
    }
    if (output >= OUTPUTS) {
        return REASON_NO_SUCH_OUTPUT;
    }
    guard = &core->coils[output].guard;
    limits_parse(&fresh, frame->payload);
    reason = limits_check(&fresh, &core->ceilings[output],
                          guard->has_limits ? &guard->limits : NULL);
    if (reason == REASON_NONE) {
        guard_set_limits(guard, &fresh, core->now, uptime_now(core));
        core->digest = limits_digest(core);
        tell_limits(core, output);
    }
    return reason;
}

/* Every condition of arming, the nonce used up already. */
static uint8_t why_not_armed(const struct core *core, bool nonce_is_good, uint32_t digest)
{
    const struct inputs *inputs = &core->inputs;
    uint8_t with_limits = outputs_with_limits(core);

    if (permission_state(&core->permission) == STATE_TRIPPED) {
        return REASON_IS_TRIPPED;
    }
    if (permission_state(&core->permission) != STATE_LOCKED) {
        return REASON_NOT_LOCKED;
    }
    if ((core->board->checks & CHECKS_ALL) != CHECKS_ALL) {
        return REASON_BOARD_CHECK_FAILED;
    }
    if (!nonce_is_good) {
        return REASON_BAD_NONCE;
    }
    if (with_limits == 0U) {
        return REASON_NO_LIMITS;
    }
    if (digest != limits_digest(core)) {
        return REASON_WRONG_DIGEST;
    }
    if (inputs_estop_open(inputs)) {
        return REASON_ESTOP_IS_OPEN;
    }
    if (inputs_proofs(inputs) != BOTH_PROOFS) {
        return REASON_ESTOP_UNPROVEN;
    }
    if (!inputs_key_on(inputs)) {
        return REASON_KEY_IS_OFF;
    }
    if (inputs_local_stop(inputs)) {
        return REASON_LOCAL_STOP_PRESSED;
    }
    if (!inputs_ready(inputs, with_limits)) {
        return REASON_OUTPUT_NOT_READY;
    }
    return REASON_NONE;
}

uint8_t obey_arm(struct core *core, const struct frame *frame)
{
    uint32_t nonce = get_u32(&frame->payload[0]);
    bool nonce_is_good = nonces_use_up(&core->nonces, nonce, core->now);
    uint8_t reason = why_not_armed(core, nonce_is_good, get_u32(&frame->payload[4]));
    uint32_t horn_ticks = core->board->horn_ms * TICKS_PER_MS;

    if (reason != REASON_NONE) {
        return reason;
    }
    core->session = nonces_number(&core->nonces);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        coil_arm(&core->coils[output], core->now + FIRST_LEASE_TICKS);
    }
    leases_changed(core);
    if (horn_ticks != 0U) {
        alarm_set(&core->fires_at, core->now + horn_ticks);
        (void)permission_move(&core->permission, EVENT_ARM_WITH_HORN);
    } else {
        (void)permission_move(&core->permission, EVENT_ARM);
    }
    state_changed(core);
    tell_armed(core, nonce, core->now + horn_ticks);
    return REASON_NONE;
}

uint8_t obey_reset(struct core *core, const struct frame *frame)
{
    uint16_t number = get_u16(&frame->payload[0]);
    bool nonce_is_good = nonces_use_up(&core->nonces, get_u32(&frame->payload[2]), core->now);
    const struct trip_memory *memory = &core->permission.memory;

    if (memory->state != STATE_TRIPPED) {
        return REASON_NOT_TRIPPED;
    }
    if (number != memory->trip_number) {
        return REASON_WRONG_TRIP;
    }
    if (!nonce_is_good) {
        return REASON_BAD_NONCE;
    }
    if (inputs_remain(&core->inputs, memory->cause, outputs_with_limits(core))) {
        return REASON_CAUSE_REMAINS;
    }
    (void)permission_move(&core->permission, EVENT_RESET);
    inputs_watch_anew(&core->inputs, core->now);
    state_changed(core);
    return REASON_NONE;
}
