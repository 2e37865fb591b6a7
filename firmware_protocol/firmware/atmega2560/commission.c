/* The local commissioning act; see commission.h. */
#include "commission.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "../core/reader.h"
#include "../core/writer.h"
#include "alive.h"
#include "memory.h"
#include "pins.h"
#include "uart.h"

#define SETTLE_READS 255U /* about 0.2 ms: the pull-up against the wire's capacity */

bool commission_is_wanted(void)
{
    bool low = true;

    PANEL_PORT |= PANEL_INPUTS;
    for (uint8_t i = 0U; i < SETTLE_READS; i++) {
        low = (PANEL_PINS & COMMISSION_BIT) == 0U;
    }
    return low;
}

static void answer(uint8_t sequence)
{
    uint8_t bytes[COMMISSIONED_BYTES];
    struct writer writer;

    writer_begin(&writer, TYPE_COMMISSIONED, sequence);
    writer_u8(&writer, memory_read_commissioned(bytes) ? 1U : 0U);
    for (uint8_t i = 0U; i < COMMISSIONED_BYTES; i++) {
        writer_u8(&writer, bytes[i]);
    }
    writer_end(&writer);
    (void)uart_send(writer.bytes, writer.length);
}

static void obey(const struct reader *reader)
{
    if (reader->bytes[0] != TYPE_COMMISSION) {
        return;
    }
    if (reader->length == (FRAME_MIN + COMMISSIONED_BYTES)) {
        memory_commission(&reader->bytes[2]);
    }
    answer(reader->bytes[1]);
}

void commission_serve(struct reader *reader)
{
    reader_start(reader);
    uart_start();
    sei();
    for (;;) {
        const uint8_t *bytes;
        uint8_t count = 0U;
        uint8_t event = uart_take(&bytes, &count);
        if (event == LINE_ERROR) {
            reader_spoil(reader);
        } else if (event == LINE_BYTES) {
            uint8_t taken = 0U;
            while (taken < count) {
                bool complete;
                taken += reader_take(reader, &bytes[taken], (uint8_t)(count - taken), &complete);
                if (complete) {
                    obey(reader);
                }
            }
        } else {
            /* nothing came */
        }
        alive_wait();
    }
}
