/* A voices frame: everything that sounds on one output (PROTOCOL.md, section 7).
 *
 * Checks in the order of that page. Nothing of a frame that is refused is kept.
 */
#include "bytes.h"
#include "catalogue.h"
#include "obey.h"

#define HEAD_BYTES 17U
#define MAX_LEASE_TICKS (TICK_HZ / 4U)
#define MAX_AHEAD_TICKS (TICK_HZ / 4U)
#define MAX_LATE_TICKS (TICK_HZ / 50U)
#define NEWEST_STEP 0x7FFFU /* a number this far on is still newer */

struct voices {
    uint32_t session;
    uint32_t apply_at;
    uint32_t expiry;
    uint16_t number;
    uint8_t output;
    uint8_t flags;
    struct slots slots;
};

static uint8_t parse(struct voices *voices, const struct frame *frame)
{
    const uint8_t *at = frame->payload;
    uint8_t mask;
    uint8_t length = HEAD_BYTES;

    if (frame->length < HEAD_BYTES) {
        return REASON_WRONG_LENGTH;
    }
    mask = at[16];
    if ((mask >> SLOTS) != 0U) {
        return REASON_BAD_SLOT;
    }
    for (uint8_t i = 0U; i < SLOTS; i++) {
        length = (uint8_t)(length + (slots_has(mask, i) ? SLOT_BYTES : 0U));
    }
    if (frame->length != length) {
        return REASON_WRONG_LENGTH;
    }
    voices->session = get_u32(&at[0]);
    voices->output = at[4];
    voices->number = get_u16(&at[5]);
    voices->flags = at[7];
    voices->apply_at = get_u32(&at[8]);
    voices->expiry = get_u32(&at[12]);
    slots_parse(&voices->slots, mask, &at[HEAD_BYTES]);
    return REASON_NONE;
}

static bool is_stale(const struct coil *coil, uint16_t number)
{
    uint16_t newer_by = (uint16_t)(number - coil->last_number);

    return coil->has_number && ((newer_by == 0U) || (newer_by > NEWEST_STEP));
}

/* Checks 4 to 6. An immediate frame has `apply_at` = now. */
static uint8_t check(const struct core *core, const struct voices *voices)
{
    uint32_t lease = voices->expiry - core->now;
    uint32_t ahead = voices->apply_at - core->now;

    if ((lease < 1U) || (lease > MAX_LEASE_TICKS)) {
        return REASON_BAD_EXPIRY;
    }
    if (!is_before(voices->apply_at, core->now)) {
        if (ahead > MAX_AHEAD_TICKS) {
            return REASON_TOO_FAR_AHEAD;
        }
    } else if ((core->now - voices->apply_at) > MAX_LATE_TICKS) {
        return REASON_TOO_LATE;
    } else {
        /* late, and applied now */
    }
    if (!slots_are_lawful(&voices->slots)) {
        return REASON_BAD_SLOT;
    }
    if ((permission_state(&core->permission) == STATE_WARNING) && (voices->slots.mask != 0U)) {
        return REASON_NOT_ARMED;
    }
    return REASON_NONE;
}

static uint8_t accept(struct core *core, struct coil *coil, const struct voices *voices)
{
    bool waits = is_before(core->now, voices->apply_at);
    bool immediate = (voices->flags & FLAG_IMMEDIATE) != 0U;
    uint8_t keep = coil->queue.count;

    if ((voices->flags & FLAG_FORGET_LATER) != 0U) {
        keep = immediate ? 0U : queue_count_before(&coil->queue, voices->apply_at);
    }
    if (waits && (keep >= QUEUE_FRAMES)) {
        return REASON_QUEUE_FULL;
    }
    coil->has_number = true;
    coil->last_number = voices->number;
    alarm_set(&coil->lease, voices->expiry);
    leases_changed(core);
    coil_forget(coil, core->now, keep);
    if (waits) {
        (void)coil_enqueue(coil, voices->apply_at, &voices->slots);
    } else {
        if (is_before(voices->apply_at, core->now)) {
            count_up(&core->late_frames);
        }
        coil_apply(coil, core->now, &voices->slots);
    }
    return REASON_NONE;
}

uint8_t obey_voices(struct core *core, const struct frame *frame)
{
    struct voices voices;
    struct coil *coil;
    uint8_t reason = parse(&voices, frame);

    if (reason != REASON_NONE) {
        return reason;
    }
    if (!permission_may_fire(&core->permission)) {
        return REASON_NOT_ARMED;
    }
    if (voices.session != core->session) {
        trip(core, CAUSE_WRONG_SESSION);
        return REASON_NONE;
    }
    if (voices.output >= OUTPUTS) {
        return REASON_NO_SUCH_OUTPUT;
    }
    coil = &core->coils[voices.output];
    if (!coil->guard.has_limits) {
        return REASON_NO_LIMITS;
    }
    if (is_stale(coil, voices.number)) {
        count_up(&core->stale_frames);
        return REASON_NONE;
    }
    if ((voices.flags & FLAG_IMMEDIATE) != 0U) {
        voices.apply_at = core->now;
    }
    reason = check(core, &voices);
    if (reason == REASON_NONE) {
        coil_catch_up(coil, core->now);
        reason = accept(core, coil, &voices);
    }
    return reason;
}
