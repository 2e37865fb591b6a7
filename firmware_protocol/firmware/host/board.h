/* What the port without hardware keeps of a board: for the files of this folder only. */
#ifndef CW_BOARD_H
#define CW_BOARD_H

#include "../core/core.h"
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

extern struct cw_board *current_board; /* whose core is running */

/* The board's own tick. */
static inline uint32_t own_tick(const struct cw_board *board)
{
    return (uint32_t)(board->now - board->origin);
}

/* Of the board's own ticks, the extended one that is nearest to the present. */
uint64_t extended(const struct cw_board *board, uint32_t tick);

#endif
