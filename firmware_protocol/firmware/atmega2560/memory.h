/* What the board remembers: the trip memory and what it was commissioned as.
 *
 * The trip memory is first kept in RAM that no reset clears, two copies in turn, each with a sequence
 * number and a checksum; then, behind the main loop's work, in the EEPROM: 64 places in turn. A copy cut
 * short by a reset does not check, so the one before it is found. The newest of all is what counts.
 */
#ifndef CW_AVR_MEMORY_H
#define CW_AVR_MEMORY_H

#include <stdbool.h>
#include <stdint.h>

#include "../core/limits.h"
#include "../core/port.h"
#include "../core/sizes.h"

struct commissioned {
    uint32_t board_id;
    uint16_t horn_ms;
    uint8_t unused_ready; /* bit n: output n has no ready input */
    struct ceilings ceilings[OUTPUTS];
};

#define COMMISSIONED_BYTES 47U /* as in a commissioning message */

/* The newest trip memory; all zero on a board that never ran; no lawful state if it is damaged. */
void memory_start(struct trip_memory *kept);

/* One step of writing behind: at most one byte, never waits. Called in every turn of the main loop. */
void memory_step(void);

/* False if the board was never commissioned, or the record is damaged: then all is zero. */
bool memory_commissioned(struct commissioned *commissioned);

/* The record as in a commissioning message. False: none, or damaged. */
bool memory_read_commissioned(uint8_t *bytes);

/* Writes it; takes 0.2 s. Commissioning only. */
void memory_commission(const uint8_t *bytes);

#endif
