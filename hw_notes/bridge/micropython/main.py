"""The bridge on a board with MicroPython: copy all files of this folder onto it.

RP2040: data lines GP2 to GP5, analog inputs GP26 to GP28, power monitors at GP20 (SDA) and GP21
(SCL), keys yes, no, back GP10 to GP12 to GND, buzzer GP15. ESP32: data lines IO16 to IO19, analog
inputs IO32 to IO35, monitors IO21 (SDA) and IO22 (SCL), keys IO25 to IO27, buzzer IO23. USB or the
serial chip carries the protocol, so a terminal's input is read as octets.

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
from bridge import CAN_KEYS, CAN_SLOW, CAN_TONE, TICKS, Bridge, Monitors

IS_RP2 = sys.platform == "rp2"
OUTPUTS = (2, 3, 4, 5) if IS_RP2 else (16, 17, 18, 19)
ANALOGUE = (26, 27, 28) if IS_RP2 else (32, 33, 34, 35)
REST_US = 400
"""Low time after a frame. [µs] Kinds need up to 300; the last octets are still being sent."""
NODE_NS = ((400, 850, 800, 450), (500, 2000, 1200, 1300), (500, 2000, 2000, 500))
"""High and low time of a 0 and of a 1, of each rate. [ns] Sources: MicroPython documentation,
`machine.bitstream`; WS2811 data sheet, 400 kHz; UCS1903 data sheet, from memory."""
SDA, SCL = (20, 21) if IS_RP2 else (21, 22)
KEYS = (10, 11, 12) if IS_RP2 else (25, 26, 27)
BUZZER = 15 if IS_RP2 else 23
BUZZER_HZ, TONE_MS, DEBOUNCE_MS = 2000, 200, 20
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
        self.can = CAN_SLOW + CAN_KEYS + CAN_TONE
        self.machines, self.rates = [], [0] * len(OUTPUTS)
        if IS_RP2:
            import rp2
            from signal_pio import programs

            self.programs = programs()
            self.machines = [rp2.StateMachine(place) for place in range(len(OUTPUTS))]
            for output in range(len(OUTPUTS)):
                self.set_rate(output, 0)
        bus = machine.I2C(0, sda=machine.Pin(SDA), scl=machine.Pin(SCL), freq=100_000)
        self.monitors = Monitors(bus, time.ticks_ms)
        self.keys = [machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP) for pin in KEYS]
        self.held, self.changed_ms = [1] * len(KEYS), time.ticks_ms()
        self.buzzer, self.tone_ms = None, 0
        self.inputs = [machine.ADC(machine.Pin(pin)) for pin in ANALOGUE]
        self.scales = self.load()
        gc.collect()
        self.ram = gc.mem_free() + gc.mem_alloc()
        self.nodes = max(1, min(MOST_NODES, (gc.mem_free() - RESERVED) // NODE_OCTETS))

    def set_rate(self, output, rate):
        """Load the PIO program of a rate."""
        from signal_pio import STEP_HZ

        each = self.machines[output]
        each.active(0)
        each.init(self.programs[rate], freq=STEP_HZ[rate], sideset_base=self.lines[output])
        each.active(1)
        self.rates[output] = rate

    def shift(self, output, octets, rate):
        """Send a frame, then keep the line low."""
        if self.machines:
            if self.rates[output] != rate:
                self.set_rate(output, rate)
            self.machines[output].put(octets, 24)
        else:
            machine.bitstream(self.lines[output], 0, NODE_NS[rate], octets)
        time.sleep_us(REST_US)

    def pressed(self, now_ms):
        """Return the key that was pressed since the last call: 1 yes, 2 no, 3 back; 0 without."""
        levels = [key.value() for key in self.keys]
        if levels == self.held or (now_ms - self.changed_ms) & TICKS < DEBOUNCE_MS:
            return 0
        fresh = [self.held[key] and not levels[key] for key in range(len(levels))]
        self.held, self.changed_ms = levels, now_ms
        return fresh.index(True) + 1 if True in fresh else 0

    def tone(self):
        """Begin a tone."""
        self.buzzer = machine.PWM(machine.Pin(BUZZER), freq=BUZZER_HZ, duty_u16=32768)
        self.tone_ms = time.ticks_ms()

    def end_tone(self, now_ms):
        """End a tone that is over."""
        if self.buzzer and (now_ms - self.tone_ms) & TICKS >= TONE_MS:
            self.buzzer.deinit()
            self.buzzer = None

    def count(self, channel):
        """Return one sample, 0 to 1023."""
        return self.inputs[channel].read_u16() >> 6

    def load(self):
        """Return the stored figure of each channel, from the board's own file."""
        found = {}
        try:
            with open(SCALES) as kept:
                for place, line in enumerate(kept):
                    words = line.split()
                    if len(words) == 2:
                        found[int(words[0])] = int(words[1])
                    elif words:  # as earlier versions wrote it: a line for each input
                        found[place] = int(words[0])
        except (OSError, ValueError):
            pass
        return found

    def scale(self, channel):
        """Return the stored figure of a channel, or None."""
        return self.scales.get(channel)

    def keep(self, channel, scale):
        """Store a channel's figure in the board's file."""
        self.scales[channel] = scale
        with open(SCALES, "w") as kept:
            kept.write("".join([f"{each} {value}\n" for each, value in self.scales.items()]))

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
            now_ms = time.ticks_ms()
            board.feed(bytes(octets), now_ms)
            which = pins.pressed(now_ms)
            if which:
                board.press(which)
            pins.end_tone(now_ms)
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
