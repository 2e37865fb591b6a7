/* The board's inputs; see levels.h. */
#include "levels.h"

#include <avr/io.h>

#include "../core/catalogue.h"
#include "pins.h"

static uint8_t unused;

void levels_start(uint8_t unused_ready)
{
    unused = unused_ready & READY_BITS;
    ESTOP_PORT |= ESTOP_A_BIT;
    PANEL_PORT |= PANEL_INPUTS;
    READY_PORT |= READY_BITS;
    EICRA = (1U << ISC01) | (1U << ISC00) | (1U << ISC11); /* A opens: rises; B opens: falls */
    EIFR = (1U << INTF0) | (1U << INTF1);
    EIMSK = (1U << INT0) | (1U << INT1);
}

uint8_t levels_read(void)
{
    uint8_t estop = ESTOP_PINS ^ ESTOP_A_BIT; /* now 1 = closed, both */
    uint8_t panel = PANEL_PINS;
    uint8_t ready = (uint8_t)((uint8_t)~READY_PINS | unused) & READY_BITS;
    uint8_t levels = (uint8_t)(ready << 4);

    if ((estop & ESTOP_A_BIT) != 0U) {
        levels |= INPUT_ESTOP_A;
    }
    if ((estop & ESTOP_B_BIT) != 0U) {
        levels |= INPUT_ESTOP_B;
    }
    if ((panel & KEY_BIT) == 0U) {
        levels |= INPUT_KEY;
    }
    if ((panel & LOCAL_STOP_BIT) != 0U) {
        levels |= INPUT_LOCAL_STOP;
    }
    return levels;
}
