/* A port without hardware; see host.h. Not part of the firmware: it may allocate. */
#include "host.h"

#include <stdlib.h>
#include <string.h>

#include "../core/catalogue.h"
#include "../core/obey.h"
#include "../core/port.h"
#include "timers.h"

#define FRAME_ROOM 130U

struct sent_frame {
    uint64_t tick;
    uint8_t length;
    uint8_t bytes[FRAME_ROOM];
};

struct cw_board {
    struct core core;
    struct board board;
    struct trip_memory memory;
    struct timer timers[OUTPUTS];
    struct pulse_log log;
    struct sent_frame *sent;
    size_t sent_count;
    size_t sent_taken;
    size_t sent_room;
    uint64_t now;
    uint64_t origin; /* the extended tick at which the board's own is 0 */
    uint64_t next_poll;
    uint32_t poll_every;
    uint8_t levels;
    uint8_t lead;
    uint8_t shown_state;
    bool mismatch;
    bool line_low;
    bool lazy;
    bool full;
};

static struct cw_board *current; /* whose core is running */

/* -- the port's side of port.h --------------------------------------------------------------------- */

static uint64_t extended(const struct cw_board *board, uint32_t tick)
{
    uint32_t ahead = tick - (uint32_t)(board->now - board->origin);

    if (ahead < HALF_RANGE) {
        return board->now + ahead;
    }
    return board->now - (UINT32_MAX - ahead) - 1U;
}

void port_remember(const struct trip_memory *memory)
{
    current->memory = *memory;
}

bool port_send(const uint8_t *bytes, uint8_t count)
{
    struct cw_board *board = current;
    struct sent_frame *frame;

    if (board->full || (count > FRAME_ROOM)) {
        return false;
    }
    if (board->sent_count == board->sent_room) {
        size_t room = (board->sent_room == 0U) ? 64U : (2U * board->sent_room);
        struct sent_frame *sent = realloc(board->sent, room * sizeof(*sent));
        if (sent == NULL) {
            abort();
        }
        board->sent = sent;
        board->sent_room = room;
    }
    frame = &board->sent[board->sent_count];
    frame->tick = board->now;
    frame->length = count;
    (void)memcpy(frame->bytes, bytes, count);
    board->sent_count++;
    return true;
}

uint16_t port_lead_ticks(void)
{
    return current->lead;
}

bool port_offer(uint8_t output, uint32_t start, uint16_t on)
{
    struct timer *timer = &current->timers[output];

    timer_run(timer, &current->log);
    return timer_offer(timer, extended(current, start), on);
}

uint8_t port_started(uint8_t output)
{
    timer_run(&current->timers[output], &current->log);
    return current->timers[output].started;
}

uint8_t port_withdraw(uint8_t output)
{
    timer_run(&current->timers[output], &current->log);
    return timer_withdraw(&current->timers[output], current->now + current->lead);
}

void port_dark(uint8_t output)
{
    timer_dark(&current->timers[output], current->now, &current->log);
}

void port_show_state(uint8_t state)
{
    current->shown_state = state;
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        current->timers[output].permitted = state == STATE_ARMED;
    }
}

/* -- time --------------------------------------------------------------------------------------------- */

static uint32_t own_tick(const struct cw_board *board)
{
    return (uint32_t)(board->now - board->origin);
}

/* The board is at `tick`; its timers have done what lies before. */
static void be_at(struct cw_board *board, uint64_t tick)
{
    current = board;
    board->now = tick;
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        struct timer *timer = &board->timers[output];
        if ((tick != 0U) && (timer->time < (tick - 1U))) {
            timer->time = tick - 1U;
        }
    }
}

static void poll(struct cw_board *board, uint64_t tick)
{
    be_at(board, tick);
    if (board->lazy) { /* as a real port does */
        core_poll(&board->core, own_tick(board));
    } else { /* at one tick, what an output fires comes after all timers, and after lower outputs */
        core_poll_timers(&board->core, own_tick(board));
        for (uint8_t output = 0U; output < OUTPUTS; output++) {
            board->timers[output].time = tick;
            core_poll_output(&board->core, own_tick(board), output);
        }
        core_poll_status(&board->core, own_tick(board));
    }
    if (board->poll_every != 0U) {
        board->next_poll = tick + board->poll_every;
    }
}

/* Everything up to and including `limit`. */
static void run(struct cw_board *board, uint64_t limit)
{
    for (;;) {
        uint64_t next = board->next_poll;
        if (!board->lazy) {
            uint64_t event = extended(board, core_next_tick(&board->core));
            next = (event < next) ? event : next;
        }
        if (next > limit) {
            break;
        }
        poll(board, (next < board->now) ? board->now : next);
    }
}

static bool enter(struct cw_board *board, uint64_t tick)
{
    if (tick < board->now) {
        return false;
    }
    current = board;
    if (tick > board->now) {
        run(board, tick - 1U);
    }
    be_at(board, tick);
    return true;
}

static void start(struct cw_board *board)
{
    struct trip_memory kept = board->memory;

    current = board;
    core_start(&board->core, &board->board, &kept, board->levels, own_tick(board));
    if (board->mismatch) { /* what the port would find and say at once */
        core_pin_mismatch(&board->core, own_tick(board), true);
    }
    board->core.inputs.line_low = board->line_low;
}

/* -- what happens ---------------------------------------------------------------------------------- */

struct cw_board *cw_new(const struct board *board, const struct trip_memory *kept, uint8_t levels,
                        uint64_t first_tick)
{
    struct cw_board *made = calloc(1U, sizeof(*made));

    if (made != NULL) {
        made->board = *board;
        made->memory = *kept;
        made->levels = levels;
        made->now = first_tick;
        made->next_poll = UINT64_MAX;
        for (uint8_t output = 0U; output < OUTPUTS; output++) {
            made->timers[output].output = output;
            made->timers[output].line_room = DECISIONS;
        }
        be_at(made, first_tick);
        start(made);
    }
    return made;
}

void cw_free(struct cw_board *board)
{
    if (board != NULL) {
        free(board->log.pulses);
        free(board->log.outputs);
        free(board->sent);
        free(board);
    }
}

void cw_port(struct cw_board *board, uint32_t poll_every, bool lazy, uint8_t lead)
{
    board->poll_every = poll_every;
    board->lazy = lazy;
    board->lead = lead;
    board->next_poll = (poll_every != 0U) ? (board->now + poll_every) : UINT64_MAX;
}

void cw_line_room(struct cw_board *board, uint8_t room)
{
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        board->timers[output].line_room = room;
    }
}

void cw_outgoing_full(struct cw_board *board, bool full)
{
    board->full = full;
}

bool cw_bytes(struct cw_board *board, uint64_t tick, const uint8_t *bytes, size_t count)
{
    if (!enter(board, tick)) {
        return false;
    }
    board->line_low = false;
    for (size_t i = 0U; i < count; i++) {
        core_bytes(&board->core, own_tick(board), &bytes[i], 1U);
    }
    return true;
}

bool cw_line_error(struct cw_board *board, uint64_t tick)
{
    if (!enter(board, tick)) {
        return false;
    }
    core_line_error(&board->core, own_tick(board));
    return true;
}

bool cw_line_break(struct cw_board *board, uint64_t tick)
{
    if (!enter(board, tick)) {
        return false;
    }
    board->line_low = true;
    core_line_break(&board->core, own_tick(board));
    return true;
}

bool cw_line_idle(struct cw_board *board, uint64_t tick)
{
    if (!enter(board, tick)) {
        return false;
    }
    board->line_low = false;
    core_line_idle(&board->core, own_tick(board));
    return true;
}

bool cw_inputs(struct cw_board *board, uint64_t tick, uint8_t levels)
{
    if (!enter(board, tick)) {
        return false;
    }
    board->levels = levels;
    core_inputs(&board->core, own_tick(board), levels);
    return true;
}

bool cw_pin_mismatch(struct cw_board *board, uint64_t tick, bool mismatch)
{
    if (!enter(board, tick)) {
        return false;
    }
    board->mismatch = mismatch;
    core_pin_mismatch(&board->core, own_tick(board), mismatch);
    return true;
}

bool cw_fault(struct cw_board *board, uint64_t tick)
{
    if (!enter(board, tick)) {
        return false;
    }
    core_fault(&board->core, own_tick(board));
    return true;
}

bool cw_reset(struct cw_board *board, uint64_t tick, uint8_t reset_cause)
{
    if (!enter(board, tick)) {
        return false;
    }
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        timer_dark(&board->timers[output], tick, &board->log); /* pins float, pull-downs hold */
    }
    board->origin = tick;
    board->board.reset_cause = reset_cause;
    start(board);
    return true;
}

bool cw_advance(struct cw_board *board, uint64_t tick)
{
    if (tick < board->now) {
        return false;
    }
    current = board;
    run(board, tick);
    be_at(board, tick);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        board->timers[output].time = tick; /* they need nobody to go on */
        timer_run(&board->timers[output], &board->log);
    }
    return true;
}

/* -- what came of it -------------------------------------------------------------------------------- */

size_t cw_take_frame(struct cw_board *board, uint64_t *tick, uint8_t *bytes)
{
    const struct sent_frame *frame;

    if (board->sent_taken == board->sent_count) {
        board->sent_taken = 0U;
        board->sent_count = 0U;
        return 0U;
    }
    frame = &board->sent[board->sent_taken];
    board->sent_taken++;
    *tick = frame->tick;
    (void)memcpy(bytes, frame->bytes, frame->length);
    return frame->length;
}

int cw_take_pulse(struct cw_board *board, uint64_t *start_tick, uint32_t *on)
{
    struct pulse_log *log = &board->log;
    int output;

    if (log->taken == log->count) {
        log->taken = 0U;
        log->count = 0U;
        for (uint8_t i = 0U; i < OUTPUTS; i++) {
            struct timer *timer = &board->timers[i];
            if (timer->is_lit && ((timer->lit.start + timer->lit.on) <= board->now)) {
                log_pulse(log, i, timer->lit.start, timer->lit.on);
                timer->is_lit = false;
            }
        }
    }
    if (log->taken == log->count) {
        return -1;
    }
    *start_tick = log->pulses[log->taken].start;
    *on = log->pulses[log->taken].on;
    output = log->outputs[log->taken];
    log->taken++;
    return output;
}

uint64_t cw_tick(const struct cw_board *board)
{
    return board->now;
}

uint32_t cw_wire_tick(const struct cw_board *board)
{
    return own_tick(board);
}

uint32_t cw_session(const struct cw_board *board)
{
    return board->core.session;
}

uint32_t cw_digest(const struct cw_board *board)
{
    return limits_digest(&board->core);
}

struct trip_memory cw_memory(const struct cw_board *board)
{
    return board->memory;
}

bool cw_is_lit(const struct cw_board *board, uint8_t output)
{
    const struct timer *timer = &board->timers[output];

    return timer->is_lit && (board->now < (timer->lit.start + timer->lit.on));
}

uint8_t cw_shown_state(const struct cw_board *board)
{
    return board->shown_state;
}

uint32_t cw_broken_offers(const struct cw_board *board)
{
    uint32_t broken = 0U;

    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        broken += board->timers[output].broken_offers + board->timers[output].unpermitted;
    }
    return broken;
}
