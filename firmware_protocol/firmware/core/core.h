/* The controller's portable core: all that a port calls, and all that the core keeps.
 *
 * The port fills a `struct board`, calls core_start once after each reset, and then, from its main
 * loop only, tells the core what happened: bytes, line, inputs, time. Times are ticks of 0.5 us
 * modulo 2^32 that never fall. At one tick inputs and bytes come before core_poll. See port.h for
 * what the core calls in return. Nothing here allocates, waits, or reads a clock.
 */
#ifndef CW_CORE_H
#define CW_CORE_H

#include <stdbool.h>
#include <stdint.h>

#include "coil.h"
#include "inputs.h"
#include "limits.h"
#include "nonce.h"
#include "permission.h"
#include "reader.h"
#include "sizes.h"
#include "ticks.h"

/* What the port knows of its board; must stay where it is. */
struct board {
    uint32_t build;
    uint32_t flash_crc;
    uint32_t board_id;
    uint16_t horn_ms;
    uint8_t fuse_low;
    uint8_t fuse_high;
    uint8_t fuse_extended;
    uint8_t lock_bits;
    uint8_t checks;      /* CHECK_... */
    uint8_t reset_cause; /* RESET_... */
    struct ceilings ceilings[OUTPUTS]; /* as commissioned; looser than compiled ones count as those */
};

/* What every poll needs comes first, where an AVR reaches it at no cost. */
struct core {
    const struct board *board;
    uint32_t now;
    uint32_t next_status;
    struct alarm wake;   /* no timer is due before this tick; not set: not known */
    struct alarm leases; /* the earliest end of a lease */
    struct alarm fires_at;
    struct alarm trips_at; /* the refused pulse that is one too many, unless it is withdrawn */
    uint32_t digest;  /* as told: of the limits when they last changed; arming reckons it anew */
    uint32_t session; /* 0 unless in warning or armed */
    struct permission permission;
    bool status_due;
    uint8_t sequence;
    uint32_t uptime_at; /* the tick of `uptime` */
    struct uptime uptime;
    uint16_t line_errors;
    uint16_t line_errors_in_bangs;
    uint16_t breaks;
    uint16_t stale_frames;
    uint16_t late_frames;
    uint16_t refused_frames;
    struct inputs inputs;
    struct nonces nonces;
    struct ceilings ceilings[OUTPUTS];
    struct reader reader;
    struct coil coils[OUTPUTS];
};

/* The program starts at `now`. `kept`: what port_remember was given last (all zero: nothing yet).
 * `levels`: the inputs as they are read, bits as in status (ready bits 1 where none is fitted). */
void core_start(struct core *core, const struct board *board, const struct trip_memory *kept,
                uint8_t levels, uint32_t now);

/* Good bytes were received, the last of them at `now`: as many as there are, the fewer calls. */
void core_bytes(struct core *core, uint32_t now, const uint8_t *bytes, uint8_t count);

/* A byte with a framing error was received. */
void core_line_error(struct core *core, uint32_t now);

/* The line has been low for 2 ms; it is high again. */
void core_line_break(struct core *core, uint32_t now);
void core_line_idle(struct core *core, uint32_t now);

/* The inputs as they are now, bits as in status. Called at every change at least. */
void core_inputs(struct core *core, uint32_t now, uint8_t levels);

/* Whether a pin reads back otherwise than commanded. */
void core_pin_mismatch(struct core *core, uint32_t now, bool mismatch);

/* The port found something impossible. */
void core_fault(struct core *core, uint32_t now);

/* Time passes: does all that is due, and prepares pulses. core_poll is these three, in this order;
 * a port that must know which output is at work may call them itself. */
void core_poll(struct core *core, uint32_t now);
void core_poll_timers(struct core *core, uint32_t now);
void core_poll_output(struct core *core, uint32_t now, uint8_t output);
void core_poll_status(struct core *core, uint32_t now);

/* Which output but `but` has work for core_poll_output and runs dry first, and before `first`, which is then told;
 * else OUTPUTS. Of those that are dry already the first from `from` on. */
uint8_t core_urgent(const struct core *core, uint32_t now, uint32_t *first, uint8_t from, uint8_t but);

/* The earliest tick at which something is due by itself, `now` if it is already. */
uint32_t core_next_tick(const struct core *core);

#endif
