/* Signs of life; see alive.h. */
#include "alive.h"

#include <avr/io.h>
#include <avr/wdt.h>

#include "../core/catalogue.h"
#include "../core/port.h"
#include "pins.h"
#include "ticks.h"

static uint8_t shown_state;
static bool allowed;

void alive_show(uint8_t state)
{
    uint8_t on = 0U;

    shown_state = state;
    if ((state == STATE_ARMED) || (state == STATE_WARNING)) {
        on |= BEACON_BIT;
    }
    if (state == STATE_WARNING) {
        on |= HORN_BIT;
    }
    if (state != STATE_ARMED) {
        allowed = false;
    } else {
        on |= (uint8_t)(PANEL_PORT & ENABLE_BIT);
    }
    PANEL_PORT = (uint8_t)((uint8_t)(PANEL_PORT & (uint8_t)~PANEL_OUTPUTS) | on);
}

void port_show_state(uint8_t state)
{
    alive_show(state);
}

void alive_allow(bool well)
{
    allowed = well && (shown_state == STATE_ARMED);
}

void alive_turn(void)
{
    static uint8_t turned_at;
    uint8_t overflows = ticks_overflows();

    if (!allowed) {
        PANEL_PORT &= (uint8_t)~ENABLE_BIT;
    } else if (overflows != turned_at) {
        turned_at = overflows;
        PANEL_PINS = ENABLE_BIT; /* writing 1 to PINx turns the output over */
    } else {
        /* too soon, or the interrupts are dead */
    }
}

void alive_kick(void)
{
    static uint8_t kicked_at;
    uint8_t overflows = ticks_overflows();

    if (overflows != kicked_at) {
        kicked_at = overflows;
        wdt_reset();
    }
}

void alive_wait(void)
{
    wdt_reset();
}
