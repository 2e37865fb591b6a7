/* What came of it, for a board without hardware; see host.h. Not part of the firmware. */
#include <string.h>

#include "../core/obey.h"
#include "board.h"
#include "host.h"

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

uint8_t cw_urgent(struct cw_board *board, uint8_t from, uint8_t but)
{
    uint32_t first = own_tick(board) + HORIZON_TICKS;

    current_board = board;
    return core_urgent(&board->core, own_tick(board), &first, from, but);
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
