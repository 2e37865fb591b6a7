/* What outlives a reset, and what the chip tells about itself. PA0 high: writes the EEPROM once.
 * PA1 high: the watchdog is left alone. PA2 high at start: the watchdog's time is made 30 ms. */
#include <avr/boot.h>
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

uint16_t boots __attribute__((section(".noinit")));
uint8_t kept[64] __attribute__((section(".noinit")));
volatile uint8_t cause;
volatile uint8_t fuses[4]; /* low, lock, extended, high */
volatile uint8_t signature[3];
volatile uint8_t read_back;
volatile uint8_t written;

int main(void)
{
    cause = MCUSR;
    MCUSR = 0;
    boots++;
    DDRB = _BV(PB0);
    PORTB = _BV(PB0);
    if (PINA & _BV(PA2)) {
        wdt_enable(WDTO_30MS);
    }
    for (uint8_t i = 0; i < 4; i++) {
        fuses[i] = boot_lock_fuse_bits_get(i);
    }
    for (uint8_t i = 0; i < 3; i++) {
        signature[i] = boot_signature_byte_get(2 * i);
    }
    for (;;) {
        if (!(PINA & _BV(PA1))) {
            wdt_reset();
        }
        if ((PINA & _BV(PA0)) && !written) {
            written = 1;
            eeprom_write_byte((uint8_t *)0x123, 0x5A);
            eeprom_busy_wait();
            read_back = eeprom_read_byte((uint8_t *)0x123);
        }
    }
}
