"""The bridge on a board with MicroPython: copy all files of this folder onto it.

RP2040: data lines GP2 to GP5, analog inputs GP26 to GP28. ESP32: data lines IO16 to IO19, analog
inputs IO32 to IO35. USB or the serial chip carries the protocol, so a terminal's input is read as
octets.

Ways back to MicroPython's prompt: Return and Ctrl-C, or Ctrl-C twice, in the pause at the start;
the message *leave*. Any error
takes the prop dark and restarts the board; so does the watchdog when the program stands still.
"""

import gc
import os
import select
import sys
import time

import machine
import micropython
from bridge import Bridge

IS_RP2 = sys.platform == "rp2"
OUTPUTS = (2, 3, 4, 5) if IS_RP2 else (16, 17, 18, 19)
ANALOGUE = (26, 27, 28) if IS_RP2 else (32, 33, 34, 35)
REST_US = 400
"""Low time after a frame. [µs] Kinds need up to 300; the last octets are still being sent."""
NODE_NS = (400, 850, 800, 450)
"""High and low time of a 0 and of a 1. [ns] Source: MicroPython documentation, `machine.bitstream`.
"""
START_PAUSE_MS = 1500
"""Pause at the start, in which `ESCAPES` give the prompt. [ms]"""
ESCAPES = (b"\r\x03", b"\x03\x03")
"""Octets by which a person or a tool stops a program. No *hello* contains them."""
WATCHDOG_MS = 8000
"""Time after which a program that stands still is restarted. [ms] The RP2040 allows 8388."""
RESERVED = 40_000
"""Octets of memory that are not promised to frames."""
NODE_OCTETS = 5
"""Octets of memory for a node: four colours, and a run of its own."""
MOST_NODES = 8000
SCALES, STAY = "scales.txt", "stay.txt"


class Pins:
    """The chip."""

    def __init__(self):
        self.outputs, self.analogue = len(OUTPUTS), len(ANALOGUE)
        self.lines = [machine.Pin(pin, machine.Pin.OUT, value=0) for pin in OUTPUTS]
        self.machines = []
        if IS_RP2:
            import rp2
            from signal_pio import STEP_HZ, bits

            for place, line in enumerate(self.lines):
                each = rp2.StateMachine(place, bits, freq=STEP_HZ, sideset_base=line)
                each.active(1)
                self.machines.append(each)
        self.inputs = [machine.ADC(machine.Pin(pin)) for pin in ANALOGUE]
        self.scales = self.load()
        gc.collect()
        self.ram = gc.mem_free() + gc.mem_alloc()
        self.nodes = max(1, min(MOST_NODES, (gc.mem_free() - RESERVED) // NODE_OCTETS))

    def shift(self, output, octets):
        """Send a frame, then keep the line low."""
        if self.machines:
            self.machines[output].put(octets, 24)
        else:
            machine.bitstream(self.lines[output], 0, NODE_NS, octets)
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

    def leave(self):
        """Restart the board, and stay at the prompt."""
        with open(STAY, "w") as kept:
            kept.write("1")
        machine.reset()


def stays():
    """Return whether the board was asked to stay at the prompt; it is asked once."""
    try:
        os.remove(STAY)
    except OSError:
        return False
    return True


def is_stopped(line):
    """Wait through the pause at the start; return whether somebody wants the prompt."""
    heard = b""
    due_ms = time.ticks_add(time.ticks_ms(), START_PAUSE_MS)
    while time.ticks_diff(due_ms, time.ticks_ms()) > 0:
        if line.poll(20):
            heard = (heard + sys.stdin.buffer.read(1))[-2:]
            if heard in ESCAPES:
                return True
    return False


def serve(pins, line):
    """Receive and handle messages forever."""
    board = Bridge(pins, sys.stdout.buffer.write, time.ticks_ms())
    watchdog = machine.WDT(timeout=WATCHDOG_MS)
    try:
        while True:
            octets = bytearray()
            while line.poll(0 if octets else 5) and len(octets) < 512:
                octets += sys.stdin.buffer.read(1)
            board.feed(bytes(octets), time.ticks_ms())
            watchdog.feed()
    finally:
        board.dark()


def run():
    """Serve until the board restarts; an error restarts it, with a dark prop."""
    if stays():
        return
    micropython.kbd_intr(-1)  # octet 3 must not stop the program
    line = select.poll()
    line.register(sys.stdin, select.POLLIN)
    if is_stopped(line):
        micropython.kbd_intr(3)
        return
    try:
        serve(Pins(), line)
    finally:
        machine.reset()


run()
