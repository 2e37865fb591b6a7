/* The ATmega2560's main program: the start, and the round of the main loop.
 *
 * A turn: inputs, received bytes, time, the work of the output that runs dry first, then that of the turn's own,
 * status, memory, a look at the timers of it and of another, signs of life. So a stop waits for no more than
 * one output's work, and the watchdog is never far from its kick. A round is a turn of each output. Everything
 * the core does happens here; interrupts only do what timers.h, levels.h, uart.h and ticks.h say.
 */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "../core/catalogue.h"
#include "../core/core.h"
#include "alive.h"
#include "checks.h"
#include "commission.h"
#include "levels.h"
#include "memory.h"
#include "pins.h"
#include "reset.h"
#include "ticks.h"
#include "timers.h"
#include "uart.h"

#define MOST_PIECES 6U
#define FEW_BYTES 16U       /* fewer wait for the next look, */
#define MANY_BYTES 48U      /* and after a frame that may want to sound now, fewer than these */
#define MOST_BYTES_TICKS 8000U /* 4 ms of a turn */
#define ROUND_TICKS 2000U /* 1 ms: so long a round of the main loop takes where little plays */

static struct core core;
static uint8_t last_levels;
static uint8_t disagreeing; /* bit n: the pin of output n */
static uint8_t unsound;     /* bit n: output n at its last check */
extern volatile uint16_t main_rounds;
volatile uint16_t main_rounds; /* of the main loop: what is left of the processor, for the bench */
static uint16_t bytes_ticks; /* that received bytes took of this turn */

static void look_at_inputs(void)
{
    uint8_t opened = timers_halted() & (uint8_t)~HALT_STOP;
    uint8_t levels = levels_read();

    if ((opened != 0U) || (levels != last_levels)) {
        uint32_t now = ticks_now();
        if (opened != 0U) { /* perhaps closed again already */
            core_inputs(&core, now, (uint8_t)(levels & (uint8_t)~opened));
            timers_release(opened);
        }
        core_inputs(&core, now, levels);
        last_levels = levels;
    }
}

/* Between any two pieces of work: the pump of WIRING.md wants no long pauses. */
static void keep_enable(void)
{
    if (timers_halted() == 0U) {
        alive_turn();
    }
}

/* A stop frame made everything dark when it was received, and its turn has come: it has tripped. If it has
 * not, receiver and reader do not agree on what it was. `all`: nothing that was received is left. */
static void release_stopped(bool all)
{
    if (all || (permission_state(&core.permission) == STATE_TRIPPED)) {
        if (permission_may_fire(&core.permission)) {
            core_fault(&core, ticks_now());
        }
        timers_release(HALT_STOP);
    }
}

static void look_at_break(void)
{
    uint8_t state = uart_watch_break();

    if (state == LINE_BREAK) {
        core_line_break(&core, ticks_now());
    } else if (state == LINE_IDLE) {
        core_line_idle(&core, ticks_now());
    } else {
        /* as it was */
    }
}

/* Is there a frame that may want to sound now? */
static bool is_fresh(void)
{
    bool found = false;

    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        found = found || core.coils[output].stirred;
    }
    return found && permission_may_fire(&core.permission); /* else nobody works on them */
}

/* What has been received by now, as a bounded number of pieces. What comes meanwhile is for the next look: few
 * bytes at a time would cost more than the line brings them, and a frame that may want to sound now is not kept
 * waiting by the next. Only where a stop waits for its turn, all. And in a bounded time, so that a full line
 * starves nobody, not even where its frames take longer to obey than to receive. */
static void look_at_bytes(void)
{
    const uint8_t *bytes;
    uint8_t count;
    bool was_stopped = (timers_halted() & HALT_STOP) != 0U;
    bool all = false;
    bool more = true;

    for (uint8_t i = 0U; more && (i < MOST_PIECES) && (bytes_ticks < MOST_BYTES_TICKS); i++) {
        uint8_t event = uart_take(&bytes, &count);
        if (event == LINE_BYTES) {
            uint32_t now = ticks_now();
            core_bytes(&core, now, bytes, count);
            keep_enable();
            look_at_break(); /* a stop that waits for no bytes */
            bytes_ticks += (uint16_t)(ticks_now() - now);
            more = was_stopped || (uart_waiting() >= (is_fresh() ? MANY_BYTES : FEW_BYTES));
        } else if (event == LINE_ERROR) {
            core_line_error(&core, ticks_now());
        } else {
            all = true;
            more = false;
        }
    }
    if (was_stopped) {
        release_stopped(all);
    }
}

static void look_at_line(void)
{
    look_at_bytes();
    look_at_break();
}

static bool look_at_output(uint8_t output)
{
    bool right = timers_check(output);
    bool disagrees = timers_pin_disagrees(output);
    uint8_t bit = (uint8_t)(1U << output);

    if (timers_take_fault()) {
        right = false;
        core_fault(&core, ticks_now());
    }
    /* An e-stop input that opened has stopped timers in mid-pulse: not judged until that was told. */
    /* cppcheck-suppress misra-c2012-10.4 ; both sides are bool */
    if ((timers_halted() == 0U) && (disagrees != ((disagreeing & bit) != 0U))) {
        disagreeing ^= bit;
        core_pin_mismatch(&core, ticks_now(), disagreeing != 0U);
    }
    return right;
}

static void work_on(uint8_t output)
{
    uint32_t now = ticks_now();

    core_poll_timers(&core, now); /* the output's work reckons from the tick given here */
    timers_working_since(now);
    core_poll_output(&core, now, output);
    keep_enable();
}

/* The output that runs dry first, before `within` ticks have passed: a frame that applies now ought to sound now,
 * and one whose pulses come thick needs the processor more often than one whose pulses are far apart. Of those
 * that are dry, one after another. Returns in how many ticks it would have been; `within` if there is none. */
static uint16_t work_on_urgent(uint8_t but, uint16_t within)
{
    static uint8_t after;
    uint32_t now = ticks_now();
    uint32_t first = now + within;
    uint8_t urgent = core_urgent(&core, now, &first, after, but);

    if (urgent >= OUTPUTS) {
        return within;
    }
    after = (uint8_t)(urgent + 1U);
    work_on(urgent);
    return is_before(first, now) ? 0U : (uint16_t)(first - now);
}

/* Has it work, and is as good as dry? */
static bool is_dry(uint8_t output)
{
    uint32_t now = ticks_now();
    const struct coil *coil = &core.coils[output];

    return permission_may_fire(&core.permission) && coil_has_work(coil, now) &&
           is_before(coil_decided_until(coil, now), now + ROUND_TICKS);
}

/* An urgent one, and the turn's own: that it has one in each round keeps those that are asked for too much from
 * starving the others, and what is done together costs less. Where frames for all outputs have come, it leaves
 * its turn to one that is dry. */
static void work(uint8_t turn_of)
{
    bool was_dry = work_on_urgent(turn_of, HORIZON_TICKS) < ROUND_TICKS;

    look_at_inputs();
    look_at_line();
    if (!was_dry || is_dry(turn_of) || (work_on_urgent(turn_of, ROUND_TICKS) >= ROUND_TICKS)) {
        work_on(turn_of);
    }
}

/* A status takes 0.7 ms: one turn long it waits for the pulses of a frame that came just now. */
static void tell_in_turn(void)
{
    static bool has_waited;

    has_waited = is_fresh() && !has_waited;
    if (!has_waited) {
        core_poll_status(&core, ticks_now());
    }
}

static void check(uint8_t output)
{
    uint8_t bit = (uint8_t)(1U << output);

    unsound &= (uint8_t)~bit;
    if (!look_at_output(output)) {
        unsound |= bit;
    }
}

static void turn(uint8_t output)
{
    bool sound;

    bytes_ticks = 0U;
    look_at_inputs();
    look_at_line();
    work(output);
    look_at_bytes();
    tell_in_turn();
    memory_step();
    check(output);
    check(output ^ (OUTPUTS / 2U)); /* so each twice a round: a pulse is shorter */
    sound = (unsound == 0U) && stack_is_whole() && ((SREG & (1U << SREG_I)) != 0U);
    alive_allow(sound && (disagreeing == 0U) && (timers_halted() == 0U));
    alive_turn();
    if (sound) {
        alive_kick();
    }
}

/* Its variables are gone from the stack afterwards. */
__attribute__((noinline)) static void start(void)
{
    static struct board board; /* the core keeps its place */
    struct trip_memory kept;
    struct commissioned commissioned;

    PANEL_DDR = PANEL_OUTPUTS; /* low: beacon, horn and ENABLE off */
    if (commission_is_wanted()) {
        commission_serve(&core.reader); /* the core has not begun, so nobody else reads */
    }
    timers_start();
    board.build = CW_BUILD;
    board.reset_cause = why_reset();
    checks_run(&board);
    (void)memory_commissioned(&commissioned); /* if not: ceilings of 0, so no limits can be set */
    board.board_id = commissioned.board_id;
    board.horn_ms = commissioned.horn_ms;
    for (uint8_t i = 0U; i < OUTPUTS; i++) {
        board.ceilings[i] = commissioned.ceilings[i];
    }
    alive_wait();
    memory_start(&kept);
    alive_wait();
    levels_start(commissioned.unused_ready);
    ticks_start();
    uart_start();
    last_levels = levels_read();
    core_start(&core, &board, &kept, last_levels, ticks_now());
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        check(output); /* before any byte can come */
    }
    alive_wait();
    sei();
}

int main(void)
{
    start();
    for (;;) {
        for (uint8_t output = 0U; output < OUTPUTS; output++) {
            turn(output);
        }
        main_rounds++;
    }
}
