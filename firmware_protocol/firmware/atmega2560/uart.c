/* The serial line: what is received, and breaks; see uart.h. */
#include "uart.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "../core/bytes.h"
#include "../core/catalogue.h"
#include "../core/crc.h"
#include "pins.h"
#include "ticks.h"

#define BAUD_DIVISOR 3U /* 500 kbaud at 16 MHz with U2X: exact */
#define ERRORS 8U       /* places of broken bytes kept; a power of two */
#define RX_BYTES 256U   /* 5.1 ms; places wrap by themselves */
#define MOST_BYTES 32U   /* handed over at once: their room is free only afterwards */
/* What is handed over has no more than the end of one frame and a whole one, which takes up to 2 ms: the
 * shortest on the wire. */
#define LEAST_WIRE 6U
/* 2 ms, less what the interrupts of the broken byte and of the rise may be late by: none of 2 ms is missed,
 * and none shorter than 1.97 ms taken. */
#define BREAK_TICKS (4000U - 60U)

/* A stop frame on the wire: COBS of type, sequence, source and CRC, and its 0x00. */
#define STOP_WIRE 7U
#define STOP_RAW 5U
#define NEVER_OF_A_STOP 0xFFU /* as a code byte too long, as one more byte too many */

/* A byte is found broken 9.5 bits after its start: 19 us. */
#define STOP_BIT_TICKS 38U

/* GPIOR1 and GPIOR2 are cheaper than RAM. */
#define RX_HEAD GPIOR1 /* written by the interrupt */
#define RX_TAIL GPIOR2 /* written by the main loop */

static uint8_t rx_ring[RX_BYTES] __attribute__((used));
static volatile uint8_t error_at[ERRORS];
/* The head right after what may be a stop frame. */
/* cppcheck-suppress misra-c2012-8.9 ; the receive interrupt writes it, in assembler */
static volatile uint8_t stop_at __attribute__((used));
static volatile uint8_t error_head;
static volatile uint8_t error_tail;
volatile uint8_t uart_lost;
static uint8_t rx_handed; /* bytes handed over and not yet freed */

/* The watch: off, on since `low_since`, or over with the line low for 2 ms. */
#define WATCH_OFF 0U
#define WATCH_LOW 1U
#define WATCH_ENDED_LONG 2U
static volatile uint8_t watch;
static volatile uint16_t low_since;

static void watch_off(void)
{
    PCMSK1 = 0U;
    watch = WATCH_OFF;
}

static void put(uint8_t byte)
{
    uint8_t next = (uint8_t)(RX_HEAD + 1U);

    rx_ring[RX_HEAD] = byte;
    if (next == RX_TAIL) {
        uart_lost++;
    } else {
        RX_HEAD = next;
    }
}

/* A byte that came broken, or after one that was lost: the rest of the receive interrupt, which has read
 * the status only. */
void __vector_broken_byte(void) __attribute__((signal, used));
void __vector_broken_byte(void)
{
    uint8_t status = UCSR0A;
    uint8_t byte = UDR0;
    uint8_t head = RX_HEAD;
    uint8_t next = (uint8_t)((uint8_t)(error_head + 1U) & (ERRORS - 1U));

    if (next != error_tail) {
        error_at[error_head] = head;
        error_head = next;
    }
    if ((status & (1U << DOR0)) != 0U) {
        uart_lost++;
    }
    if ((status & (1U << FE0)) != 0U) {
        put(NEVER_OF_A_STOP); /* falls in the frame that the error spoils */
        low_since = (uint16_t)(ticks_now16() - STOP_BIT_TICKS);
        PCIFR = (1U << PCIF1);
        PCMSK1 = LINE_BIT;
        watch = WATCH_LOW;
        if ((LINE_PINS & LINE_BIT) != 0U) {
            watch_off();
        }
    } else {
        put(byte);
    }
}

/* A byte every 320 cycles at worst: this interrupt is the processor's greatest single load, so the good
 * byte's way is written by hand (three registers; the place at the head is always free). A 0x00 six places
 * after a byte that is the type of a stop frame calls timer 0's compare interrupt, which looks closer. */
/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
ISR(USART0_RX_vect, ISR_NAKED)
{
    __asm__ volatile(
        "push r24\n\t"
        "in r24, __SREG__\n\t"
        "push r24\n\t"
        "lds r24, %[status]\n\t"
        "andi r24, %[broken]\n\t"
        "brne 3f\n\t"
        "push r30\n\t"
        "push r31\n\t"
        "in r30, %[head]\n\t"
        "ldi r31, 0\n\t"
        "subi r30, lo8(-(rx_ring))\n\t"
        "sbci r31, hi8(-(rx_ring))\n\t"
        "lds r24, %[data]\n\t"
        "st Z, r24\n\t"
        "mov r31, r24\n\t"
        "in r24, %[head]\n\t"
        "inc r24\n\t"
        "in r30, %[tail]\n\t"
        "cp r24, r30\n\t"
        "breq 2f\n\t"
        "out %[head], r24\n\t"
        "tst r31\n\t"
        "breq 4f\n"
        "1: pop r31\n\t"
        "pop r30\n\t"
        "pop r24\n\t"
        "out __SREG__, r24\n\t"
        "pop r24\n\t"
        "reti\n"
        "2: lds r24, uart_lost\n\t" /* no room */
        "inc r24\n\t"
        "sts uart_lost, r24\n\t"
        "rjmp 1b\n"
        "4: mov r30, r24\n\t" /* r31 is 0 */
        "subi r30, %[type_back]\n\t"
        "subi r30, lo8(-(rx_ring))\n\t"
        "sbci r31, hi8(-(rx_ring))\n\t"
        "ld r30, Z\n\t"
        "cpi r30, %[stop]\n\t"
        "brne 1b\n\t"
        "sts stop_at, r24\n\t"
        "lds r24, %[timer]\n\t"
        "ori r24, %[compare]\n\t"
        "sts %[timer], r24\n\t"
        "rjmp 1b\n"
        "3: pop r24\n\t"
        "out __SREG__, r24\n\t"
        "pop r24\n\t"
        "jmp __vector_broken_byte"
        :
        : [status] "i"(&UCSR0A), [data] "i"(&UDR0), [broken] "M"((1U << FE0) | (1U << DOR0)),
          [head] "I"(_SFR_IO_ADDR(RX_HEAD)), [tail] "I"(_SFR_IO_ADDR(RX_TAIL)),
          [type_back] "M"(STOP_WIRE - 1U), [stop] "M"(TYPE_STOP),
          [timer] "i"(&TIMSK0), [compare] "M"(1U << OCIE0A));
}

bool uart_heard_stop(void)
{
    uint8_t at = (uint8_t)(stop_at - (STOP_WIRE + 1U));
    uint8_t raw[STOP_RAW];
    uint8_t block_left;
    uint16_t crc = CRC16_START;

    if (rx_ring[at] != 0U) {
        return false;
    }
    at++;
    block_left = (uint8_t)(rx_ring[at] - 1U);
    for (uint8_t i = 0U; i < STOP_RAW; i++) {
        uint8_t byte;
        at++;
        byte = rx_ring[at];
        if (byte == 0U) {
            return false;
        }
        if (block_left != 0U) {
            block_left--;
        } else {
            block_left = (uint8_t)(byte - 1U);
            byte = 0U;
        }
        raw[i] = byte;
    }
    for (uint8_t i = 0U; i < (STOP_RAW - 2U); i++) {
        crc = crc16_add(crc, raw[i]);
    }
    return (block_left == 0U) && (raw[0] == TYPE_STOP) && (crc == get_u16(&raw[STOP_RAW - 2U]));
}

/* The line rose while it was watched. */
/* cppcheck-suppress misra-c2012-8.4 ; avr-libc's ISR declares it */
ISR(PCINT1_vect)
{
    bool was_long = (uint16_t)(ticks_now16() - low_since) >= BREAK_TICKS;

    if (watch == WATCH_LOW) {
        PCMSK1 = 0U;
        watch = was_long ? WATCH_ENDED_LONG : WATCH_OFF;
    }
}

void uart_start(void)
{
    RX_HEAD = 0U;
    RX_TAIL = 0U;
    PORTE |= LINE_BIT; /* a line that is not there is idle, not a break */
    UBRR0 = BAUD_DIVISOR;
    UCSR0A = (1U << U2X0);
    UCSR0C = (1U << UCSZ01) | (1U << UCSZ00);
    UCSR0B = (1U << RXCIE0) | (1U << RXEN0) | (1U << TXEN0);
    PCICR = (1U << PCIE1);
}

uint8_t uart_waiting(void)
{
    return (uint8_t)((uint8_t)(RX_HEAD - RX_TAIL) - rx_handed);
}

uint8_t uart_take(const uint8_t **bytes, uint8_t *count)
{
    uint8_t tail = (uint8_t)(RX_TAIL + rx_handed);
    uint8_t length = LEAST_WIRE;
    uint8_t head;
    uint8_t left;

    RX_TAIL = tail;
    rx_handed = 0U;
    head = RX_HEAD;
    if (error_tail != error_head) {
        head = error_at[error_tail]; /* only as far as the next broken byte */
        if (head == tail) {
            error_tail = (uint8_t)((uint8_t)(error_tail + 1U) & (ERRORS - 1U));
            return LINE_ERROR;
        }
    }
    if (head == tail) {
        return LINE_NOTHING;
    }
    left = (uint8_t)(((head > tail) ? head : RX_BYTES) - tail); /* up to the ring's end */
    if (left > MOST_BYTES) {
        left = MOST_BYTES;
    }
    while ((length < left) && (rx_ring[tail + length - 1U] != 0U)) {
        length++;
    }
    if (length < left) {
        left = length;
    }
    *count = left;
    *bytes = &rx_ring[tail];
    rx_handed = left;
    return LINE_BYTES;
}

uint8_t uart_watch_break(void)
{
    static bool told; /* the break that lasts, or has ended, was told */
    uint8_t state = LINE_STAYS;

    if (watch == WATCH_OFF) { /* most of the time */
        if (told) {
            told = false;
            state = LINE_IDLE;
        }
        return state;
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        bool is_long = (watch == WATCH_ENDED_LONG) ||
                       ((uint16_t)(ticks_now16() - low_since) >= BREAK_TICKS);
        if (told) {
            low_since = (uint16_t)(ticks_now16() - BREAK_TICKS); /* long for good, however it wraps */
        }
        if (is_long && !told) {
            told = true;
            state = LINE_BREAK;
        } else if ((watch == WATCH_ENDED_LONG) || ((LINE_PINS & LINE_BIT) != 0U)) {
            watch_off();
        } else {
            /* low, not yet long or told already */
        }
    }
    return state;
}
