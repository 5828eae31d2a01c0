/* Registers of power monitors of the INA226 class, for the simulated board and, as a library, for
 * the tests of the MicroPython firmware. Source: TI SBOS547, register map and electrical
 * characteristics: shunt 2.5 uV a count, bus 1.25 mV a count, conversion times and averages. */
#include "simulated_monitor.h"

#include <math.h>

struct chip {
    int is_there;
    double shunt_v, bus_v;          /* at the inputs */
    double before_shunt_v, before_bus_v;
    uint64_t changed_us;
    uint16_t configuration;
    uint64_t begun_us;              /* first conversion */
    uint64_t latched;               /* conversions whose result is in the registers */
    uint16_t shunt, bus;
    int is_ready;
};

static struct chip chips[16];
static const unsigned times_us[] = {140, 204, 332, 588, 1100, 2116, 4156, 8244};
static const unsigned averages[] = {1, 4, 16, 64, 128, 256, 512, 1024};

static uint64_t period_us(const struct chip *chip) {
    unsigned c = chip->configuration;
    return (uint64_t)averages[c >> 9 & 7] * (times_us[c >> 6 & 7] + times_us[c >> 3 & 7]);
}

static uint16_t counts(double volts, double count_v, double least) {
    double found = round(volts / count_v);
    return (uint16_t)(int16_t)fmax(least, fmin(32767, found));
}

static void convert(struct chip *chip, uint64_t now_us) {
    uint64_t done = (now_us - chip->begun_us) / period_us(chip);
    if (done == chip->latched)
        return;
    uint64_t start_us = chip->begun_us + (done - 1) * period_us(chip);
    int is_after = start_us >= chip->changed_us;
    chip->shunt = counts(is_after ? chip->shunt_v : chip->before_shunt_v, 2.5e-6, -32768);
    chip->bus = counts(is_after ? chip->bus_v : chip->before_bus_v, 1.25e-3, 0);
    chip->latched = done;
    chip->is_ready = 1;
}

void monitor_set(int number, int is_there, double shunt_v, double bus_v, uint64_t now_us) {
    struct chip *chip = &chips[number & 15];
    if (is_there && !chip->is_there) {
        chip->configuration = 0x4127;
        chip->begun_us = now_us;
        chip->latched = 0;
    }
    chip->is_there = is_there;
    chip->before_shunt_v = chip->shunt_v;
    chip->before_bus_v = chip->bus_v;
    chip->shunt_v = shunt_v;
    chip->bus_v = bus_v;
    chip->changed_us = now_us;
}

int monitor_is_there(int address) {
    return address >= 0x40 && address < 0x50 && chips[address & 15].is_there;
}

void monitor_write(int address, int which, int value, uint64_t now_us) {
    struct chip *chip = &chips[address & 15];
    if (which == 0) {
        chip->configuration = value & 0x8000 ? 0x4127 : value;
        chip->begun_us = now_us; /* writing it halts and restarts conversions */
        chip->latched = 0;
        chip->is_ready = 0;
    }
}

int monitor_read(int address, int which, uint64_t now_us) {
    struct chip *chip = &chips[address & 15];
    convert(chip, now_us);
    switch (which) {
    case 0x00:
        return chip->configuration;
    case 0x01:
        return chip->shunt;
    case 0x02:
        return chip->bus;
    case 0x06: {
        int flags = chip->is_ready << 3;
        chip->is_ready = 0;
        return flags;
    }
    case 0xfe:
        return 0x5449;
    case 0xff:
        return 0x2260;
    }
    return 0;
}
