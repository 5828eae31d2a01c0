/* The bridge's firmware on this computer, under the sanitizers: octets of a line in, the messages
 * that it found and the octets that it answered out. Built by tests/fuzz/board.py.
 *
 *   board SECONDS [stuck]
 *
 * Ends once a stream takes so many seconds of processor time; a busy machine does not count as a
 * hang. With `stuck` its line never has room to send, for which the firmware waits forever.
 *
 * stdin:  16-bit length, octets; again and again, each on a board that was just switched on.
 * stdout: 32-bit length, messages, each with an 8-bit length; 32-bit length, answers. */
#define main firmware_main
#include "bridge.c"
#undef main
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/time.h>

ssize_t write(int file, const void *octets, size_t length); /* unistd.h has a read of its own */

uint8_t UBRR0, UCSR0A, UCSR0B, UCSR0C, DDRB, ADCSRA, ADMUX, DIDR0, TCCR1B;
uint8_t DDRD, PORTC, PORTD, PIND = 0xff, TCCR0A, TCCR0B, OCR0A, TWBR, TWCR, TWSR, TWDR;
uint16_t ADC = 512;
void USART_RX_vect(void);

static uint8_t arriving, hears;
static uint8_t sent[1 << 22];
static uint32_t sent_length;
static uint8_t found[1 << 22];
static uint32_t found_length;

uint8_t *data_register(void) { return hears ? &arriving : &sent[sent_length++]; }

uint16_t tick(void) {
    static uint16_t now;
    return now += 7;
}

/* Reads what the assembler's loop reads: every run up to the last node, and its colour. */
void shift(const uint8_t *from, const uint8_t *palette, uint16_t count, uint8_t wide,
           uint8_t lines, uint8_t is_long) {
    static volatile uint8_t seen;
    while (count) {
        uint8_t run = *from++, alike = (run & 0x0f) + 1;
        for (uint8_t channel = 0; channel < wide; channel++)
            seen ^= palette[(run >> 4) * 4 + channel];
        count -= alike < count ? alike : count;
    }
    (void)lines, (void)is_long;
}

void shift_slow(const uint8_t *from, const uint8_t *palette, uint16_t count, uint8_t wide,
                uint8_t lines, uint8_t is_long) {
    shift(from, palette, count, wide, lines, is_long);
}

static void switch_on(void) {
    memset(runs, 0, sizeof runs);
    memset(colours, 0, sizeof colours);
    memset(kept, 0xff, sizeof kept);
    held = held_nodes = nodes = channels = mask = last = last_refusal = rate = 0;
    is_met = is_toned = false;
    sent_length = found_length = 0;
    line_forget();
}

static void hear(uint8_t octet) {
    arriving = octet;
    hears = 1;
    USART_RX_vect();
    hears = 0;
    if (!line_poll())
        return;
    found[found_length++] = line_length;
    memcpy(found + found_length, line_body, line_length);
    found_length += line_length;
    handle(line_body[0], line_body[1], line_body + 2, line_length - 2);
}

static void hangs(int number) {
    static const char words[] = "the firmware hangs\n";
    (void)number;
    _Exit(write(2, words, sizeof words - 1) < 0 ? 2 : 1); /* nothing else is safe in a signal */
}

static void allow(double seconds) {
    struct itimerval most = {.it_value.tv_sec = seconds};
    most.it_value.tv_usec = (seconds - most.it_value.tv_sec) * 1e6;
    setitimer(ITIMER_PROF, &most, 0);
}

int main(int argc, char **argv) {
    static uint8_t octets[1 << 16];
    uint16_t length;
    if (argc < 2)
        return 2;
    signal(SIGPROF, hangs);
    line_begin();
    if (argc < 3)
        UCSR0A |= _BV(UDRE0); /* there is always room to send */
    while (fread(&length, sizeof length, 1, stdin) == 1) {
        if (fread(octets, 1, length, stdin) != length)
            return 1;
        allow(atof(argv[1])); /* an endless loop stops the board and is reported */
        switch_on();
        for (uint16_t at = 0; at < length; at++)
            hear(octets[at]);
        fwrite(&found_length, sizeof found_length, 1, stdout);
        fwrite(found, 1, found_length, stdout);
        fwrite(&sent_length, sizeof sent_length, 1, stdout);
        fwrite(sent, 1, sent_length, stdout);
        fflush(stdout);
        allow(0.0);
    }
    return 0;
}
