/* What the board remembers; see memory.h. */
#include "memory.h"

#include <avr/eeprom.h>
#include <avr/io.h>
#include <stddef.h>
#include <string.h>

#include "../core/bytes.h"
#include "../core/crc.h"
#include "alive.h"

/* -- where things are in the EEPROM ----------------------------------------------------------------- */

#define COMMISSIONED_AT 0x000U
#define COMMISSIONED_MARK 0x57U
#define TRIPS_AT 0x100U
#define PLACES 64U /* a power of two */
#define PLACE_BYTES 16U

/* avr-libc names a byte of the EEPROM by a pointer that it never follows. */
static uint8_t *cell(uint16_t at)
{
    /* cppcheck-suppress misra-c2012-11.4 ; the number is the byte's address, and no pointer into RAM */
    return (uint8_t *)at;
}

/* -- the trip memory -------------------------------------------------------------------------------- */

struct record {
    uint32_t sequence;
    struct trip_memory memory;
    uint16_t crc; /* last, so that a copy cut short does not check */
};

#define RECORD_BYTES ((uint8_t)sizeof(struct record))
#define CRC_AT ((uint8_t)offsetof(struct record, crc))
#define MOST_BEHIND 1024U /* RAM may be so far ahead of the EEPROM, else it is no memory of ours */
#define NO_STATE 0xFFU

static struct record kept_in_ram[2] __attribute__((section(".noinit")));
static struct record newest;
static uint32_t written; /* sequence of what is in the EEPROM, or on its way there */
static uint8_t behind_at; /* next byte to be written; RECORD_BYTES: none */

static uint16_t crc_of(const struct record *record)
{
    const uint8_t *bytes = (const uint8_t *)record;
    uint16_t crc = CRC16_START;

    for (uint8_t i = 0U; i < CRC_AT; i++) {
        crc = crc16_add(crc, bytes[i]);
    }
    return crc;
}

static bool checks(const struct record *record)
{
    return record->crc == crc_of(record);
}

static uint16_t place_of(uint32_t sequence)
{
    return (uint16_t)(TRIPS_AT + ((uint16_t)(sequence & (PLACES - 1U)) * PLACE_BYTES));
}

/* The newest in the EEPROM. False: none. `blank`: nothing was ever written. */
static bool read_eeprom(struct record *found, bool *blank)
{
    bool any = false;

    *blank = true;
    for (uint8_t place = 0U; place < PLACES; place++) {
        struct record record;
        eeprom_read_block(&record, cell(place_of(place)), sizeof(record));
        if (record.sequence != UINT32_MAX) {
            *blank = false;
        }
        if (checks(&record) && (!any || (record.sequence > found->sequence))) {
            *found = record;
            any = true;
        }
    }
    return any;
}

void memory_start(struct trip_memory *kept)
{
    bool blank = false;
    bool any = read_eeprom(&newest, &blank);

    written = any ? newest.sequence : 0U;
    for (uint8_t i = 0U; i < 2U; i++) {
        const struct record *record = &kept_in_ram[i];
        /* A blank EEPROM has nothing to say; else RAM is at most a little ahead of it. */
        if (checks(record) && ((record->sequence - written) < MOST_BEHIND) &&
            (!any || (record->sequence > newest.sequence))) {
            newest = *record;
            any = true;
        }
    }
    if (!any) {
        (void)memset(&newest, 0, sizeof(newest));
        newest.memory.state = blank ? 0U : NO_STATE;
    }
    behind_at = RECORD_BYTES;
    *kept = newest.memory;
}

void port_remember(const struct trip_memory *memory)
{
    newest.sequence++;
    newest.memory = *memory;
    newest.crc = crc_of(&newest);
    kept_in_ram[newest.sequence & 1U] = newest;
}

void memory_step(void)
{
    static struct record behind; /* what is being written */

    if (!eeprom_is_ready()) {
        return;
    }
    if (behind_at < RECORD_BYTES) {
        const uint8_t *bytes = (const uint8_t *)&behind;
        eeprom_write_byte(cell((uint16_t)(place_of(behind.sequence) + behind_at)), bytes[behind_at]);
        behind_at++;
    } else if (newest.sequence != written) {
        behind = newest;
        written = newest.sequence;
        behind_at = 0U;
    } else {
        /* nothing to do */
    }
}

/* -- what the board was commissioned as ------------------------------------------------------------- */

#define CEILING_BYTES 10U
#define FIRST_CEILING 7U

/* The record: a mark, the bytes, their CRC (low byte first). */
static uint16_t record_crc(const uint8_t *bytes)
{
    uint16_t crc = crc16_add(CRC16_START, COMMISSIONED_MARK);

    for (uint8_t i = 0U; i < COMMISSIONED_BYTES; i++) {
        crc = crc16_add(crc, bytes[i]);
    }
    return crc;
}

bool memory_read_commissioned(uint8_t *bytes)
{
    uint8_t crc[2];
    uint8_t mark = eeprom_read_byte(cell(COMMISSIONED_AT));

    eeprom_read_block(bytes, cell(COMMISSIONED_AT + 1U), COMMISSIONED_BYTES);
    eeprom_read_block(crc, cell(COMMISSIONED_AT + 1U + COMMISSIONED_BYTES), sizeof(crc));
    return (mark == COMMISSIONED_MARK) && (get_u16(crc) == record_crc(bytes));
}

bool memory_commissioned(struct commissioned *commissioned)
{
    uint8_t bytes[COMMISSIONED_BYTES];
    bool good = memory_read_commissioned(bytes);

    if (!good) {
        (void)memset(bytes, 0, sizeof(bytes));
    }
    commissioned->board_id = get_u32(&bytes[0]);
    commissioned->horn_ms = get_u16(&bytes[4]);
    commissioned->unused_ready = bytes[6];
    for (uint8_t i = 0U; i < OUTPUTS; i++) {
        const uint8_t *at = &bytes[FIRST_CEILING + (i * CEILING_BYTES)];
        commissioned->ceilings[i].max_on = get_u16(&at[0]);
        commissioned->ceilings[i].min_off = get_u16(&at[2]);
        commissioned->ceilings[i].max_starts_1s = get_u16(&at[4]);
        commissioned->ceilings[i].duty_1s = get_u32(&at[6]);
    }
    return good;
}

static void write_byte(uint16_t at, uint8_t byte)
{
    alive_wait();
    eeprom_update_byte(cell(at), byte);
}

/* The mark last: a record cut short has none, or its CRC does not match. */
void memory_commission(const uint8_t *bytes)
{
    uint16_t crc = record_crc(bytes);

    write_byte(COMMISSIONED_AT, 0xFFU);
    for (uint8_t i = 0U; i < COMMISSIONED_BYTES; i++) {
        write_byte(COMMISSIONED_AT + 1U + i, bytes[i]);
    }
    write_byte(COMMISSIONED_AT + 1U + COMMISSIONED_BYTES, (uint8_t)(crc & 0xFFU));
    write_byte(COMMISSIONED_AT + 2U + COMMISSIONED_BYTES, (uint8_t)(crc >> 8));
    write_byte(COMMISSIONED_AT, COMMISSIONED_MARK);
    alive_wait();
    eeprom_busy_wait();
}
