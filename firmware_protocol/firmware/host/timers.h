/* Fake output timers: pulses start at exactly their tick. One `struct timer` an output. */
#ifndef CW_TIMERS_H
#define CW_TIMERS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "../core/sizes.h"

struct timed_pulse {
    uint64_t start;
    uint32_t on;
};

struct pulse_log {
    struct timed_pulse *pulses;
    uint8_t *outputs;
    size_t count;
    size_t taken;
    size_t room;
};

struct timer {
    struct timed_pulse line[DECISIONS];
    struct timed_pulse lit;
    uint64_t time; /* everything up to and including this tick has been done */
    uint64_t last_start;
    uint32_t broken_offers;
    uint32_t unpermitted;
    uint8_t line_count;
    uint8_t line_room; /* at most DECISIONS */
    uint8_t started;
    uint8_t output;
    bool is_lit;
    bool has_started;
    bool permitted; /* the port was told that it is armed */
};

void timer_run(struct timer *timer, struct pulse_log *log);
bool timer_offer(struct timer *timer, uint64_t start, uint16_t on);
uint8_t timer_withdraw(struct timer *timer, uint64_t nearest);
void timer_dark(struct timer *timer, uint64_t now, struct pulse_log *log);
void log_pulse(struct pulse_log *log, uint8_t output, uint64_t start, uint32_t on);

#endif
