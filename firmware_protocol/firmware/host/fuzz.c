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
#include <stdlib.h>
#include <string.h>

#include "../core/catalogue.h"
#include "../core/reader.h"
#include "fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

uint32_t take(struct fuzz *fuzz, uint8_t bytes)
{
    uint32_t value = 0U;

    for (uint8_t i = 0U; (i < bytes) && (fuzz->left != 0U); i++) {
        value = (value << 8) | *fuzz->data;
        fuzz->data++;
        fuzz->left--;
    }
    return value;
}

static void restart(struct fuzz *fuzz, uint8_t cause)
{
    (void)cw_reset(fuzz->board, fuzz->tick, cause);
    look(fuzz);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        fuzz->has_limits[output] = false;
    }
    forget_pulses();
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
    forget_pulses();
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
