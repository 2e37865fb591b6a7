/* The board's inputs; see inputs.h. */
#include "inputs.h"

#include <string.h>

#include "catalogue.h"
#include "sizes.h"

#define CLOSING_TICKS (100U * TICKS_PER_MS)
#define DISAGREE_TICKS (10U * TICKS_PER_MS)
#define ESTOPS 2U
#define OTHERS 0xFCU
#define ALL_OUTPUTS 0x0FU

static const uint8_t estop_bit[ESTOPS] = {INPUT_ESTOP_A, INPUT_ESTOP_B};

static void watch_agreement(struct inputs *inputs, uint32_t now)
{
    if (inputs->estop[0].closed == inputs->estop[1].closed) {
        alarm_clear(&inputs->disagree_at);
        inputs->disagreeing = false;
    } else if (!inputs->disagreeing) {
        inputs->disagreeing = true;
        alarm_set(&inputs->disagree_at, now + DISAGREE_TICKS);
    } else {
        /* counted since it began */
    }
}

void inputs_watch_anew(struct inputs *inputs, uint32_t now)
{
    inputs->disagreeing = false;
    watch_agreement(inputs, now);
}

void inputs_start(struct inputs *inputs, uint8_t levels, uint32_t now)
{
    (void)memset(inputs, 0, sizeof(*inputs));
    inputs->levels = levels & OTHERS;
    for (uint8_t i = 0U; i < ESTOPS; i++) {
        bool closed = (levels & estop_bit[i]) != 0U;
        inputs->estop[i].level = closed;
        inputs->estop[i].closed = closed;
        inputs->estop[i].seen_open = !closed;
    }
    inputs_watch_anew(inputs, now);
}

/* True if this opening is not the first since power-up. */
static bool opened_again(struct estop_input *input)
{
    bool again = input->closed && input->seen_open;

    alarm_clear(&input->closes_at);
    if (input->closed) {
        input->closed = false;
        input->seen_open = true;
    }
    return again;
}

bool inputs_set_estops(struct inputs *inputs, uint8_t levels, bool locked, uint32_t now)
{
    bool trips = false;

    for (uint8_t i = 0U; i < ESTOPS; i++) {
        struct estop_input *input = &inputs->estop[i];
        bool level = (levels & estop_bit[i]) != 0U;
        bool was_closed = input->closed;

        if (level == input->level) {
            continue;
        }
        input->level = level;
        if (level) {
            alarm_set(&input->closes_at, now + CLOSING_TICKS);
        } else if (opened_again(input)) {
            trips = true;
        } else {
            trips = trips || (was_closed && !locked);
        }
    }
    watch_agreement(inputs, now);
    return trips;
}

void inputs_set_others(struct inputs *inputs, uint8_t levels)
{
    inputs->levels = levels & OTHERS;
}

bool inputs_count(struct inputs *inputs, uint32_t now)
{
    bool disagreed = alarm_is_due(&inputs->disagree_at, now);

    if (disagreed) {
        alarm_clear(&inputs->disagree_at);
    }
    for (uint8_t i = 0U; i < ESTOPS; i++) {
        struct estop_input *input = &inputs->estop[i];
        if (alarm_is_due(&input->closes_at, now)) {
            alarm_clear(&input->closes_at);
            input->closed = true;
            input->proven = true;
        }
    }
    watch_agreement(inputs, now);
    return disagreed;
}

bool inputs_next_tick(const struct inputs *inputs, uint32_t *tick)
{
    struct alarm next = inputs->disagree_at;

    for (uint8_t i = 0U; i < ESTOPS; i++) {
        const struct alarm *closes_at = &inputs->estop[i].closes_at;
        if (closes_at->set && (!next.set || is_before(closes_at->at, next.at))) {
            next = *closes_at;
        }
    }
    *tick = next.at;
    return next.set;
}

uint8_t inputs_bits(const struct inputs *inputs)
{
    uint8_t bits = inputs->levels;

    for (uint8_t i = 0U; i < ESTOPS; i++) {
        if (inputs->estop[i].closed) {
            bits = (uint8_t)(bits | estop_bit[i]);
        }
    }
    return bits;
}

uint8_t inputs_proofs(const struct inputs *inputs)
{
    return (uint8_t)((inputs->estop[0].proven ? 1U : 0U) | (inputs->estop[1].proven ? 2U : 0U));
}

bool inputs_estop_open(const struct inputs *inputs)
{
    return !(inputs->estop[0].closed && inputs->estop[1].closed);
}

bool inputs_key_on(const struct inputs *inputs)
{
    return (inputs->levels & INPUT_KEY) != 0U;
}

bool inputs_local_stop(const struct inputs *inputs)
{
    return (inputs->levels & INPUT_LOCAL_STOP) != 0U;
}

bool inputs_ready(const struct inputs *inputs, uint8_t outputs)
{
    uint8_t ready = (uint8_t)(inputs->levels / INPUT_READY_0);

    return ((uint8_t)~ready & outputs & ALL_OUTPUTS) == 0U;
}

bool inputs_remain(const struct inputs *inputs, uint8_t cause, uint8_t outputs)
{
    bool remains;

    switch (cause) {
    case CAUSE_ESTOP_OPEN:
    case CAUSE_ESTOP_DISAGREE:
        remains = inputs_estop_open(inputs);
        break;
    case CAUSE_KEY_OFF:
        remains = !inputs_key_on(inputs);
        break;
    case CAUSE_LOCAL_STOP:
        remains = inputs_local_stop(inputs);
        break;
    case CAUSE_LINE_BREAK:
        remains = inputs->line_low;
        break;
    case CAUSE_PIN_MISMATCH:
        remains = inputs->pin_mismatch;
        break;
    case CAUSE_NOT_READY:
        remains = !inputs_ready(inputs, outputs);
        break;
    default: /* the others are over with their moment */
        remains = false;
        break;
    }
    return remains;
}
