/* Power monitors at addresses 0x40 to 0x4f. */
#ifndef SIMULATED_MONITOR_H
#define SIMULATED_MONITOR_H

#include <stdint.h>

void monitor_set(int number, int is_there, double shunt_v, double bus_v, uint64_t now_us);
int monitor_is_there(int address);
void monitor_write(int address, int which, int value, uint64_t now_us);
int monitor_read(int address, int which, uint64_t now_us);

#endif
