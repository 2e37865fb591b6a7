/* How many cycles the core costs on an ATmega2560: run under simavr, prints and ends. Not firmware.
 *
 * The core runs in a made-up time of its own (100 us a round); what is measured with timer 1 is the
 * cycles of each call. Port functions are the least possible, and counted with it. Worst case of
 * music: 4 outputs x 4 trains, 1,900 pulses a second each, two extra duty windows, spread on one
 * train of each, a changed frame for each output every 9 ms.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdio.h>
#include <string.h>

#include "../core/bytes.h"
#include "../core/catalogue.h"
#include "../core/core.h"
#include "../core/obey.h"
#include "../core/port.h"
#include "../core/writer.h"

#define ROUND_TICKS 200U
#define ROUNDS 10000U /* one second */
#define LEVELS 0xF7U

struct cost {
    uint32_t total;
    uint16_t calls;
    uint16_t most;
};

static struct core core;
static struct board board;
static uint32_t now;
static uint32_t starts[OUTPUTS][DECISIONS];
static uint8_t line[OUTPUTS];
static uint8_t started[OUTPUTS];
static uint32_t nonce;

void port_remember(const struct trip_memory *memory) { (void)memory; }
void port_show_state(uint8_t state) { (void)state; }
uint16_t port_lead_ticks(void) { return 40U; }

bool port_send(const uint8_t *bytes, uint8_t count)
{
    static struct reader reader;
    static bool begun;

    if (!begun) {
        reader_start(&reader);
        begun = true;
    }
    if (count < 30U) { /* only what the bench needs */
        for (uint8_t i = 0U; i < count; i++) {
            if (reader_take(&reader, bytes[i]) && (reader.bytes[0] == TYPE_PONG)) {
                nonce = get_u32(&reader.bytes[14]);
            }
        }
    }
    return true;
}

bool port_offer(uint8_t output, uint32_t start, uint16_t on)
{
    (void)on;
    if (line[output] >= DECISIONS) {
        return false;
    }
    starts[output][line[output]] = start;
    line[output]++;
    return true;
}

uint8_t port_started(uint8_t output) { return started[output]; }

uint8_t port_withdraw(uint8_t output)
{
    line[output] = 0U;
    return started[output];
}

void port_dark(uint8_t output) { line[output] = 0U; }

static void timers(void)
{
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        while ((line[output] != 0U) && is_due(starts[output][0], now)) {
            started[output]++;
            line[output]--;
            for (uint8_t i = 0U; i < line[output]; i++) {
                starts[output][i] = starts[output][i + 1U];
            }
        }
    }
}

static void count(struct cost *cost, uint16_t cycles)
{
    cost->total += cycles;
    cost->calls++;
    if (cycles > cost->most) {
        cost->most = cycles;
    }
}

static uint16_t poll(void)
{
    uint16_t from = TCNT1;
    core_poll(&core, now);
    return (uint16_t)(TCNT1 - from);
}

static struct cost frames;
static struct cost frame_bytes;

static void send(struct writer *writer)
{
    uint16_t from;

    writer_end(writer);
    for (uint8_t i = 0U; i + 1U < writer->length; i += 8U) { /* as many as come in 160 us */
        uint8_t left = (uint8_t)(writer->length - 1U - i);
        from = TCNT1;
        core_bytes(&core, now, &writer->bytes[i], left < 8U ? left : 8U);
        count(&frame_bytes, (uint16_t)(TCNT1 - from));
    }
    from = TCNT1;
    core_bytes(&core, now, &writer->bytes[writer->length - 1U], 1U);
    count(&frames, (uint16_t)(TCNT1 - from));
}

static void put(char c, FILE *stream)
{
    (void)stream;
    while ((UCSR0A & (1U << UDRE0)) == 0U) {
    }
    UDR0 = (uint8_t)c;
}

static int put_char(char c, FILE *stream)
{
    put(c, stream);
    return 0;
}

static FILE console = FDEV_SETUP_STREAM(put_char, NULL, _FDEV_SETUP_WRITE);

static void say(const char *what, const struct cost *cost)
{
    (void)printf("%s: %u calls, mean %lu, most %u cycles\n", what, cost->calls,
                 cost->calls != 0U ? cost->total / cost->calls : 0U, cost->most);
}

static void arm(void)
{
    struct writer writer;

    now += 2000U;
    core_inputs(&core, now, LEVELS & (uint8_t)~3U);
    now += 2000U;
    core_inputs(&core, now, LEVELS);
    now += 200000U;
    (void)poll();
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        writer_begin(&writer, TYPE_LIMITS, 0U);
        writer_u8(&writer, output);
        writer_u16(&writer, 400U);
        writer_u16(&writer, 200U);
        writer_u16(&writer, 2000U);
        writer_u32(&writer, 240000U);
        writer_u16(&writer, 20U);
        writer_u32(&writer, 20000U);
        writer_u16(&writer, 100U);
        writer_u32(&writer, 60000U);
        send(&writer);
    }
    writer_begin(&writer, TYPE_PING, 0U);
    writer_u32(&writer, 0U);
    writer_u8(&writer, PING_WANTS_NONCE);
    send(&writer);
    writer_begin(&writer, TYPE_ARM, 0U);
    writer_u32(&writer, nonce);
    writer_u32(&writer, limits_digest(&core));
    send(&writer);
}

static void voices(uint8_t output, uint16_t number, uint8_t wiggle)
{
    struct writer writer;

    writer_begin(&writer, TYPE_VOICES, 0U);
    writer_u32(&writer, core.session);
    writer_u8(&writer, output);
    writer_u16(&writer, number);
    writer_u8(&writer, FLAG_IMMEDIATE);
    writer_u32(&writer, now);
    writer_u32(&writer, now + 400000U);
    writer_u8(&writer, 15U);
    for (uint8_t i = 0U; i < SLOTS; i++) {
        writer_u8(&writer, 1U);
        writer_u8(&writer, 0U);
        writer_u8(&writer, (i == 3U) ? 20U : 0U);
        writer_u8(&writer, (uint8_t)(i * 64U));
        writer_u16(&writer, (uint16_t)(50U + wiggle));
        writer_u16(&writer, 40U);
        writer_u32(&writer, 1077000U + (uint32_t)i * 3001U + (uint32_t)output * 511U + wiggle);
    }
    send(&writer);
}

int main(void)
{
    static const struct trip_memory kept;
    struct cost idle = {0U, 0U, 0U};
    struct cost playing = {0U, 0U, 0U};
    struct cost status = {0U, 0U, 0U};
    uint16_t number = 0U;
    uint16_t pulses = 0U;

    UCSR0B = 1U << TXEN0;
    TCCR1B = 1U << CS10;
    stdout = &console;
    board.checks = CHECKS_ALL;
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        board.ceilings[output].max_on = 0xFFFFU;
        board.ceilings[output].max_starts_1s = 0xFFFFU;
        board.ceilings[output].duty_1s = 0xFFFFFFFFU;
    }
    core_start(&core, &board, &kept, LEVELS, now);
    arm();
    memset(&frames, 0, sizeof(frames));
    memset(&frame_bytes, 0, sizeof(frame_bytes));
    for (uint8_t output = 0U; output < OUTPUTS; output++) { /* armed, and silent */
        (void)poll();
    }
    for (uint8_t i = 0U; i < 100U; i++) {
        now++;
        count(&idle, poll());
    }
    for (uint16_t round = 0U; round < ROUNDS; round++) {
        now += ROUND_TICKS;
        timers();
        if ((round % 90U) < OUTPUTS) {
            voices((uint8_t)(round % 90U), ++number, (uint8_t)((round / 90U) & 1U));
        }
        if (is_due(core.next_status, now)) {
            count(&status, poll());
        } else {
            count(&playing, poll());
        }
    }
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        const struct coil *coil = &core.coils[output];
        pulses = (uint16_t)(pulses + coil->pulses);
        (void)printf("output %u: %u pulses, %u dropped, %u refused\n", output, coil->pulses,
                     coil->collisions_dropped, coil->guard_refusals);
    }
    (void)printf("state %u cause %u\n", core.permission.memory.state, core.permission.memory.cause);
    say("armed and silent, a poll", &idle);
    say("playing, a poll", &playing);
    say("a poll with a status", &status);
    say("a frame's last byte", &frames);
    say("8 bytes within a frame", &frame_bytes);
    (void)printf("a pulse, polls without their idle part: %lu cycles\n",
                 (playing.total - (uint32_t)playing.calls * (idle.total / idle.calls)) / pulses);
    (void)printf("in all: %lu of 16000000 cycles\n",
                 playing.total + status.total + frames.total + frame_bytes.total);
    cli();
    sleep_enable();
    sleep_cpu(); /* ends simavr */
    return 0;
}
