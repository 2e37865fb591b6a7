/* A host that knows how to arm: part of the fuzzer's operations; see fuzz.c. */
#include "../core/catalogue.h"
#include "../core/writer.h"
#include "fuzz.h"

static void send_frame(struct fuzz *fuzz, struct writer *writer)
{
    writer_end(writer);
    (void)cw_bytes(fuzz->board, fuzz->tick, writer->bytes, writer->length);
    look(fuzz);
}

static void send_ping(struct fuzz *fuzz)
{
    struct writer writer;

    writer_begin(&writer, TYPE_PING, 0U);
    writer_u32(&writer, 0U);
    writer_u8(&writer, PING_WANTS_NONCE);
    send_frame(fuzz, &writer);
}

void send_limits(struct fuzz *fuzz)
{
    static const uint16_t on[4] = {400U, 100U, 800U, 801U};
    static const uint16_t off[4] = {200U, 200U, 900U, 199U};
    static const uint16_t starts[4] = {2000U, 40U, 300U, 3U};
    static const uint32_t duty[4] = {240000U, 3000U, 20000U, 400U};
    uint32_t pick = take(fuzz, 2U);
    struct writer writer;

    writer_begin(&writer, TYPE_LIMITS, 0U);
    writer_u8(&writer, (uint8_t)(pick & 3U));
    writer_u16(&writer, on[(pick >> 2) & 3U]);
    writer_u16(&writer, off[(pick >> 4) & 3U]);
    writer_u16(&writer, starts[(pick >> 6) & 3U]);
    writer_u32(&writer, duty[(pick >> 8) & 3U]);
    writer_u16(&writer, ((pick & 0x400U) != 0U) ? 20U : 0U);
    writer_u32(&writer, ((pick & 0x400U) != 0U) ? 2000U : 0U);
    writer_u16(&writer, 0U);
    writer_u32(&writer, 0U);
    send_frame(fuzz, &writer);
}

void prove(struct fuzz *fuzz)
{
    (void)cw_inputs(fuzz->board, fuzz->tick, LEVELS & (uint8_t)~3U);
    fuzz->tick += 2000U;
    (void)cw_inputs(fuzz->board, fuzz->tick, LEVELS);
    fuzz->tick += 200000U;
    (void)cw_advance(fuzz->board, fuzz->tick);
    look(fuzz);
}

/* From wherever it is, as far toward armed as the board lets it. */
void arm(struct fuzz *fuzz)
{
    struct writer writer;

    (void)cw_pin_mismatch(fuzz->board, fuzz->tick, false);
    (void)cw_line_idle(fuzz->board, fuzz->tick);
    if (state_of(fuzz) == STATE_TRIPPED) {
        send_ping(fuzz);
        writer_begin(&writer, TYPE_RESET, 0U);
        writer_u16(&writer, cw_memory(fuzz->board).trip_number);
        writer_u32(&writer, fuzz->nonce);
        send_frame(fuzz, &writer);
    }
    if (state_of(fuzz) == STATE_LOCKED) {
        send_ping(fuzz);
        writer_begin(&writer, TYPE_ARM, 0U);
        writer_u32(&writer, fuzz->nonce);
        writer_u32(&writer, cw_digest(fuzz->board));
        send_frame(fuzz, &writer);
    }
}

void play(struct fuzz *fuzz)
{
    uint32_t pick = take(fuzz, 3U);
    uint32_t now = cw_wire_tick(fuzz->board) + (uint32_t)(fuzz->tick - cw_tick(fuzz->board));
    uint8_t output = (uint8_t)(pick & 3U);
    uint8_t mask = (uint8_t)((pick >> 2) & 15U);
    uint32_t lease = ((pick & 0x40U) != 0U) ? 500000U : (take(fuzz, 2U) * 8U);
    uint32_t ahead = ((pick & 0x80U) != 0U) ? 0U : (take(fuzz, 2U) * 4U);
    struct writer writer;

    fuzz->number++;
    writer_begin(&writer, TYPE_VOICES, 0U);
    writer_u32(&writer, cw_session(fuzz->board));
    writer_u8(&writer, output);
    writer_u16(&writer, fuzz->number);
    writer_u8(&writer, (uint8_t)((pick >> 8) & 3U));
    writer_u32(&writer, now + ahead);
    writer_u32(&writer, now + lease);
    writer_u8(&writer, mask);
    for (uint8_t i = 0U; i < SLOTS; i++) {
        if (((mask >> i) & 1U) != 0U) {
            uint32_t how = take(fuzz, 4U);
            writer_u8(&writer, (uint8_t)(how & 3U));
            writer_u8(&writer, (uint8_t)((how >> 2) & 7U));
            writer_u8(&writer, (uint8_t)((how >> 5) & 0x9FU));
            writer_u8(&writer, (uint8_t)((how >> 12) & 0xFFU));
            writer_u16(&writer, (uint16_t)(((how >> 13) % 450U) + 1U));
            writer_u16(&writer, (uint16_t)((how >> 4) & 0xFU));
            writer_u32(&writer, 51000U + ((how & 0xFFFFU) * 16U));
        }
    }
    send_frame(fuzz, &writer);
    if ((lease <= 500000U) && (lease != 0U)) {
        fuzz->lease[output] = fuzz->tick + 500000U;
    }
}
