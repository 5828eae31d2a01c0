; Frames onto the one-wire data line of the nodes, timed by counting cycles at 16 MHz.
;
; void shift(const uint8_t *runs, const uint8_t *colours, uint16_t nodes, uint8_t channels,
;            r25:r24              r23:r22                 r21:r20         r18
;            uint8_t mask, uint8_t is_long)
;            r16           r14
;
; shift, 800 kHz: one bit is 20 cycles, 1250 ns, with no pause between bits, octets, nodes or runs:
;   0: 5 cycles high (312.5 ns), 15 low (937.5 ns)     1: 11 high (687.5 ns), 9 low (562.5 ns)
; All four lie within the windows of the WS2811 (800 kHz), WS2812B and SK6812 data sheets at once.
;
; shift_slow, 400 kHz: one bit is 40 cycles, 2500 ns:
;   0: 8 high (500 ns), 32 low (2000 ns)
;   1: 19 high (1187.5 ns), 21 low (1312.5 ns); with is_long 31 high (1937.5 ns), 9 low (562.5 ns)
; They lie within the windows of the WS2811 (400 kHz) and, with is_long, UCS1903 data sheets.
;
; A bit leaves two slots free: 5 cycles before the late fall and 8 after it. Everything else is
; done in them: colours are fetched while a node's first octet goes out, and what the next node
; needs while its second does. No branch there changes the count of cycles.

#include <avr/io.h>

#define left_l r20
#define left_h r21
#define level r22
#define high r18
#define low r19
#define octet r24
#define channels r25
#define count r23
#define second r2
#define third r3
#define fourth r4
#define found_l r6
#define found_h r7
#define ahead r16
#define work r17
#define take r5
#define zero r1
#define is_long r14
#define middle r15
; X: next run    Y: colours    Z: this run's colour

.macro pause cycles
    .rept \cycles / 2
    rjmp .+0
    .endr
    .if \cycles % 2
    nop
    .endif
.endm

.macro rise bit                     ; cycles 0 to 5 (slow: 8): high, and low again for a 0
    out _SFR_IO_ADDR(PORTB), high
    mov level, low
    sbrc octet, \bit
    mov level, high
    .if slow
    mov middle, low
    sbrc is_long, 0
    mov middle, level
    .endif
    nop
    out _SFR_IO_ADDR(PORTB), level
.endm

.macro fall                         ; cycle 11 (slow: 19 or 31): low
    .if slow
    pause 5
    out _SFR_IO_ADDR(PORTB), middle
    pause 11
    .endif
    out _SFR_IO_ADDR(PORTB), low
.endm

.macro plain bit
    rise \bit
    pause 5
    fall
    pause 8
.endm

.macro sender name, is_slow
.set slow, \is_slow
.global \name
.section .text.\name, "ax", @progbits
\name:
    push r2
    push r3
    push r4
    push r5
    push r6
    push r7
    push r15
    push r16
    push r17
    push r28
    push r29
    movw r26, r24
    movw r28, r22
    mov channels, r18
    in low, _SFR_IO_ADDR(PORTB)
    mov high, low
    or high, r16
    com r16
    and low, r16
    ; the first run, and its colour's first octet
    ld ahead, X+
    mov work, ahead
    andi ahead, 0x0f
    inc ahead
    mov count, ahead
    andi work, 0xf0
    lsr work
    lsr work
    movw r30, r28
    add r30, work
    adc r31, zero
    ld octet, Z

node\@:                               ; first octet
    rise 7
    pause 5
    fall
    ldd second, Z+1                 ; 2
    ldd third, Z+2                  ; 2
    ldd fourth, Z+3                 ; 2
    pause 2
    plain 6
    plain 5
    plain 4
    plain 3
    plain 2
    plain 1
    rise 0
    pause 5
    fall
    mov octet, second               ; 1
    pause 7

    rise 7                          ; second octet; count the node
    pause 5
    fall
    subi left_l, 1                  ; 1
    sbci left_h, 0                  ; 1
    pause 6
    rise 6                          ; read the next run: node count and colour
    pause 5
    fall
    ld ahead, X                 ; 2
    mov work, ahead             ; 1
    andi ahead, 0x0f            ; 1
    inc ahead                   ; 1
    andi work, 0xf0                 ; 1
    lsr work                        ; 1
    lsr work                        ; 1
    rise 5
    pause 5
    fall
    movw found_l, r28               ; 1
    add found_l, work               ; 1
    adc found_h, zero               ; 1
    dec count                       ; 1
    pause 4
    rise 4                          ; use it if this run has ended
    pause 5
    fall
    clr take                        ; 1
    cpse count, zero                ; 1 or 2
    rjmp 1f                         ; 2, so 4 in all; without it 3
    inc take                        ; 1, so 4 in all
1:  pause 4
    rise 3
    pause 5
    fall
    sbrc take, 0                    ; these two are 2 either way
    mov count, ahead
    sbrc take, 0
    movw r30, found_l
    add r26, take                   ; 1
    adc r27, zero                   ; 1
    pause 2
    plain 2
    plain 1
    rise 0
    pause 5
    fall
    mov octet, third                ; 1
    pause 7

    plain 7                         ; third octet
    plain 6
    plain 5
    plain 4
    plain 3
    plain 2
    plain 1
    rise 0
    mov work, left_l                ; 1
    or work, left_h                 ; 1; the zero flag lives until the branch
    pause 3
    fall
    sbrs channels, 2                ; 1, or 2 with four channels
    rjmp next\@                       ; 2, so 3 in all
    mov octet, fourth               ; 1, so 3 in all
    pause 5

    plain 7                         ; fourth octet
    plain 6
    plain 5
    plain 4
    plain 3
    plain 2
    plain 1
    rise 0
    mov work, left_l                ; 1
    or work, left_h                 ; 1
    pause 3
    fall
    pause 3
next\@:                               ; 3 cycles after the fall, from either side
    ld octet, Z                     ; 2
    breq done\@                       ; 1
    rjmp node\@                       ; 2

done\@:
    pop r29
    pop r28
    pop r17
    pop r16
    pop r15
    pop r7
    pop r6
    pop r5
    pop r4
    pop r3
    pop r2
    ret
.endm

    sender shift, 0
    sender shift_slow, 1
