#include "monitor.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define FIRST_ADDRESS 0x40
#define CONFIGURATION 0x4527 /* both inputs without end, 1.1 ms a conversion, averages of 16 */
#define MAKER 0x5449         /* "TI" */
#define READY 0x0008         /* conversion ready */
#define PATIENCE 1562        /* 0.1 s of timer 1; a conversion takes 35 ms */

enum reg { CONFIGURE = 0, SHUNT = 1, BUS = 2, MASK_ENABLE = 6, MAKER_ID = 0xfe };
/* Status of the two-wire interface, ATmega328P data sheet. */
enum status {
    STARTED = 0x08, STARTED_AGAIN = 0x10, SENT_ADDRESS_WRITE = 0x18, SENT_OCTET = 0x28,
    SENT_ADDRESS_READ = 0x40, HEARD_OCTET = 0x50, HEARD_LAST = 0x58,
};
enum outcome { PENDING, GOOD, BAD };

/* One exchange: octets out, then octets in. */
static uint8_t target, is_reading, out[3], out_count, in[2], in_count, at;
static volatile uint8_t outcome;

void monitor_begin(void) {
    PORTC |= _BV(PC4) | _BV(PC5); /* weak pull-ups: without a chip the lines must not float */
    TWBR = 72;                    /* 100 kHz: 16 MHz / (16 + 2 * 72) */
}

static void go(uint8_t control) { TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWIE) | control; }

static void finish(uint8_t how) {
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
    outcome = how;
}

ISR(TWI_vect) {
    switch (TWSR & 0xf8) {
    case STARTED:
    case STARTED_AGAIN:
        TWDR = target << 1 | is_reading;
        at = 0;
        go(0);
        break;
    case SENT_ADDRESS_WRITE:
    case SENT_OCTET:
        if (at < out_count) {
            TWDR = out[at++];
            go(0);
        } else if (in_count) {
            is_reading = 1;
            go(_BV(TWSTA));
        } else {
            finish(GOOD);
        }
        break;
    case SENT_ADDRESS_READ:
        go(in_count > 1 ? _BV(TWEA) : 0);
        break;
    case HEARD_OCTET:
        in[at++] = TWDR;
        go(at + 1 < in_count ? _BV(TWEA) : 0);
        break;
    case HEARD_LAST:
        in[at++] = TWDR;
        finish(GOOD);
        break;
    default:
        finish(BAD);
    }
}

/* A chip that holds a line low must not stop the board. */
static bool exchange(uint8_t chip, uint8_t outs, uint8_t ins) {
    target = FIRST_ADDRESS + chip;
    is_reading = 0;
    out_count = outs;
    in_count = ins;
    outcome = PENDING;
    go(_BV(TWSTA));
    for (uint16_t looks = 0; looks < 4000; looks++)
        if (outcome != PENDING)
            return outcome == GOOD;
    TWCR = 0;
    return false;
}

static bool read_register(uint8_t chip, uint8_t which, uint16_t *value) {
    out[0] = which;
    if (!exchange(chip, 1, 2))
        return false;
    *value = (uint16_t)in[0] << 8 | in[1];
    return true;
}

static bool write_register(uint8_t chip, uint8_t which, uint16_t value) {
    out[0] = which;
    out[1] = value >> 8;
    out[2] = value & 0xff;
    return exchange(chip, 3, 0);
}

uint16_t monitor_find(void) {
    uint16_t found = 0, maker;
    for (uint8_t chip = 0; chip < MONITORS; chip++)
        if (read_register(chip, MAKER_ID, &maker) && maker == MAKER &&
            write_register(chip, CONFIGURE, CONFIGURATION))
            found |= 1U << chip;
    return found;
}

static bool wait_for_conversion(uint8_t chip) {
    uint16_t flags, from = TCNT1;
    while ((uint16_t)(TCNT1 - from) < PATIENCE) {
        if (!read_register(chip, MASK_ENABLE, &flags))
            return false;
        if (flags & READY) /* reading it has cleared it */
            return true;
    }
    return false;
}

bool monitor_sum(uint8_t chip, bool is_bus, uint8_t samples, int16_t zero, int32_t *sum) {
    int16_t end = 0;
    /* the first two conversions to end began before this call, or may have */
    if (!wait_for_conversion(chip) || !wait_for_conversion(chip))
        return false;
    *sum = 0;
    for (uint8_t taken = 0; taken < samples; taken++) {
        uint16_t value;
        if (!wait_for_conversion(chip) || !read_register(chip, is_bus ? BUS : SHUNT, &value))
            return false;
        if (value == 0x7fff || value == 0x8000)
            end = (int16_t)value;
        *sum += (int16_t)value - zero;
    }
    if (end)
        *sum = (int32_t)end * samples;
    return true;
}
