#include "line.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/crc16.h>

#define RING 64 /* a power of two; 1.3 ms of the line */

static volatile uint8_t ring[RING];
static volatile uint8_t head;
static uint8_t tail;

uint8_t line_body[LONGEST_BODY + 2];
uint8_t line_length;

static uint8_t filled; /* octets of line_body */
static uint8_t left;   /* octets left before the next code */
static bool zero_due;  /* a zero follows the last group */
static bool damaged;   /* discard octets up to the next delimiter */

void line_begin(void) {
    UBRR0 = (F_CPU / 8 + LINE_BAUD / 2) / LINE_BAUD - 1; /* 3 at 500 000 baud, which is exact */
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); /* 8N1 */
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

ISR(USART_RX_vect) {
    uint8_t status = UCSR0A; /* belongs to the octet and must be read before it */
    uint8_t octet = UDR0;
    uint8_t next = (head + 1) & (RING - 1);
    /* the CRC detects octets that are damaged or do not fit */
    if (next != tail && !(status & _BV(FE0))) {
        ring[head] = octet;
        head = next;
    }
}

uint16_t crc16(const uint8_t *octets, uint8_t length) {
    uint16_t crc = 0xffff;
    while (length--)
        crc = _crc_xmodem_update(crc, *octets++);
    return crc;
}

static void put(uint8_t octet) {
    if (filled == sizeof line_body)
        damaged = true;
    else
        line_body[filled++] = octet;
}

static void restart(void) {
    filled = left = 0;
    zero_due = damaged = false;
}

void line_forget(void) {
    while (UCSR0A & _BV(RXC0))
        (void)UDR0;
    tail = head;
    restart();
}

/* Returns true at a delimiter after a valid message. */
static bool is_whole(void) {
    return !damaged && left == 0 && filled >= 4 && crc16(line_body, filled) == 0;
}

static bool take(uint8_t octet) {
    if (octet == 0) {
        bool whole = is_whole();
        line_length = filled - 2;
        restart();
        return whole;
    }
    if (left) {
        put(octet);
        left--;
    } else {
        if (zero_due)
            put(0);
        left = octet - 1;
        zero_due = octet != 0xff;
    }
    return false;
}

bool line_poll(void) {
    while (tail != head) {
        uint8_t octet = ring[tail];
        tail = (tail + 1) & (RING - 1);
        if (take(octet))
            return true;
    }
    return false;
}

static void send_octet(uint8_t octet) {
    while (!(UCSR0A & _BV(UDRE0)))
        ;
    UDR0 = octet;
}

void line_send(uint8_t *body, uint8_t length) {
    uint16_t crc = crc16(body, length);
    body[length++] = crc >> 8;
    body[length++] = crc & 0xff;
    send_octet(0); /* ends a partial message in the receiver */
    uint8_t from = 0;
    for (uint8_t to = 0; to <= length; to++) {
        if (to < length && body[to] != 0)
            continue;
        send_octet(to - from + 1); /* answers are much shorter than 254 octets */
        while (from < to)
            send_octet(body[from++]);
        from = to + 1;
    }
    send_octet(0);
}
