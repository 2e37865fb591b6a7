/* The seam between the portable core and a board: all that the core asks of a port.
 *
 * A port implements the functions below, calls those of core.h, and keeps this contract.
 *
 * Concurrency. Everything in the core runs in one context, the main loop. No core function may be
 * called from an interrupt, and no port function below is called from one by the core. What
 * interrupts and main loop share belongs to the port: received bytes with their line errors, levels
 * of the inputs, the tick, and the *prepared pulses*.
 *
 * Prepared pulses. For each output the port keeps a short line of pulses (start tick, on-time), each
 * already judged by the guard. Hardware starts them at exactly their tick, the oldest first; an
 * interrupt may only take the next one over from the line (on a timer with an automatic top: load
 * the gap to its start and its on-time) and count it when it starts. A gap longer than the timer can
 * count is made of empty ones; the core never offers a pulse further ahead than HORIZON_TICKS.
 * Line empty = the output stays dark: no interrupt may make up a pulse, repeat one, or lengthen one.
 *
 *   offered ──▶ in the line ──▶ loaded ──▶ started (counted by port_started) ──▶ ended
 *                   └── withdrawn ──┘ (port_withdraw, port_dark: never counted)
 *
 * A pulse that was accepted either starts at its tick or is withdrawn. If the port cannot keep that
 * (an interrupt came too late, a timer check failed) it makes the output dark and calls core_fault.
 *
 * Stops. On an opened e-stop input, a key, local stop, or line break the port's interrupt may, and
 * for an e-stop must, make all outputs dark at once by itself (as port_dark does) and lets nothing
 * be connected again before the main loop has told the core. Every opening of an e-stop input
 * reaches the core as a core_inputs call with its bit clear, however short it was.
 *
 * Time. `now` is the tick: 0.5 us, modulo 2^32, and never falls from one call of the core to the next. The
 * port calls core_poll as often as it can, and at least every millisecond for music on time; whatever
 * is late is never longer, more or closer than the guard allows, only later, or dropped.
 */
#ifndef CW_PORT_H
#define CW_PORT_H

#include <stdbool.h>
#include <stdint.h>

/* What the board remembers without power. State and cause by their numbers. */
struct trip_memory {
    uint32_t boot_id; /* of the last start */
    uint16_t trip_number;
    uint8_t state;
    uint8_t cause;
};

/* Remembers `memory`. From the return on, a reset at any moment must find either it or, until it is
 * complete, what was there before; never a mixture, and after a trip never anything but a trip. Main
 * loop; must return within 100 us (a slow store is written behind, from a RAM that outlives resets). */
void port_remember(const struct trip_memory *memory);

/* Sends a whole frame, or nothing: false if the outgoing buffer has no room. Never waits. */
bool port_send(const uint8_t *bytes, uint8_t count);

/* The least number of ticks between the core's `now` and the start of a pulse that is offered, withdrawn
 * or replaced: the time since `now`, judging, interrupt latency, loading, and the timer's margin. Asked anew
 * for each pulse. 0 on the host. */
uint16_t port_lead_ticks(void);

/* One more prepared pulse for the line of `output`, later than all before it. False: the line is
 * full, or `start` is too near; then it was not taken and is offered again, perhaps later. */
bool port_offer(uint8_t output, uint32_t start, uint16_t on);

/* How many pulses of `output` have started since the program did, modulo 256. */
uint8_t port_started(uint8_t output);

/* Takes back every pulse of `output` that is to start at `from` or later and is not too near its start. Returns
 * what port_started will be once all the others have started. A pulse under way is not touched. */
uint8_t port_withdraw(uint8_t output, uint32_t from);

/* `output` dark now, in mid-pulse too, and its line emptied; nothing starts any more. */
void port_dark(uint8_t output);

/* The horn and the beacon: `armed` from arming on, `horn` while the warning lasts. Called at every
 * change of state, after the outputs are dark where that is the change. */
void port_show_state(uint8_t state);

#endif
