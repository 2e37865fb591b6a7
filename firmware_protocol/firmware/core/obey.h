/* Between the files that obey frames, tell the host and keep time: what they need of one another. */
#ifndef CW_OBEY_H
#define CW_OBEY_H

#include <stdbool.h>
#include <stdint.h>

#include "core.h"

/* A good frame, as the reader holds it. */
struct frame {
    const uint8_t *payload;
    uint8_t type;
    uint8_t sequence;
    uint8_t length; /* of the payload */
};

/* obey.c: the good frame that the reader holds, at the present tick. */
void obey(struct core *core);

/* The guard's last straw has passed: trips, at `now` at the latest, whichever output has its turn. */
void trip_by_refusals(struct core *core);

/* work.c: commits and decides what there is for one output, at the present tick. */
void work(struct core *core, struct coil *coil);

/* setup.c and voices.c: each obeys one message and returns REASON_NONE, or why not. */
uint8_t obey_hello(struct core *core, const struct frame *frame);
uint8_t obey_limits(struct core *core, const struct frame *frame);
uint8_t obey_arm(struct core *core, const struct frame *frame);
uint8_t obey_reset(struct core *core, const struct frame *frame);
uint8_t obey_voices(struct core *core, const struct frame *frame);

/* trip.c: trips if the cause may; anything that leaves warning or armed goes through left_armed. */
void trip(struct core *core, uint8_t cause);
void left_armed(struct core *core);
void state_changed(struct core *core);

/* core.c: the lease of an output was set; and ticks since the start of the program. */
void leases_changed(struct core *core);
const struct uptime *uptime_now(struct core *core);

/* setup.c: bit n for each output n that has limits. */
uint8_t outputs_with_limits(const struct core *core);

/* tell.c: what the host is told. */
uint32_t limits_digest(const struct core *core);
void tell_identity(struct core *core);
void tell_limits(struct core *core, uint8_t output);
void tell_pong(struct core *core, uint32_t echo, uint32_t nonce);
void tell_armed(struct core *core, uint32_t nonce, uint32_t fires_at);
void tell_refusal(struct core *core, const struct frame *frame, uint8_t reason, uint32_t detail);
void tell_status(struct core *core);

#endif
