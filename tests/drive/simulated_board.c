/* Runs a firmware image on a simulated ATmega328P: its UART on a pseudo-terminal, the edges of
 * its data lines in a file. Built by the tests against simavr (GPL-3), and never shipped.
 *
 *   simulated_board IMAGE.elf EDGES [free]
 *
 * Prints the name of the pseudo-terminal. Without `free` it is held to real time. Reads commands,
 * one a line, and answers each with the cycle it is at and the lowest stack pointer so far:
 *   adc CHANNEL MILLIVOLTS    volts at an analog input
 *   monitor N MICROVOLTS MILLIVOLTS   shunt and bus input of power monitor N; plugs it in
 *   unplug N                  take power monitor N away
 *   key PIN LEVEL             level at a pin of port D
 *   reset                     press the reset button
 *   sync                      write all edges to the file
 *   quit
 * EDGES: 64-bit words, cycle * 256 + pin * 2 + level; pin 8 is the buzzer's. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_twi.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#include "simulated_monitor.h"

#define HERTZ 16000000
#define OCTET_CYCLES 320 /* 10 bits at 500 000 baud */
#define SLICE 16000      /* cycles between two checks of the clock: 1 ms */

static avr_t *avr;
static FILE *edges;
static int line, far_end;
static int may_send;
static unsigned lowest_stack = 0xffff;
static avr_irq_t *uart_in;

static void on_octet(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    uint8_t octet = value;
    if (write(line, &octet, 1) != 1)
        return; /* no reader: the octet is lost, as on a real line */
}

static void on_xon(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)value, (void)param;
    may_send = 1;
}

static void on_xoff(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)value, (void)param;
    may_send = 0;
}

static void on_edge(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    uint64_t word = avr->cycle << 8 | (uint64_t)(uintptr_t)param << 1 | (value & 1);
    fwrite(&word, sizeof word, 1, edges);
}

static uint64_t now_us(void) { return avr->cycle / (HERTZ / 1000000); }

/* The two-wire bus: register number first, then octets of its value, the high one first. */
static void on_two_wire(struct avr_irq_t *irq, uint32_t value, void *param) {
    static int address, which, place, written;
    avr_twi_msg_irq_t v = {.u.v = value};
    avr_irq_t *in = avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_INPUT);
    (void)irq, (void)param;
    if (v.u.twi.msg & TWI_COND_STOP)
        address = 0;
    if (v.u.twi.msg & TWI_COND_START) {
        address = monitor_is_there(v.u.twi.addr >> 1) ? v.u.twi.addr >> 1 : 0;
        place = 0;
        if (address)
            avr_raise_irq(in, avr_twi_irq_msg(TWI_COND_ACK, v.u.twi.addr, 1));
    }
    if (!address)
        return;
    if (v.u.twi.msg & TWI_COND_WRITE) {
        avr_raise_irq(in, avr_twi_irq_msg(TWI_COND_ACK, v.u.twi.addr, 1));
        if (place == 0)
            which = v.u.twi.data;
        else
            written = written << 8 | v.u.twi.data;
        if (place++ == 2)
            monitor_write(address, which, written & 0xffff, now_us());
    }
    if (v.u.twi.msg & TWI_COND_READ) {
        static int found;
        if (place++ == 0)
            found = monitor_read(address, which, now_us());
        avr_raise_irq(in, avr_twi_irq_msg(TWI_COND_READ, v.u.twi.addr,
                                          place == 1 ? found >> 8 : found & 0xff));
    }
}

static void connect_uart(void) {
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_octet, 0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON),
                            on_xon, 0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF),
                            on_xoff, 0);
}

static void load(const char *image) {
    elf_firmware_t firmware = {0};
    if (elf_read_firmware(image, &firmware)) {
        fprintf(stderr, "%s: no firmware image\n", image);
        exit(2);
    }
    avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    firmware.frequency = HERTZ;
    avr_load_firmware(avr, &firmware);
    avr->vcc = avr->avcc = avr->aref = 5000;
    connect_uart();
    for (uintptr_t pin = 0; pin < 8; pin++)
        avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), pin), on_edge,
                                (void *)pin);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 5), on_edge,
                            (void *)(uintptr_t)8);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_OUTPUT),
                            on_two_wire, 0);
}

static void open_line(void) {
    struct termios raw;
    line = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (line < 0 || grantpt(line) || unlockpt(line)) {
        perror("pty");
        exit(2);
    }
    far_end = open(ptsname(line), O_RDWR | O_NOCTTY); /* kept open while other programs open and close it */
    tcgetattr(far_end, &raw);
    cfmakeraw(&raw);
    tcsetattr(far_end, TCSANOW, &raw);
    printf("%s\n", ptsname(line));
    fflush(stdout);
}

static int is_readable(int file) {
    struct pollfd waits = {.fd = file, .events = POLLIN};
    return poll(&waits, 1, 0) > 0;
}

/* Runs one command. Returns false at the end. */
static int obey(void) {
    char words[80], name[16] = "";
    unsigned channel, millivolts;
    int microvolts;
    if (!fgets(words, sizeof words, stdin) || sscanf(words, "%15s", name) != 1)
        return 0;
    if (!strcmp(name, "quit"))
        return 0;
    if (!strcmp(name, "adc") && sscanf(words, "%*s %u %u", &channel, &millivolts) == 2)
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, channel), millivolts);
    if (!strcmp(name, "monitor") &&
        sscanf(words, "%*s %u %d %u", &channel, &microvolts, &millivolts) == 3)
        monitor_set(channel, 1, microvolts * 1e-6, millivolts * 1e-3, now_us());
    if (!strcmp(name, "unplug") && sscanf(words, "%*s %u", &channel) == 1)
        monitor_set(channel, 0, 0, 0, now_us());
    if (!strcmp(name, "key") && sscanf(words, "%*s %u %u", &channel, &millivolts) == 2)
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), channel), millivolts);
    if (!strcmp(name, "reset")) {
        avr_reset(avr);
        for (int pin = 2; pin < 5; pin++) /* the simulator's pull-ups act on a change alone */
            avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), pin), 0);
    }
    fflush(edges);
    printf("%" PRIu64 " %u\n", (uint64_t)avr->cycle, lowest_stack);
    fflush(stdout);
    return 1;
}

static void feed_uart(void) {
    static avr_cycle_count_t last;
    uint8_t octet;
    if (!may_send || avr->cycle - last < OCTET_CYCLES)
        return;
    last = avr->cycle;
    if (read(line, &octet, 1) == 1)
        avr_raise_irq(uart_in, octet);
}

static void watch_stack(void) {
    unsigned stack = avr->data[R_SPL] | avr->data[R_SPH] << 8;
    if (stack < lowest_stack)
        lowest_stack = stack;
}

/* Sleeps while the simulation is ahead of the clock; a slow machine makes a slow board. */
static void hold_to_real_time(void) {
    static double start_s;
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    double now_s = now.tv_sec + now.tv_nsec * 1e-9;
    double ahead_s = start_s + (double)avr->cycle / HERTZ - now_s;
    if (ahead_s < -0.05 || ahead_s > 0.05)
        start_s = now_s - (double)avr->cycle / HERTZ;
    else if (ahead_s > 0)
        usleep(ahead_s * 1e6);
}

int main(int argc, char **argv) {
    if (argc < 3 || !(edges = fopen(argv[2], "wb")))
        return 2;
    int free_running = argc > 3;
    load(argv[1]);
    open_line();
    avr_cycle_count_t looked = 0, polled = 0;
    for (;;) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed)
            return 1;
        watch_stack();
        if (avr->cycle - polled >= OCTET_CYCLES) {
            polled = avr->cycle;
            feed_uart();
        }
        if (avr->cycle - looked >= SLICE) {
            looked = avr->cycle;
            if (is_readable(0) && !obey())
                return 0;
            if (!free_running)
                hold_to_real_time();
        }
    }
}
