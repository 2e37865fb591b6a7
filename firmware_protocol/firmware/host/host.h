/* The core on a host, with a fake clock: one board whose timers are exact. For tests and fuzzing.
 *
 * Ticks are extended (64 bits, never wrapping) and must not fall; a call at tick T first lives
 * through everything before T and leaves the rest of T to the next call; cw_advance(T) ends it. The
 * board's own 32-bit tick is the extended one at the first start, and begins at 0 with each reset.
 */
#ifndef CW_HOST_H
#define CW_HOST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "../core/core.h"

struct cw_board;

/* `kept` is what the board remembers from before. NULL only if memory is exhausted. */
struct cw_board *cw_new(const struct board *board, const struct trip_memory *kept, uint8_t levels,
                        uint64_t first_tick);
void cw_free(struct cw_board *board);

/* How the port behaves: besides events it polls every `poll_every` ticks (0: at events only). `lazy`: it
 * polls at nothing else, as a real main loop does, and cannot change what starts within `lead`. */
void cw_port(struct cw_board *board, uint32_t poll_every, bool lazy, uint8_t lead);

/* How many prepared pulses an output's line holds: 1 to DECISIONS. */
void cw_line_room(struct cw_board *board, uint8_t room);

/* The outgoing buffer has no room from now on, or has again. */
void cw_outgoing_full(struct cw_board *board, bool full);

/* What happens. Each returns false if `tick` is in the past (then nothing was done). */
bool cw_bytes(struct cw_board *board, uint64_t tick, const uint8_t *bytes, size_t count);
bool cw_line_error(struct cw_board *board, uint64_t tick);
bool cw_line_break(struct cw_board *board, uint64_t tick);
bool cw_line_idle(struct cw_board *board, uint64_t tick);
bool cw_inputs(struct cw_board *board, uint64_t tick, uint8_t levels);
bool cw_pin_mismatch(struct cw_board *board, uint64_t tick, bool mismatch);
bool cw_fault(struct cw_board *board, uint64_t tick);
bool cw_reset(struct cw_board *board, uint64_t tick, uint8_t reset_cause);
bool cw_advance(struct cw_board *board, uint64_t tick);

/* What came of it, oldest first. Frames: the length, or 0 if there is none; `bytes` holds 130. */
size_t cw_take_frame(struct cw_board *board, uint64_t *tick, uint8_t *bytes);

/* Pulses that have ended: the output, or -1 if there is none. */
int cw_take_pulse(struct cw_board *board, uint64_t *start, uint32_t *on);

uint64_t cw_tick(const struct cw_board *board);
uint32_t cw_wire_tick(const struct cw_board *board);
uint32_t cw_session(const struct cw_board *board);
uint32_t cw_digest(const struct cw_board *board);

/* core_urgent now, within the horizon. */
uint8_t cw_urgent(struct cw_board *board, uint8_t from, uint8_t but);
struct trip_memory cw_memory(const struct cw_board *board);
bool cw_is_lit(const struct cw_board *board, uint8_t output);
uint8_t cw_shown_state(const struct cw_board *board);

/* Pulses offered that the fake timers could not have kept, and pulses that started while the port was not
 * told to be armed: always 0, or the core broke port.h. */
uint32_t cw_broken_offers(const struct cw_board *board);

#endif
