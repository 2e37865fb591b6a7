/* Time and what happens, for a board without hardware; see host.h. Not part of the firmware. */
#include "host.h"

#include <stdlib.h>

#include "../core/catalogue.h"
#include "board.h"

/* -- time --------------------------------------------------------------------------------------------- */

/* The board is at `tick`; its timers have done what lies before. */
static void be_at(struct cw_board *board, uint64_t tick)
{
    current_board = board;
    board->now = tick;
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        struct timer *timer = &board->timers[output];
        if ((tick != 0U) && (timer->time < (tick - 1U))) {
            timer->time = tick - 1U;
        }
    }
}

/* Much as a real port does: the output that runs dry first does not wait for its turn. */
static void poll_urgent(struct cw_board *board)
{
    uint32_t now = own_tick(board);
    uint32_t first = now + HORIZON_TICKS;
    uint8_t urgent;

    core_poll_timers(&board->core, now);
    urgent = core_urgent(&board->core, now, &first, 0U, OUTPUTS);
    if (urgent < OUTPUTS) {
        core_poll_output(&board->core, now, urgent);
    }
}

static void poll(struct cw_board *board, uint64_t tick)
{
    be_at(board, tick);
    if (board->lazy) {
        poll_urgent(board);
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
    current_board = board;
    if (tick > board->now) {
        run(board, tick - 1U);
    }
    be_at(board, tick);
    return true;
}

static void start(struct cw_board *board)
{
    struct trip_memory kept = board->memory;

    current_board = board;
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
    current_board = board;
    run(board, tick);
    be_at(board, tick);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        board->timers[output].time = tick; /* they need nobody to go on */
        timer_run(&board->timers[output], &board->log);
    }
    return true;
}
