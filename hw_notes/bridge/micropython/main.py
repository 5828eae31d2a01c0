"""The bridge on an RP2040 board with MicroPython: copy all three files onto it.

Data lines: GP2 to GP5. Analog inputs: GP26 to GP28. USB carries the protocol, so a terminal's input
is read as octets; put the board into its boot mode to get back to MicroPython.
"""

import gc
import select
import sys
import time

import machine
import micropython
import rp2
from bridge import Bridge
from signal_pio import STEP_HZ, bits

OUTPUTS = (2, 3, 4, 5)
ANALOGUE = (26, 27, 28)
REST_US = 400
"""Low time after a frame. [µs] Kinds need up to 300; the last octets are still being sent."""
SCALES = "scales.txt"


class Pins:
    """The chip."""

    def __init__(self):
        self.outputs, self.analogue = len(OUTPUTS), len(ANALOGUE)
        self.machines = [
            rp2.StateMachine(place, bits, freq=STEP_HZ, sideset_base=machine.Pin(pin))
            for place, pin in enumerate(OUTPUTS)
        ]
        for each in self.machines:
            each.active(1)
        self.inputs = [machine.ADC(pin) for pin in ANALOGUE]
        self.scales = self.load()
        self.ram = gc.mem_free() + gc.mem_alloc()

    def shift(self, output, octets):
        """Send a frame, then keep the line low."""
        self.machines[output].put(bytearray(octets), 24)
        time.sleep_us(REST_US)

    def count(self, channel):
        """Return one sample, 0 to 1023."""
        return self.inputs[channel].read_u16() >> 6

    def load(self):
        """Return the nanovolts of one count of each input, from the board's own file."""
        try:
            with open(SCALES) as kept:
                return [int(line) if line.strip() else None for line in kept]
        except (OSError, ValueError):
            return [None] * len(ANALOGUE)

    def scale(self, channel):
        """Return the nanovolts of one count of an input."""
        return self.scales[channel] if channel < len(self.scales) else None

    def keep(self, channel, scale):
        """Store the nanovolts of one count of an input in the board's file."""
        self.scales = [self.scale(each) for each in range(len(ANALOGUE))]
        self.scales[channel] = scale
        with open(SCALES, "w") as kept:
            kept.write("".join(["\n" if each is None else f"{each}\n" for each in self.scales]))


def run():
    """Receive and handle messages forever."""
    micropython.kbd_intr(-1)  # octet 3 must not stop the program
    line = select.poll()
    line.register(sys.stdin, select.POLLIN)
    board = Bridge(Pins(), sys.stdout.buffer.write, time.ticks_ms())
    while True:
        octets = bytearray()
        while line.poll(0 if octets else 5) and len(octets) < 512:
            octets += sys.stdin.buffer.read(1)
        board.feed(bytes(octets), time.ticks_ms())


run()
