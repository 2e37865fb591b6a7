/* One good frame: which message it is, whether its length is right, and who obeys it.
 *
 * What is not obeyed is answered by a refusal, by nothing else, and changes nothing.
 */
#include "obey.h"

#include "bytes.h"
#include "catalogue.h"

#define ANY_LENGTH 0xFFU

/* The payload's length of a message; ANY_LENGTH where obeying looks at it, or there is no such type. */
static uint8_t length_of(uint8_t type)
{
    uint8_t length;

    switch (type) {
    case TYPE_HELLO:
        length = 1U;
        break;
    case TYPE_LIMITS:
        length = LIMITS_BYTES;
        break;
    case TYPE_ARM:
        length = 8U;
        break;
    case TYPE_DISARM:
        length = 0U;
        break;
    case TYPE_RESET:
        length = 6U;
        break;
    case TYPE_PING:
        length = 5U;
        break;
    default: /* voices; stop, which is never refused */
        length = ANY_LENGTH;
        break;
    }
    return length;
}

static void obey_ping(struct core *core, const struct frame *frame)
{
    bool wants_nonce = (frame->payload[4] & PING_WANTS_NONCE) != 0U;

    tell_pong(core, get_u32(&frame->payload[0]),
              wants_nonce ? nonces_issue(&core->nonces, core->now) : 0U);
}

static uint8_t obey_message(struct core *core, const struct frame *frame)
{
    uint8_t reason = REASON_NONE;

    switch (frame->type) {
    case TYPE_HELLO:
        reason = obey_hello(core, frame);
        break;
    case TYPE_LIMITS:
        reason = obey_limits(core, frame);
        break;
    case TYPE_ARM:
        reason = obey_arm(core, frame);
        break;
    case TYPE_VOICES:
        reason = obey_voices(core, frame);
        break;
    case TYPE_DISARM:
        if (permission_may_fire(&core->permission)) {
            left_armed(core);
        }
        break;
    case TYPE_STOP:
        trip(core, CAUSE_HOST_STOP);
        core->status_due = true;
        break;
    case TYPE_RESET:
        reason = obey_reset(core, frame);
        break;
    case TYPE_PING:
        obey_ping(core, frame);
        break;
    default:
        reason = REASON_UNKNOWN_TYPE;
        break;
    }
    return reason;
}

void obey(struct core *core)
{
    const struct reader *reader = &core->reader;
    const struct frame frame = {&reader->bytes[2], reader->bytes[0], reader->bytes[1],
                                (uint8_t)(reader->length - FRAME_MIN)};
    uint8_t length = length_of(frame.type);
    uint8_t reason;

    if ((length != ANY_LENGTH) && (length != frame.length)) {
        reason = REASON_WRONG_LENGTH;
    } else {
        reason = obey_message(core, &frame);
    }
    if (reason != REASON_NONE) {
        count_up(&core->refused_frames);
        tell_refusal(core, &frame, reason,
                     (reason == REASON_CAUSE_REMAINS) ? core->permission.memory.cause : 0U);
    }
}
