/* What must hold of everything that a board sends and fires; see fuzz.c. */
#include <stdio.h>
#include <stdlib.h>

#include "../core/bytes.h"
#include "../core/catalogue.h"
#include "../core/reader.h"
#include "fuzz.h"

#define MOST_PULSES 65536U

struct seen_pulse {
    uint64_t start;
    uint32_t on;
};

struct seen {
    struct seen_pulse pulses[OUTPUTS][MOST_PULSES];
    size_t count[OUTPUTS];
    size_t window_first[OUTPUTS]; /* oldest pulse of the newest second */
};

static struct seen seen;

void check(bool holds, const char *what)
{
    if (!holds) {
        (void)fprintf(stderr, "broken: %s\n", what);
        abort();
    }
}

uint8_t state_of(const struct fuzz *fuzz)
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

void look(struct fuzz *fuzz)
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

void forget_pulses(void)
{
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        seen.count[output] = 0U;
        seen.window_first[output] = 0U;
    }
}
