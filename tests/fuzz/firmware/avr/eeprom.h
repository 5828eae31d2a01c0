#include <string.h>
#define EEMEM
#define eeprom_read_block memcpy
#define eeprom_update_block(from, to, octets) memcpy(to, from, octets)
