/* A libFuzzer program: bytes, time, inputs and resets of every kind into one board, and what must hold
 * whatever they were. It trusts nothing of the core: limits are taken from what was asked, as far as
 * the board confirmed it (limits set), permission from what the board remembers.
 *
 *   no pulse longer than max_on, none closer than min_off, no more starts in any half-open second and
 *   no more light in any second than allowed, in true sliding windows; none begun, and none still lit,
 *   while not armed; none on an output without limits; none after a lease was due; every frame sent is
 *   well-formed; the reader never holds more than one frame. Broken: abort.
 *
 * The input is a list of operations, each a byte that says which and the bytes it takes. A stream that
 * knows nothing of nonces and digests would never arm, so some operations are a knowing host's.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../core/bytes.h"
#include "../core/catalogue.h"
#include "../core/reader.h"
#include "../core/writer.h"
#include "host.h"

#define SECOND UINT64_C(2000000)
#define MOST_PULSES 65536U
#define LEVELS 0xF7U /* everything closed, on, ready */

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

struct seen_pulse {
    uint64_t start;
    uint32_t on;
};

struct seen {
    struct seen_pulse pulses[OUTPUTS][MOST_PULSES];
    size_t count[OUTPUTS];
    size_t window_first[OUTPUTS]; /* oldest pulse of the newest second */
};

struct fuzz {
    struct cw_board *board;
    const uint8_t *data;
    size_t left;
    uint64_t tick;
    uint64_t lease[OUTPUTS]; /* the longest that it can last; 0: none */
    struct limits limits[OUTPUTS];
    bool has_limits[OUTPUTS];
    uint32_t nonce;
    uint16_t number;
    uint16_t late; /* the port may poll so much late */
};

static struct seen seen;

static void check(bool holds, const char *what)
{
    if (!holds) {
        (void)fprintf(stderr, "broken: %s\n", what);
        abort();
    }
}

static uint32_t take(struct fuzz *fuzz, uint8_t bytes)
{
    uint32_t value = 0U;

    for (uint8_t i = 0U; (i < bytes) && (fuzz->left != 0U); i++) {
        value = (value << 8) | *fuzz->data;
        fuzz->data++;
        fuzz->left--;
    }
    return value;
}

static uint8_t state_of(const struct fuzz *fuzz)
{
    return cw_memory(fuzz->board).state;
}

/* Light of pulse `index` inside the second that ends at `end`. */
static uint64_t light_before(const struct seen_pulse *pulse, uint64_t end)
{
    uint64_t from = (end > SECOND) ? (end - SECOND) : 0U;
    uint64_t begins = (pulse->start > from) ? pulse->start : from;
    uint64_t stops = pulse->start + pulse->on;

    return (stops > begins) ? (stops - begins) : 0U;
}

static void check_pulse(struct fuzz *fuzz, uint8_t output, uint64_t start, uint32_t on)
{
    const struct ceilings *most = &fuzz->limits[output].most;
    size_t count = seen.count[output];
    size_t first = seen.window_first[output];
    struct seen_pulse *pulses = seen.pulses[output];
    uint64_t light = 0U;

    check(fuzz->has_limits[output], "a pulse without limits");
    check(start < fuzz->lease[output], "after the lease");
    check((on >= 1U) && (on <= most->max_on) && (on <= CEILING_MAX_ON), "too long");
    if (count != 0U) {
        const struct seen_pulse *last = &pulses[count - 1U];
        check(start >= (last->start + last->on + most->min_off), "too close");
    }
    check(count < MOST_PULSES, "more pulses than the fuzzer can hold");
    pulses[count].start = start;
    pulses[count].on = on;
    count++;
    while ((pulses[first].start + pulses[first].on + SECOND) <= (start + on)) {
        first++;
    }
    for (size_t i = first; i < count; i++) {
        light += light_before(&pulses[i], start + on);
    }
    check(light <= most->duty_1s, "too much light in a second");
    while ((pulses[first].start + SECOND) <= start) {
        first++;
    }
    check((count - first) <= most->max_starts_1s, "too many starts in a second");
    seen.count[output] = count;
    /* the light of a pulse that began before this second may still reach into the next check */
    seen.window_first[output] = (first != 0U) ? (first - 1U) : 0U;
}

/* What was sent since the last time: well-formed, and what it tells. */
static void read_frames(struct fuzz *fuzz)
{
    struct reader reader;
    uint8_t bytes[130];
    uint64_t tick;
    size_t length;

    reader_start(&reader);
    while ((length = cw_take_frame(fuzz->board, &tick, bytes)) != 0U) {
        bool whole = false;
        check(reader_take(&reader, bytes, (uint8_t)length, &whole) == length, "bytes after a frame");
        check(whole && (reader.bad_frames == 0U), "a bad frame was sent");
        if (reader.bytes[0] == TYPE_PONG) {
            fuzz->nonce = get_u32(&reader.bytes[14]);
        } else if ((reader.bytes[0] == TYPE_LIMITS_SET) && (reader.bytes[2] < OUTPUTS)) {
            limits_parse(&fuzz->limits[reader.bytes[2]], &reader.bytes[2]);
            fuzz->has_limits[reader.bytes[2]] = true;
        } else if (reader.bytes[0] == TYPE_ARMED) {
            for (uint8_t output = 0U; output < OUTPUTS; output++) {
                fuzz->lease[output] = tick + (SECOND / 4U);
            }
        } else {
            /* nothing to learn */
        }
    }
}

static void look(struct fuzz *fuzz)
{
    uint64_t start = 0U;
    uint32_t on = 0U;
    int output;

    read_frames(fuzz);
    while ((output = cw_take_pulse(fuzz->board, &start, &on)) >= 0) {
        check_pulse(fuzz, (uint8_t)output, start, on);
    }
    for (uint8_t i = 0U; i < OUTPUTS; i++) {
        check(!cw_is_lit(fuzz->board, i) || (state_of(fuzz) == STATE_ARMED), "lit while not armed");
        if ((fuzz->tick > (fuzz->lease[i] + fuzz->late)) && fuzz->has_limits[i]) {
            check(state_of(fuzz) != STATE_ARMED, "armed after a lease had passed");
        }
    }
    check(cw_broken_offers(fuzz->board) == 0U, "a pulse that no timer could keep");
}

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

static void send_limits(struct fuzz *fuzz)
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

static void prove(struct fuzz *fuzz)
{
    (void)cw_inputs(fuzz->board, fuzz->tick, LEVELS & (uint8_t)~3U);
    fuzz->tick += 2000U;
    (void)cw_inputs(fuzz->board, fuzz->tick, LEVELS);
    fuzz->tick += 200000U;
    (void)cw_advance(fuzz->board, fuzz->tick);
    look(fuzz);
}

/* From wherever it is, as far toward armed as the board lets it. */
static void arm(struct fuzz *fuzz)
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

static void play(struct fuzz *fuzz)
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

static void restart(struct fuzz *fuzz, uint8_t cause)
{
    (void)cw_reset(fuzz->board, fuzz->tick, cause);
    look(fuzz);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        fuzz->has_limits[output] = false;
        seen.count[output] = 0U; /* sums do not outlive a start of the program */
        seen.window_first[output] = 0U;
    }
}

static void operate(struct fuzz *fuzz)
{
    uint8_t what = (uint8_t)take(fuzz, 1U);
    uint8_t bytes[32];
    uint8_t count;

    switch (what & 15U) {
    case 0U:
        count = (uint8_t)(take(fuzz, 1U) & 31U);
        for (uint8_t i = 0U; i < count; i++) {
            bytes[i] = (uint8_t)take(fuzz, 1U);
        }
        (void)cw_bytes(fuzz->board, fuzz->tick, bytes, count);
        break;
    case 1U:
        (void)cw_inputs(fuzz->board, fuzz->tick, (uint8_t)take(fuzz, 1U));
        break;
    case 2U:
        (void)cw_line_error(fuzz->board, fuzz->tick);
        break;
    case 3U:
        (void)cw_line_break(fuzz->board, fuzz->tick);
        break;
    case 4U:
        restart(fuzz, (uint8_t)(take(fuzz, 1U) & 3U));
        break;
    case 5U:
        (void)cw_pin_mismatch(fuzz->board, fuzz->tick, (what & 16U) != 0U);
        break;
    case 6U:
        prove(fuzz);
        break;
    case 7U:
        send_limits(fuzz);
        break;
    case 8U:
    case 9U:
        arm(fuzz);
        break;
    case 10U:
    case 11U:
    case 12U:
        play(fuzz);
        break;
    case 13U:
        fuzz->tick += take(fuzz, 2U);
        (void)cw_advance(fuzz->board, fuzz->tick);
        break;
    case 14U:
        fuzz->tick += take(fuzz, 1U);
        break;
    default:
        fuzz->tick += take(fuzz, 2U) * 4U;
        (void)cw_advance(fuzz->board, fuzz->tick);
        break;
    }
    look(fuzz);
}

/* All of the input to a reader by itself, at the end of memory of its own: a byte past its frame is seen. */
static int read_alone(const uint8_t *data, size_t size)
{
    struct reader *reader = malloc(sizeof(*reader));

    if (reader != NULL) {
        reader_start(reader);
        while (size != 0U) {
            bool whole = false;
            uint8_t piece = (uint8_t)((size > 61U) ? 61U : size);
            uint8_t taken = reader_take(reader, data, piece, &whole);
            check((taken != 0U) && (taken <= piece), "the reader stands still");
            check(reader->count <= FRAME_MAX, "the reader holds more than a frame");
            check(!whole || ((reader->length >= FRAME_MIN) && (reader->length <= FRAME_MAX)), "a frame of no length");
            data += taken;
            size -= taken;
        }
        free(reader);
    }
    return 0;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const struct trip_memory nothing = {0U, 0U, 0U, 0U};
    struct board board;
    struct fuzz fuzz;
    uint8_t how;

    if ((size != 0U) && ((data[0] & 0x80U) != 0U)) {
        return read_alone(&data[1], size - 1U);
    }
    (void)memset(&board, 0, sizeof(board));
    (void)memset(&fuzz, 0, sizeof(fuzz));
    (void)memset(seen.count, 0, sizeof(seen.count));
    (void)memset(seen.window_first, 0, sizeof(seen.window_first));
    board.checks = CHECKS_ALL;
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        board.ceilings[output].max_on = 0xFFFFU; /* looser than compiled: must not count */
        board.ceilings[output].max_starts_1s = 0xFFFFU;
        board.ceilings[output].duty_1s = 0xFFFFFFFFU;
    }
    fuzz.data = data;
    fuzz.left = size;
    how = (uint8_t)take(&fuzz, 1U);
    board.horn_ms = ((how & 1U) != 0U) ? 3U : 0U;
    fuzz.tick = ((how & 2U) != 0U) ? (UINT64_C(0x100000000) - 400000U) : 0U;
    fuzz.board = cw_new(&board, &nothing, LEVELS, fuzz.tick);
    if (fuzz.board == NULL) {
        return 0;
    }
    if ((how & 4U) != 0U) {
        cw_port(fuzz.board, 500U, (how & 8U) != 0U, ((how & 8U) != 0U) ? 40U : 0U);
        fuzz.late = 500U;
    }
    while (fuzz.left != 0U) {
        operate(&fuzz);
    }
    fuzz.tick += SECOND;
    (void)cw_advance(fuzz.board, fuzz.tick);
    look(&fuzz);
    check(state_of(&fuzz) != STATE_ARMED, "armed a second after the last frame");
    cw_free(fuzz.board);
    return 0;
}
