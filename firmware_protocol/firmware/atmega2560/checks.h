/* Is this the program that was built, on a chip with the fuses it needs? Called once at the start. */
#ifndef CW_AVR_CHECKS_H
#define CW_AVR_CHECKS_H

#include "../core/core.h"

/* Fills in fuses, lock bits, flash CRC and `checks`. Takes 0.1 s, kicks the watchdog meanwhile. */
void checks_run(struct board *board);

#endif
