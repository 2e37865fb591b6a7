/* All that the host is told: one function a message (PROTOCOL.md, section 3). */
#include "bytes.h"
#include "catalogue.h"
#include "crc.h"
#include "obey.h"
#include "port.h"
#include "writer.h"

static void begin(struct core *core, struct writer *writer, uint8_t type)
{
    writer_begin(writer, type, core->sequence);
    core->sequence++;
}

/* An answer for which there is no room is lost whole; a host asks again. */
static void send(struct writer *writer)
{
    writer_end(writer);
    (void)port_send(writer->bytes, writer->length);
}

uint32_t limits_digest(const struct core *core)
{
    struct writer writer;
    uint8_t head[12];
    uint32_t crc = CRC32_START;

    put_u32(&head[0], core->board->build);
    put_u32(&head[4], core->board->board_id);
    put_u32(&head[8], core->permission.memory.boot_id);
    crc = crc32_add(crc, head, (uint8_t)sizeof(head));
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        if (core->coils[output].guard.has_limits) {
            writer.length = 0U;
            limits_write(&writer, output, &core->coils[output].guard.limits);
            crc = crc32_add(crc, writer.bytes, writer.length);
        }
    }
    return crc32_finish(crc);
}

void tell_identity(struct core *core)
{
    const struct board *board = core->board;
    struct writer writer;

    begin(core, &writer, TYPE_IDENTITY);
    writer_u8(&writer, PROTOCOL_VERSION);
    writer_u32(&writer, board->build);
    writer_u32(&writer, board->flash_crc);
    writer_u8(&writer, board->fuse_low);
    writer_u8(&writer, board->fuse_high);
    writer_u8(&writer, board->fuse_extended);
    writer_u8(&writer, board->lock_bits);
    writer_u32(&writer, board->board_id);
    writer_u32(&writer, core->permission.memory.boot_id);
    writer_u8(&writer, board->reset_cause);
    writer_u32(&writer, TICK_HZ);
    writer_u8(&writer, OUTPUTS);
    writer_u8(&writer, SLOTS);
    writer_u8(&writer, QUEUE_FRAMES);
    writer_u16(&writer, board->horn_ms);
    writer_u8(&writer, board->checks);
    writer_u32(&writer, core->digest);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        const struct ceilings *most = &core->ceilings[output];
        writer_u16(&writer, most->max_on);
        writer_u16(&writer, most->min_off);
        writer_u16(&writer, most->max_starts_1s);
        writer_u32(&writer, most->duty_1s);
    }
    send(&writer);
}

void tell_limits(struct core *core, uint8_t output)
{
    struct writer writer;

    begin(core, &writer, TYPE_LIMITS_SET);
    limits_write(&writer, output, &core->coils[output].guard.limits);
    writer_u32(&writer, core->digest);
    send(&writer);
}

void tell_pong(struct core *core, uint32_t echo, uint32_t nonce)
{
    struct writer writer;

    begin(core, &writer, TYPE_PONG);
    writer_u32(&writer, echo);
    writer_u32(&writer, core->now);
    writer_u32(&writer, core->now);
    writer_u32(&writer, nonce);
    send(&writer);
}

void tell_armed(struct core *core, uint32_t nonce, uint32_t fires_at)
{
    struct writer writer;

    begin(core, &writer, TYPE_ARMED);
    writer_u32(&writer, nonce);
    writer_u32(&writer, core->session);
    writer_u32(&writer, fires_at);
    send(&writer);
}

void tell_refusal(struct core *core, const struct frame *frame, uint8_t reason, uint32_t detail)
{
    struct writer writer;

    begin(core, &writer, TYPE_REFUSAL);
    writer_u8(&writer, frame->type);
    writer_u8(&writer, frame->sequence);
    writer_u8(&writer, reason);
    writer_u32(&writer, detail);
    send(&writer);
}

void tell_status(struct core *core)
{
    const struct trip_memory *memory = &core->permission.memory;
    struct writer writer;

    begin(core, &writer, TYPE_STATUS);
    writer_u32(&writer, core->now);
    writer_u8(&writer, memory->state);
    writer_u8(&writer, memory->cause);
    writer_u16(&writer, memory->trip_number);
    writer_u32(&writer, core->session);
    writer_u8(&writer, inputs_bits(&core->inputs));
    writer_u8(&writer, inputs_proofs(&core->inputs));
    writer_u16(&writer, core->reader.bad_frames);
    writer_u16(&writer, core->line_errors);
    writer_u16(&writer, core->line_errors_in_bangs);
    writer_u16(&writer, core->breaks);
    writer_u16(&writer, core->stale_frames);
    writer_u16(&writer, core->late_frames);
    writer_u16(&writer, core->refused_frames);
    writer_u8(&writer, OUTPUTS);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        const struct coil *coil = &core->coils[output];
        writer_u16(&writer, coil->pulses);
        writer_u16(&writer, coil->collisions_dropped);
        writer_u16(&writer, coil->guard_refusals);
        writer_u8(&writer, coil->last_guard_reason);
        writer_u8(&writer, coil->queue.count);
        for (uint8_t i = 0U; i < REASONS_OF_GUARD; i++) {
            writer_u8(&writer, coil->refused_for[i]);
        }
    }
    send(&writer);
}
