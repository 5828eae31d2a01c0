/* The serial line: frames of COBS with a CRC-16, as hw_notes/bridge.md writes it. */
#ifndef LINE_H
#define LINE_H

#include <stdbool.h>
#include <stdint.h>

#define LONGEST_BODY 200 /* octets of a message with its kind and number, without its CRC */

void line_begin(void);

/* Takes what has come. True when `line_body` holds a whole, undamaged message. */
bool line_poll(void);
extern uint8_t line_body[LONGEST_BODY + 2];
extern uint8_t line_length; /* of the body, without its CRC */

/* Forgets what came while nobody could listen. */
void line_forget(void);

/* Sends one message; `body` must have room for two octets more. */
void line_send(uint8_t *body, uint8_t length);

uint16_t crc16(const uint8_t *octets, uint8_t length);

#endif
