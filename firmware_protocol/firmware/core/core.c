/* Time and order: what the port tells, and what happens at one tick, in PROTOCOL.md's order
 * (section 8): inputs and frames, leases, the horn's end, then output by output its queued frames and
 * pulses (an output's frames concern no other), last the status.
 */
#include "core.h"

#include <string.h>

#include "catalogue.h"
#include "obey.h"
#include "port.h"

#define STATUS_TICKS (50U * TICKS_PER_MS)

/* -- time -------------------------------------------------------------------------------------------- */

const struct uptime *uptime_now(struct core *core)
{
    uint32_t passed = core->now - core->uptime_at;

    core->uptime_at = core->now;
    core->uptime.low += passed;
    if (core->uptime.low < passed) {
        core->uptime.high++;
    }
    return &core->uptime;
}

void leases_changed(struct core *core)
{
    alarm_clear(&core->leases);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        const struct alarm *lease = &core->coils[output].lease;
        if (lease->set && (!core->leases.set || is_before(lease->at, core->leases.at))) {
            core->leases = *lease;
        }
    }
}

/* Inputs whose time has come. */
static void count_inputs(struct core *core)
{
    uint8_t before = inputs_bits(&core->inputs);

    if (inputs_count(&core->inputs, core->now)) {
        trip(core, CAUSE_ESTOP_DISAGREE);
    }
    if (inputs_bits(&core->inputs) != before) {
        core->status_due = true;
    }
}

/* Leases that have passed, and the horn's end. */
static void leases_and_horn(struct core *core, uint32_t until)
{
    if (alarm_is_due(&core->leases, until)) {
        trip(core, CAUSE_LEASE_EXPIRED);
    }
    if (alarm_is_due(&core->fires_at, until)) {
        alarm_clear(&core->fires_at);
        if (permission_move(&core->permission, EVENT_HORN_END)) {
            state_changed(core);
        }
    }
}

static uint32_t sooner(uint32_t tick, uint32_t other)
{
    return is_before(other, tick) ? other : tick;
}

/* When an input, a lease or the horn is due next; far ahead if none is. */
static uint32_t next_timer(const struct core *core)
{
    uint32_t next = core->now + STATUS_TICKS;
    uint32_t tick;

    if (inputs_next_tick(&core->inputs, &tick)) {
        next = sooner(next, tick);
    }
    if (core->leases.set) {
        next = sooner(next, core->leases.at);
    }
    if (core->fires_at.set) {
        next = sooner(next, core->fires_at.at);
    }
    return next;
}

/* Something arrived: what should have happened before it has. */
static void arrive(struct core *core, uint32_t now)
{
    core->now = now;
    alarm_clear(&core->wake);
    trip_by_refusals(core);
    leases_and_horn(core, now - 1U);
    count_inputs(core);
}

void core_poll_timers(struct core *core, uint32_t now)
{
    core->now = now;
    trip_by_refusals(core);
    if (!core->wake.set || is_due(core->wake.at, now)) {
        count_inputs(core);
        leases_and_horn(core, now);
        alarm_set(&core->wake, next_timer(core));
    }
}

void core_poll_output(struct core *core, uint32_t now, uint8_t output)
{
    if (permission_may_fire(&core->permission) && coil_has_work(&core->coils[output], now)) {
        work(core, &core->coils[output]);
    }
}

uint8_t core_urgent(const struct core *core, uint32_t now, uint32_t *first, uint8_t from, uint8_t but)
{
    uint32_t soonest = *first;
    uint8_t urgent = OUTPUTS;

    for (uint8_t i = 0U; permission_may_fire(&core->permission) && (i < OUTPUTS); i++) {
        uint8_t output = (uint8_t)(from + i) & (OUTPUTS - 1U);
        const struct coil *coil = &core->coils[output];
        if ((output != but) && coil_has_work(coil, now)) {
            uint32_t until = coil_decided_until(coil, now);
            if (is_before(until, now)) {
                until = now; /* dry is dry: else who is asked for too much would come before all others */
            }
            if (is_before(until, soonest)) {
                soonest = until;
                urgent = output;
            }
        }
    }
    *first = soonest;
    return urgent;
}

void core_poll_status(struct core *core, uint32_t now)
{
    bool regular = is_due(core->next_status, now);

    if (regular) {
        core->next_status += STATUS_TICKS;
        nonces_pass(&core->nonces, now);
        (void)uptime_now(core);
        for (uint8_t output = 0U; output < OUTPUTS; output++) {
            coil_pass(&core->coils[output], now);
        }
    }
    if (regular || core->status_due) {
        core->status_due = false;
        tell_status(core);
    }
}

void core_poll(struct core *core, uint32_t now)
{
    struct coil *coil = core->coils;

    core_poll_timers(core, now);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        if (permission_may_fire(&core->permission) && coil_has_work(coil, now)) {
            work(core, coil);
        }
        coil = &coil[1];
    }
    core_poll_status(core, now);
}

uint32_t core_next_tick(const struct core *core)
{
    uint32_t next = sooner(core->status_due ? core->now : core->next_status, next_timer(core));
    uint32_t tick;

    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        if (coil_next_tick(&core->coils[output], core->now, &tick)) {
            next = sooner(next, tick);
        }
    }
    return is_before(next, core->now) ? core->now : next;
}

/* -- what the port tells ------------------------------------------------------------------------------ */

void core_start(struct core *core, const struct board *board, const struct trip_memory *kept,
                uint8_t levels, uint32_t now)
{
    (void)memset(core, 0, sizeof(*core));
    core->board = board;
    core->now = now;
    core->next_status = now;
    core->uptime_at = now;
    reader_start(&core->reader);
    permission_start(&core->permission, kept, board->reset_cause);
    inputs_start(&core->inputs, levels, now);
    nonces_start(&core->nonces, core->permission.memory.boot_id);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        core->ceilings[output] = ceilings_within_compiled(&board->ceilings[output]);
        port_dark(output);
        coil_start(&core->coils[output], output, core->ceilings[output].max_on, now);
    }
    core->digest = limits_digest(core);
    port_show_state(permission_state(&core->permission));
}

void core_bytes(struct core *core, uint32_t now, const uint8_t *bytes, uint8_t count)
{
    const uint8_t *rest = bytes;
    uint8_t left = count;

    core->inputs.line_low = false;
    while (left != 0U) {
        bool complete;
        uint8_t taken = reader_take(&core->reader, rest, left, &complete);
        if (complete) {
            arrive(core, now);
            obey(core);
        }
        rest = &rest[taken];
        left = (uint8_t)(left - taken);
    }
}

void core_line_error(struct core *core, uint32_t now)
{
    bool lit = false;

    arrive(core, now);
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        lit = coil_is_lit(&core->coils[output], now) || lit;
    }
    count_up(&core->line_errors);
    if (lit) {
        count_up(&core->line_errors_in_bangs);
    }
    reader_spoil(&core->reader);
}

void core_line_break(struct core *core, uint32_t now)
{
    arrive(core, now);
    count_up(&core->breaks);
    reader_spoil(&core->reader);
    core->inputs.line_low = true;
    trip(core, CAUSE_LINE_BREAK);
}

void core_line_idle(struct core *core, uint32_t now)
{
    arrive(core, now);
    core->inputs.line_low = false;
}

void core_inputs(struct core *core, uint32_t now, uint8_t levels)
{
    bool locked;
    uint8_t before;

    arrive(core, now);
    before = inputs_bits(&core->inputs);
    locked = permission_state(&core->permission) == STATE_LOCKED;
    if (inputs_set_estops(&core->inputs, levels, locked, now)) {
        trip(core, CAUSE_ESTOP_OPEN);
    }
    inputs_set_others(&core->inputs, levels);
    if (!inputs_key_on(&core->inputs)) {
        trip(core, CAUSE_KEY_OFF);
    }
    if (inputs_local_stop(&core->inputs)) {
        trip(core, CAUSE_LOCAL_STOP);
    }
    if (!inputs_ready(&core->inputs, outputs_with_limits(core))) {
        trip(core, CAUSE_NOT_READY);
    }
    if (inputs_bits(&core->inputs) != before) {
        core->status_due = true;
    }
}

void core_pin_mismatch(struct core *core, uint32_t now, bool mismatch)
{
    arrive(core, now);
    core->inputs.pin_mismatch = mismatch;
    if (mismatch) {
        trip(core, CAUSE_PIN_MISMATCH);
    }
}

void core_fault(struct core *core, uint32_t now)
{
    arrive(core, now);
    trip(core, CAUSE_INTERNAL_FAULT);
}
