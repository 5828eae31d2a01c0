"""Node data from the RP2040's PIO: one bit is 20 steps of 16 MHz, as on the AVR."""

import rp2

STEP_HZ = 16_000_000


# A 0 is 5 steps high and 15 low, a 1 is 11 high and 9 low; the first instruction waits at low while
# there is nothing to send. The names are PIO's, which MicroPython's assembler supplies.
@rp2.asm_pio(
    sideset_init=rp2.PIO.OUT_LOW,
    out_shiftdir=rp2.PIO.SHIFT_LEFT,
    autopull=True,
    pull_thresh=8,
    fifo_join=rp2.PIO.JOIN_TX,
)
def bits():
    """Send octets, the highest bit first; each is in the top 8 bits of a word."""
    label("bit")  # noqa: F821
    out(x, 1).side(0)[8]  # noqa: F821
    jmp(not_x, "zero").side(1)[4]  # noqa: F821
    jmp("bit").side(1)[5]  # noqa: F821
    label("zero")  # noqa: F821
    nop().side(0)[5]  # noqa: F821
