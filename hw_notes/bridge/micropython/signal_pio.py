"""Node data from the RP2040's PIO: one bit is 20 steps, as on the AVR."""

import rp2

STEP_HZ = (16_000_000, 8_000_000, 8_000_000)
"""Steps a second of each rate: 800 kHz; 400 kHz with a 1 of 1.25 and of 2.0 µs."""
HIGH_STEPS = ((5, 11), (4, 10), (4, 16))
"""Steps that a 0 and a 1 are high, of each rate."""


def program(zero, one):
    """Return a program whose 0 and 1 are high for so many of 20 steps.

    The first instruction waits at low while there is nothing to send. The names in `bits` are
    PIO's, which MicroPython's assembler supplies.
    """

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
        out(x, 1).side(0)[19 - one]  # noqa: F821
        jmp(not_x, "zero").side(1)[zero - 1]  # noqa: F821
        jmp("bit").side(1)[one - zero - 1]  # noqa: F821
        label("zero")  # noqa: F821
        nop().side(0)[one - zero - 1]  # noqa: F821

    return bits


def programs():
    """Return the program of each rate; all fit into the memory of one PIO."""
    return [program(zero, one) for zero, one in HIGH_STEPS]
