#include <stdint.h>
/* As avr-libc's manual gives it in C. */
static inline uint16_t _crc_xmodem_update(uint16_t crc, uint8_t octet) {
    crc ^= (uint16_t)octet << 8;
    for (int bit = 0; bit < 8; bit++)
        crc = crc & 0x8000 ? (uint16_t)(crc << 1 ^ 0x1021) : (uint16_t)(crc << 1);
    return crc;
}
