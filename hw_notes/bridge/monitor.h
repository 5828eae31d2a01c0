/* Power monitors of the INA226 class on the two-wire bus: their inputs as volts.
 * Source: TI SBOS547, register map. */
#ifndef MONITOR_H
#define MONITOR_H

#include <stdbool.h>
#include <stdint.h>

#define MONITORS 16 /* addresses 0x40 to 0x4f */
#define MONITOR_CHANNEL 0x80
#define MOST_MONITOR_SAMPLES 32
#define SHUNT_COUNT_NV 2500UL
#define BUS_COUNT_NV 1250000UL

void monitor_begin(void);

/* Sets up every chip that answers; returns a bit for each. */
uint16_t monitor_find(void);

/* Adds up samples of an input, each from a conversion of its own; the first began after the call.
 * A sample at the end of the range makes the sum that of the end. Returns false without an answer. */
bool monitor_sum(uint8_t chip, bool is_bus, uint8_t samples, int16_t zero, int32_t *sum);

#endif
