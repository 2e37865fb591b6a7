/* The first instructions after a reset; see reset.h. */
#include "reset.h"

#include <avr/io.h>
#include <avr/wdt.h>

#include "../core/catalogue.h"

#define STACK_MARK 0xC5U

static uint8_t reset_flags __attribute__((section(".noinit")));

/* First of all: why we are here, the watchdog at 16 ms, and the free RAM painted, to see later how deep
 * the stack went. The linker puts this before main. */
void first_of_all(void) __attribute__((naked, used, section(".init3")));
void first_of_all(void)
{
    extern uint8_t _end[];
    uint8_t *at = _end;

    reset_flags = MCUSR;
    MCUSR = 0U;
    wdt_enable(WDTO_15MS);
    while (at < (uint8_t *)SP) {
        *at = STACK_MARK;
        at++;
    }
}

uint8_t why_reset(void)
{
    uint8_t cause = RESET_WATCHDOG; /* no flag at all: a jump to 0, nothing sound */

    if ((reset_flags & (1U << WDRF)) != 0U) {
        cause = RESET_WATCHDOG;
    } else if ((reset_flags & (1U << PORF)) != 0U) { /* power-up sets BORF, too */
        cause = RESET_POWER_ON;
    } else if ((reset_flags & (1U << BORF)) != 0U) {
        cause = RESET_BROWN_OUT;
    } else if ((reset_flags & (1U << EXTRF)) != 0U) {
        cause = RESET_EXTERNAL;
    } else {
        /* JTAG or none */
    }
    return cause;
}

bool stack_is_whole(void)
{
    extern uint8_t _end[];
    const volatile uint8_t *end = _end;

    return (end[0] == STACK_MARK) && (end[1] == STACK_MARK);
}
