/* Fake output timers; see timers.h. */
#include "timers.h"

#include <stdlib.h>

void log_pulse(struct pulse_log *log, uint8_t output, uint64_t start, uint32_t on)
{
    if (log->count == log->room) {
        size_t room = (log->room == 0U) ? 256U : (2U * log->room);
        struct timed_pulse *pulses = realloc(log->pulses, room * sizeof(*pulses));
        uint8_t *outputs = realloc(log->outputs, room);
        if ((pulses == NULL) || (outputs == NULL)) {
            abort();
        }
        log->pulses = pulses;
        log->outputs = outputs;
        log->room = room;
    }
    log->pulses[log->count].start = start;
    log->pulses[log->count].on = on;
    log->outputs[log->count] = output;
    log->count++;
}

static void end_pulse(struct timer *timer, struct pulse_log *log)
{
    if (timer->is_lit && (timer->lit.on != 0U)) {
        log_pulse(log, timer->output, timer->lit.start, timer->lit.on);
    }
    timer->is_lit = false;
}

/* Starts and ends what is due by `timer->time`. */
void timer_run(struct timer *timer, struct pulse_log *log)
{
    while ((timer->line_count != 0U) && (timer->line[0].start <= timer->time)) {
        end_pulse(timer, log);
        timer->lit = timer->line[0];
        timer->is_lit = true;
        timer->started++;
        timer->unpermitted += timer->permitted ? 0U : 1U;
        timer->has_started = true;
        timer->last_start = timer->lit.start;
        timer->line_count--;
        for (uint8_t i = 0U; i < timer->line_count; i++) {
            timer->line[i] = timer->line[i + 1U];
        }
    }
    if (timer->is_lit && ((timer->lit.start + timer->lit.on) <= timer->time)) {
        end_pulse(timer, log);
    }
}

bool timer_offer(struct timer *timer, uint64_t start, uint16_t on)
{
    uint64_t before = timer->has_started ? timer->last_start : 0U;
    bool any = timer->has_started;

    if (timer->line_count >= timer->line_room) {
        return false;
    }
    if (timer->line_count != 0U) {
        before = timer->line[timer->line_count - 1U].start;
        any = true;
    }
    if ((any && (start <= before)) || (start < timer->time) || (on == 0U)) {
        timer->broken_offers++;
    }
    timer->line[timer->line_count].start = start;
    timer->line[timer->line_count].on = on;
    timer->line_count++;
    return true;
}

uint8_t timer_withdraw(struct timer *timer, uint64_t nearest)
{
    uint8_t kept = 0U;

    while ((kept < timer->line_count) && (timer->line[kept].start < nearest)) {
        kept++;
    }
    timer->line_count = kept;
    return (uint8_t)(timer->started + kept);
}

void timer_dark(struct timer *timer, uint64_t now, struct pulse_log *log)
{
    timer_run(timer, log);
    if (timer->is_lit) {
        timer->lit.on = (uint32_t)(now - timer->lit.start);
        end_pulse(timer, log);
    }
    timer->line_count = 0U;
}
