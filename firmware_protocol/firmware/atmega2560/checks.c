/* Fuses and flash; see checks.h. seal.py writes length and CRC of the image into `seal`. */
#include "checks.h"

#include <avr/boot.h>
#include <avr/pgmspace.h>

#include "../core/catalogue.h"
#include "alive.h"

/* Low fuse: clock not divided, not on a pin, longest start-up (SUT 11), crystal or resonator. */
#define LOW_MASK 0xF0U
#define LOW_WANTED 0xF0U
#define LEAST_CKSEL 0x06U
/* High fuse: watchdog always on (WDTON programmed, 0), straight into the application (BOOTRST 1). */
#define HIGH_MASK 0x11U
#define HIGH_WANTED 0x01U
/* Extended fuse: brown-out at 4.3 V (BODLEVEL 100). */
#define EXTENDED_MASK 0x07U
#define EXTENDED_WANTED 0x04U

#define KICK_EVERY 0xFFU

struct seal {
    uint32_t length; /* of the image, from address 0 */
    uint32_t crc;    /* CRC-32 of it, these eight bytes taken as 0xFF */
};

extern const struct seal flash_seal;
const struct seal flash_seal PROGMEM = {UINT32_MAX, UINT32_MAX};

/* CRC-32 (IEEE 802.3) by half bytes: four times as fast as by bits, for 64 bytes of flash. */
static uint32_t crc_of_flash(uint16_t length)
{
    static const uint32_t table[16] PROGMEM = {
        0x00000000U, 0x1DB71064U, 0x3B6E20C8U, 0x26D930ACU, 0x76DC4190U, 0x6B6B51F4U,
        0x4DB26158U, 0x5005713CU, 0xEDB88320U, 0xF00F9344U, 0xD6D6A3E8U, 0xCB61B38CU,
        0x9B64C2B0U, 0x86D3D2D4U, 0xA00AE278U, 0xBDBDF21CU,
    };
    /* cppcheck-suppress misra-c2012-11.4 ; where the seal is in flash, whose addresses are numbers here */
    uint16_t seal = (uint16_t)(uintptr_t)&flash_seal;
    uint32_t crc = UINT32_MAX;

    for (uint16_t at = 0U; at < length; at++) {
        uint8_t byte = pgm_read_byte(at);
        if ((at >= seal) && ((at - seal) < sizeof(struct seal))) {
            byte = 0xFFU;
        }
        crc = (crc >> 4) ^ pgm_read_dword(&table[(uint8_t)(crc ^ byte) & 0x0FU]);
        crc = (crc >> 4) ^ pgm_read_dword(&table[(uint8_t)(crc ^ (byte >> 4)) & 0x0FU]);
        if ((at & KICK_EVERY) == 0U) {
            alive_wait();
        }
    }
    return crc ^ UINT32_MAX;
}

void checks_run(struct board *board)
{
    uint32_t length = pgm_read_dword(&flash_seal.length);
    uint32_t wanted = pgm_read_dword(&flash_seal.crc);

    board->fuse_low = boot_lock_fuse_bits_get(GET_LOW_FUSE_BITS);
    board->fuse_high = boot_lock_fuse_bits_get(GET_HIGH_FUSE_BITS);
    board->fuse_extended = boot_lock_fuse_bits_get(GET_EXTENDED_FUSE_BITS);
    board->lock_bits = boot_lock_fuse_bits_get(GET_LOCK_BITS);
    board->checks = 0U;
    if (((board->fuse_low & LOW_MASK) == LOW_WANTED) && ((board->fuse_low & 0x0FU) >= LEAST_CKSEL) &&
        ((board->fuse_high & HIGH_MASK) == HIGH_WANTED) &&
        ((board->fuse_extended & EXTENDED_MASK) == EXTENDED_WANTED)) {
        board->checks |= CHECK_FUSES;
    }
    if (length <= UINT16_MAX) {
        board->flash_crc = crc_of_flash((uint16_t)length);
        if (board->flash_crc == wanted) {
            board->checks |= CHECK_FLASH;
        }
    }
}
