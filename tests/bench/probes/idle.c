/* Does nothing but keep the watchdog quiet: registers are written from outside. */
#include <avr/wdt.h>

int main(void)
{
    for (;;) {
        wdt_reset();
    }
}
