/* USB serial bridge on an ATmega328P at 16 MHz. The protocol is in hw_notes/bridge.md.
 *
 * Data lines: PB0 to PB3. Analog inputs: PC0 to PC3, against the internal 1.1 V. Power monitors of
 * the INA226 class: PC4 (SDA), PC5 (SCL). Keys yes, no, back: PD2 to PD4 to GND. Buzzer: PD5. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>
#include <string.h>
#include <util/atomic.h>

#include "line.h"
#include "monitor.h"

#if F_CPU != 16000000UL
#error "shift.S counts cycles of 62.5 ns"
#endif

#define VERSION 1
#define OUTPUTS 4
#define ALL_OUTPUTS 0x0f
#define ANALOGUE 4
#define STORE 1400
#define MOST_NODES 4000
#define COLOURS 16
#define UNKNOWN_SCALE 0xffffffffUL

/* Timer 1 runs freely at 15 625 Hz: 64 us a tick, also while shift() blocks interrupts. */
#define DARK_AFTER 39062 /* 2.5 s */
#define GAP 6            /* at least 320 us low between two frames; node kinds need up to 300 us */

#define DEBOUNCE 312     /* 20 ms */
#define TONE_TIME 3125   /* 0.2 s */
#define KEYS (_BV(PD2) | _BV(PD3) | _BV(PD4))
#define CAN 0x07         /* 400 kHz, keys, tone */

enum kind { HELLO = 1, WIRING, RUNS, SHOW, READ, SCALE, LEAVE, TONE, KEY, ANSWER = 0x80,
            REFUSAL = 0xff };
enum refusal { UNKNOWN = 1, MALFORMED, NO_WIRING, NO_ROOM, NOT_NEXT, INCOMPLETE, NO_SUCH, SILENT };
enum rate { FAST, SLOW, SLOW_LONG };

extern void shift(const uint8_t *runs, const uint8_t *colours, uint16_t nodes, uint8_t channels,
                  uint8_t mask, uint8_t is_long);
extern void shift_slow(const uint8_t *runs, const uint8_t *colours, uint16_t nodes,
                       uint8_t channels, uint8_t mask, uint8_t is_long);

static uint8_t runs[STORE];
static uint8_t colours[COLOURS * 4];
static uint16_t held;       /* runs stored */
static uint16_t held_nodes; /* nodes in the stored runs */
static uint16_t nodes;      /* of the prop; 0 until the wiring is set */
static uint8_t channels;
static uint8_t mask;
static uint8_t rate;        /* of the data line */
static uint8_t last;        /* number of the last message handled */
static uint8_t last_refusal;
static uint16_t fed;        /* time of the last runs or show message */
static uint16_t ended;      /* end of the last frame on a data line */

static uint8_t keys;        /* held down */
static uint16_t keys_at;    /* time of their last change */
static bool is_met;         /* a computer has sent a hello */
static bool is_toned;
static uint16_t tone_from;

struct kept {
    uint32_t scale;
    uint16_t crc;
};
/* analog inputs, then two scales for each monitor, then the zero of its shunt input */
static struct kept EEMEM kept[ANALOGUE + 3 * MONITORS];

static void put16(uint8_t *at, uint16_t value) {
    at[0] = value >> 8;
    at[1] = value & 0xff;
}

static void put32(uint8_t *at, uint32_t value) {
    put16(at, value >> 16);
    put16(at + 2, value & 0xffff);
}

static uint16_t get16(const uint8_t *at) { return (uint16_t)at[0] << 8 | at[1]; }

static uint32_t get32(const uint8_t *at) { return (uint32_t)get16(at) << 16 | get16(at + 2); }

static void light(uint16_t count, uint8_t wide, uint8_t lines) {
    while ((uint16_t)(TCNT1 - ended) < GAP)
        ;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        if (rate == FAST)
            shift(runs, colours, count, wide, lines, 0);
        else
            shift_slow(runs, colours, count, wide, lines, rate == SLOW_LONG);
    }
    ended = TCNT1;
    line_forget();
}

static void go_dark(uint16_t count, uint8_t wide, uint8_t lines) {
    memset(colours, 0, sizeof colours);
    memset(runs, 0x0f, (count + 15) / 16);
    held = held_nodes = 0; /* the frame is lost: show must not bring it back */
    light(count, wide, lines);
}

static void answer(uint8_t kind, uint8_t number, const uint8_t *payload, uint8_t length) {
    uint8_t body[17]; /* hello, the longest, with its CRC */
    body[0] = kind;
    body[1] = number;
    memcpy(body + 2, payload, length);
    line_send(body, length + 2);
}

static void hello(uint8_t number) {
    uint8_t reply[13];
    reply[0] = VERSION;
    reply[1] = OUTPUTS;
    put16(reply + 2, RAMEND - RAMSTART + 1);
    put16(reply + 4, STORE);
    put16(reply + 6, MOST_NODES);
    reply[8] = ANALOGUE;
    reply[9] = LONGEST_BODY;
    reply[10] = CAN;
    put16(reply + 11, monitor_find());
    answer(ANSWER | HELLO, number, reply, sizeof reply);
}

static uint8_t wire(const uint8_t *payload, uint8_t length) {
    if (length != 4 && length != 5)
        return MALFORMED;
    uint16_t count = get16(payload + 2);
    if (payload[0] >= OUTPUTS || count == 0 || count > MOST_NODES)
        return NO_SUCH;
    if (payload[1] != 3 && payload[1] != 4)
        return NO_SUCH;
    if (length == 5 && payload[4] > SLOW_LONG)
        return NO_SUCH;
    rate = length == 5 ? payload[4] : FAST;
    mask = 1 << payload[0];
    channels = payload[1];
    nodes = count;
    held = held_nodes = 0;
    return 0;
}

static uint8_t show(void) {
    if (!nodes)
        return NO_WIRING;
    if (held_nodes != nodes)
        return INCOMPLETE;
    light(nodes, channels, mask);
    return 0;
}

static uint8_t store(const uint8_t *payload, uint8_t length) {
    if (!nodes)
        return NO_WIRING;
    if (length < 4 || payload[3] > COLOURS || length < 4 + payload[3] * 4)
        return MALFORMED;
    uint16_t at = get16(payload);
    uint8_t taken = 4 + payload[3] * 4;
    uint8_t count = length - taken;
    if (at == 0)
        held = held_nodes = 0;
    if (at != held)
        return NOT_NEXT;
    if (count > STORE - held)
        return NO_ROOM;
    memcpy(colours, payload + 4, payload[3] * 4);
    for (const uint8_t *run = payload + taken; count--; run++) {
        runs[held++] = *run;
        held_nodes += (*run & 0x0f) + 1;
    }
    return payload[2] & 1 ? show() : 0;
}

static uint32_t sum_of(uint8_t channel, uint8_t samples) {
    uint32_t sum = 0;
    ADMUX = _BV(REFS1) | _BV(REFS0) | channel; /* internal 1.1 V */
    ADCSRA |= _BV(ADSC);                       /* the first sample after a change is discarded */
    loop_until_bit_is_clear(ADCSRA, ADSC);
    while (samples--) {
        ADCSRA |= _BV(ADSC);
        loop_until_bit_is_clear(ADCSRA, ADSC);
        sum += ADC;
    }
    return sum;
}

/* Returns the place of a stored figure, or NO_PLACE. */
#define NO_PLACE 0xff
static uint8_t place_of(uint8_t channel) {
    if (channel < ANALOGUE)
        return channel;
    if (channel >= MONITOR_CHANNEL && channel < MONITOR_CHANNEL + 3 * MONITORS)
        return ANALOGUE + channel - MONITOR_CHANNEL;
    return NO_PLACE;
}

static uint32_t stored(uint8_t place, uint32_t otherwise) {
    struct kept found;
    eeprom_read_block(&found, &kept[place], sizeof found);
    return crc16((uint8_t *)&found.scale, 4) == found.crc ? found.scale : otherwise;
}

static uint8_t read_monitor(uint8_t channel, uint8_t samples, uint8_t *reply) {
    uint8_t chip = (channel - MONITOR_CHANNEL) / 2, is_bus = channel & 1;
    int16_t zero = is_bus ? 0 : (int16_t)stored(ANALOGUE + 2 * MONITORS + chip, 0);
    int32_t sum;
    if (samples > MOST_MONITOR_SAMPLES)
        return MALFORMED;
    if (channel >= MONITOR_CHANNEL + 2 * MONITORS)
        return NO_SUCH;
    if (!monitor_sum(chip, is_bus, samples, zero, &sum))
        return SILENT;
    put32(reply + 2, sum);
    put32(reply + 6, stored(place_of(channel), is_bus ? BUS_COUNT_NV : SHUNT_COUNT_NV));
    return 0;
}

static uint8_t read(uint8_t number, const uint8_t *payload, uint8_t length) {
    if (length != 2 || payload[1] == 0)
        return MALFORMED;
    uint8_t reply[10] = {payload[0], payload[1]};
    if (payload[0] >= MONITOR_CHANNEL) {
        uint8_t refusal = read_monitor(payload[0], payload[1], reply);
        if (refusal)
            return refusal;
    } else if (payload[0] < ANALOGUE) {
        put32(reply + 2, sum_of(payload[0], payload[1]));
        put32(reply + 6, stored(payload[0], UNKNOWN_SCALE));
    } else {
        return NO_SUCH;
    }
    answer(ANSWER | READ, number, reply, sizeof reply);
    return 0;
}

static uint8_t keep(const uint8_t *payload, uint8_t length) {
    if (length != 5)
        return MALFORMED;
    uint8_t place = place_of(payload[0]);
    if (place == NO_PLACE)
        return NO_SUCH;
    struct kept fresh = {.scale = get32(payload + 1)};
    fresh.crc = crc16((uint8_t *)&fresh.scale, 4);
    eeprom_update_block(&fresh, &kept[place], sizeof fresh);
    return 0;
}

/* Timer 0 toggles PD5 at 1 984 Hz. */
static uint8_t tone(uint8_t length) {
    if (length)
        return MALFORMED;
    TCCR0A = _BV(COM0B0) | _BV(WGM01);
    OCR0A = 62;
    TCCR0B = _BV(CS01) | _BV(CS00);
    tone_from = TCNT1;
    is_toned = true;
    return 0;
}

static void end_tone(void) {
    if (is_toned && (uint16_t)(TCNT1 - tone_from) >= TONE_TIME) {
        TCCR0A = TCCR0B = 0;
        is_toned = false;
    }
}

static void watch_keys(void) {
    uint8_t now = ~PIND & KEYS;
    if (now == keys || (uint16_t)(TCNT1 - keys_at) < DEBOUNCE)
        return;
    uint8_t pressed = now & ~keys;
    keys = now;
    keys_at = TCNT1;
    if (pressed && is_met) {
        uint8_t which = pressed & _BV(PD2) ? 1 : pressed & _BV(PD3) ? 2 : 3;
        answer(ANSWER | KEY, 0, &which, 1);
    }
}

static uint8_t act(uint8_t kind, const uint8_t *payload, uint8_t length) {
    switch (kind) {
    case WIRING:
        return wire(payload, length);
    case RUNS:
        return store(payload, length);
    case SHOW:
        return length ? MALFORMED : show();
    case SCALE:
        return keep(payload, length);
    case TONE:
        return tone(length);
    }
    return UNKNOWN;
}

static void settle(uint8_t kind, uint8_t number, uint8_t refusal) {
    if (refusal)
        answer(REFUSAL, number, &refusal, 1);
    else
        answer(ANSWER | kind, number, &refusal, 0);
}

static void handle(uint8_t kind, uint8_t number, const uint8_t *payload, uint8_t length) {
    if (kind == HELLO) {
        last = number; /* starts a session: message numbers count from here */
        last_refusal = 0;
        is_met = true;
        hello(number);
    } else if (kind == READ) {
        uint8_t refusal = read(number, payload, length);
        if (refusal)
            settle(kind, number, refusal);
    } else {
        if (number != last) /* else its answer was lost: do not run it twice */
            last_refusal = act(kind, payload, length);
        last = number;
        if ((kind == RUNS || kind == SHOW) && !last_refusal)
            fed = TCNT1;
        settle(kind, number, last_refusal);
    }
}

int main(void) {
    DDRB |= ALL_OUTPUTS;
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz */
    DIDR0 = 0x0f;
    DDRD |= _BV(PD5);
    PORTD |= KEYS; /* pull-ups */
    monitor_begin();
    TCCR1B = _BV(CS12) | _BV(CS10);
    line_begin();
    sei();
    /* nodes keep their last data: darken a prop of any length and kind on every line */
    go_dark(MOST_NODES, 4, ALL_OUTPUTS);
    fed = TCNT1;
    hello(0);
    for (;;) {
        if (line_poll())
            handle(line_body[0], line_body[1], line_body + 2, line_length - 2);
        watch_keys();
        end_tone();
        if ((uint16_t)(TCNT1 - fed) >= DARK_AFTER) {
            fed = TCNT1;
            if (nodes)
                go_dark(nodes, channels, mask);
        }
    }
}
