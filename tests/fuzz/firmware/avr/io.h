/* The ATmega328P as far as the bridge's firmware looks at it, for a computer. Only for tests. */
#ifndef FUZZ_IO_H
#define FUZZ_IO_H
#include <stdint.h>

extern uint8_t UBRR0, UCSR0A, UCSR0B, UCSR0C, DDRB, ADCSRA, ADMUX, DIDR0, TCCR1B;
extern uint8_t DDRD, PORTC, PORTD, PIND, TCCR0A, TCCR0B, OCR0A, TWBR, TWCR, TWSR, TWDR;
extern uint16_t ADC;
uint8_t *data_register(void);
uint16_t tick(void);
#define UDR0 (*data_register())
#define TCNT1 (tick())

#define _BV(bit) (1 << (bit))
enum { FE0 = 4, UDRE0 = 5, RXC0 = 7, U2X0 = 1, UCSZ00 = 1, UCSZ01 = 2, TXEN0 = 3, RXEN0 = 4 };
enum { RXCIE0 = 7, REFS0 = 6, REFS1 = 7, ADPS0 = 0, ADPS1 = 1, ADPS2 = 2, ADSC = 6, ADEN = 7 };
enum { PC4 = 4, PC5, PD2 = 2, PD3, PD4, PD5, COM0B0 = 4, WGM01 = 1, CS00 = 0, CS01 };
enum { TWIE = 0, TWEN = 2, TWSTO = 4, TWSTA = 5, TWEA = 6, TWINT = 7 };
enum { CS10 = 0, CS12 = 2, RAMSTART = 0x100, RAMEND = 0x8ff };
#define loop_until_bit_is_clear(place, bit) ((void)0) /* conversions take no time here */
#endif
