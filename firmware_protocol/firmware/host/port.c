/* The port's side of core/port.h, without hardware; see host.h. It may allocate. */
#include "../core/port.h"

#include <stdlib.h>
#include <string.h>

#include "../core/catalogue.h"
#include "board.h"
#include "host.h"

struct cw_board *current_board;

uint64_t extended(const struct cw_board *board, uint32_t tick)
{
    uint32_t ahead = tick - (uint32_t)(board->now - board->origin);

    if (ahead < HALF_RANGE) {
        return board->now + ahead;
    }
    return board->now - (UINT32_MAX - ahead) - 1U;
}

void port_remember(const struct trip_memory *memory)
{
    current_board->memory = *memory;
}

bool port_send(const uint8_t *bytes, uint8_t count)
{
    struct cw_board *board = current_board;
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
    return current_board->lead;
}

bool port_offer(uint8_t output, uint32_t start, uint16_t on)
{
    struct timer *timer = &current_board->timers[output];

    timer_run(timer, &current_board->log);
    return timer_offer(timer, extended(current_board, start), on);
}

uint8_t port_started(uint8_t output)
{
    timer_run(&current_board->timers[output], &current_board->log);
    return current_board->timers[output].started;
}

uint8_t port_withdraw(uint8_t output, uint32_t from)
{
    uint64_t nearest = current_board->now + current_board->lead;
    uint64_t first = extended(current_board, from);

    timer_run(&current_board->timers[output], &current_board->log);
    return timer_withdraw(&current_board->timers[output], (first > nearest) ? first : nearest);
}

void port_dark(uint8_t output)
{
    timer_dark(&current_board->timers[output], current_board->now, &current_board->log);
}

void port_show_state(uint8_t state)
{
    current_board->shown_state = state;
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        current_board->timers[output].permitted = state == STATE_ARMED;
    }
}
