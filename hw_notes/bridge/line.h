/* The serial line: frames of COBS with a CRC-16, as described in hw_notes/bridge.md. */
#ifndef LINE_H
#define LINE_H

#include <stdbool.h>
#include <stdint.h>

#ifndef LINE_BAUD
#define LINE_BAUD 500000UL
#endif
#define LONGEST_BODY 200 /* octets of a message with its kind and number, without its CRC */

void line_begin(void);

/* Handles received octets. Returns true when `line_body` holds a complete, valid message. */
bool line_poll(void);
extern uint8_t line_body[LONGEST_BODY + 2];
extern uint8_t line_length; /* of the body, without its CRC */

/* Discards octets received while the program could not handle them. */
void line_forget(void);

/* Sends one message; `body` must have room for two more octets. */
void line_send(uint8_t *body, uint8_t length);

uint16_t crc16(const uint8_t *octets, uint8_t length);

#endif
