"""The board's side of the protocol in hw_notes/bridge.md, for MicroPython.

Octets and the time go in; actions go to `pins`. This module depends on no chip, so that it also
runs on a computer.
"""

VERSION = 1
LONGEST_BODY = 250
MOST_RUNS = 8000
COLOURS = 16
DARK_AFTER_MS = 2500
TICKS = 0x3FFFFFFF
"""The clock of milliseconds wraps after this value."""
UNCALIBRATED = 0xFFFFFFFF

HELLO, WIRING, RUNS, SHOW, READ, SCALE, LEAVE, TONE, KEY = range(1, 10)
ANSWER, REFUSAL = 0x80, 0xFF
UNKNOWN, MALFORMED, NO_WIRING, NO_ROOM, NOT_NEXT, INCOMPLETE, NO_SUCH, SILENT = range(1, 9)
FAST, SLOW, SLOW_LONG = range(3)
"""Rates of a data line: 800 kHz; 400 kHz with a 1 of 1.2 and of 2.0 µs."""
CAN_SLOW, CAN_KEYS, CAN_TONE = 1, 2, 4
MONITORS, MONITOR_CHANNEL, MOST_MONITOR_SAMPLES = 16, 0x80, 32
SHUNT_COUNT_NV, BUS_COUNT_NV = 2500, 1250000


def _nibbles():
    table = []
    for high in range(16):
        crc = high << 12
        for _ in range(4):
            crc = (crc << 1) ^ (0x1021 if crc & 0x8000 else 0)
        table.append(crc & 0xFFFF)
    return table


NIBBLES = _nibbles()


def crc16(data):
    """Return the CRC-16/IBM-3740, four bits at a time."""
    crc = 0xFFFF
    for octet in data:
        crc = (crc << 4 & 0xFFFF) ^ NIBBLES[crc >> 12 ^ octet >> 4]
        crc = (crc << 4 & 0xFFFF) ^ NIBBLES[crc >> 12 ^ octet & 15]
    return crc


def stuff(data):
    """Encode less than 254 octets as COBS."""
    stuffed = bytearray()
    for group in bytes(data).split(b"\0"):
        stuffed.append(len(group) + 1)
        stuffed += group
    return stuffed


def unstuff(stuffed):
    """Decode one COBS frame; return None if it is cut short."""
    data = bytearray()
    at = 0
    while at < len(stuffed):
        stop = at + stuffed[at]
        if stop > len(stuffed):
            return None
        data += stuffed[at + 1 : stop]
        if stuffed[at] != 0xFF and stop < len(stuffed):
            data.append(0)
        at = stop
    return bytes(data)


def two(value):
    """Return a value as two octets, the high one first."""
    return bytes([value >> 8 & 0xFF, value & 0xFF])


def four(value):
    """Return a value as four octets, the highest first; two's complement below zero."""
    return two(value >> 16 & 0xFFFF) + two(value & 0xFFFF)


def number_of(octets):
    """Return the number of big-endian octets."""
    value = 0
    for octet in octets:
        value = value << 8 | octet
    return value


def signed(value, bits):
    """Return the number that these low bits are in two's complement."""
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


class Monitors:
    """Power monitors of the INA226 class on a two-wire bus. Source: TI SBOS547, register map.

    `bus` has MicroPython's `readfrom_mem` and `writeto_mem`; `now_ms()` is a clock that wraps after
    `TICKS`.
    """

    FIRST_ADDRESS = 0x40
    CONFIGURE, SHUNT, BUS, MASK_ENABLE, MAKER_ID = 0, 1, 2, 6, 0xFE
    # both inputs without end, 1.1 ms a conversion, averages of 16: 35 ms
    CONFIGURATION, MAKER, READY, PATIENCE_MS = b"\x45\x27", b"TI", 0x08, 100

    def __init__(self, bus, now_ms):
        self.bus = bus
        self.now_ms = now_ms

    def find(self):
        """Set up every chip that answers; return a bit for each."""
        found = 0
        for chip in range(MONITORS):
            try:
                address = self.FIRST_ADDRESS + chip
                if self.bus.readfrom_mem(address, self.MAKER_ID, 2) == self.MAKER:
                    self.bus.writeto_mem(address, self.CONFIGURE, self.CONFIGURATION)
                    found |= 1 << chip
            except OSError:
                pass
        return found

    def total(self, chip, is_bus, samples, zero):
        """Return the sum of samples, each of a conversion that began after the call.

        A sample at the end of the range makes the sum that of the end.

        Raises:
            OSError: the chip does not answer.
        """
        address, which, end, total = self.FIRST_ADDRESS + chip, self.SHUNT + is_bus, None, 0
        self.wait(address)  # these two began before the call, or may have
        self.wait(address)
        for _ in range(samples):
            self.wait(address)
            value = signed(number_of(self.bus.readfrom_mem(address, which, 2)), 16)
            if value in (0x7FFF, -0x8000):
                end = value
            total += value - zero
        return total if end is None else end * samples

    def wait(self, address):
        """Wait until a conversion has ended; reading the flag clears it."""
        from_ms = self.now_ms()
        while (self.now_ms() - from_ms) & TICKS < self.PATIENCE_MS:
            if self.bus.readfrom_mem(address, self.MASK_ENABLE, 2)[1] & self.READY:
                return
        raise OSError


class Bridge:
    """One board.

    `pins` has: `outputs`, `analogue` (number of analog inputs), `ram` (octets), `nodes` (most nodes
    that its memory holds), `can` (sum of `CAN_SLOW` and others), `monitors` (`Monitors` or None),
    `shift(output, octets, rate)`, `count(channel)` (0 to 1023), `scale(channel)`, `keep(channel,
    scale)`, `tone()` and `leave()`, which ends the program. `send(octets)` writes to the line.
    """

    def __init__(self, pins, send, now_ms):
        self.pins = pins
        self.send = send
        self.held_octets = b""
        self.colours = [bytes(4)] * COLOURS
        # the whole memory for frames is taken once, so that it cannot be short later
        self.frame = bytearray(4 * pins.nodes)
        self.runs = bytearray(min(MOST_RUNS, pins.nodes))
        self.stored = 0
        self.nodes = self.channels = self.output = 0
        self.rate = FAST
        self.is_met = False
        self.last = self.refusal = 0
        self.fed_ms = self.now_ms = now_ms
        self.dark()
        self.hello(0)

    def dark(self):
        """Take as many nodes dark as the memory holds, on every output."""
        self.stored = 0
        for place in range(len(self.frame)):
            self.frame[place] = 0
        for output in range(self.pins.outputs):
            self.pins.shift(output, self.frame, self.rate)

    def feed(self, octets, now_ms):
        """Handle received octets, possibly none; call it often, since it also checks the time."""
        self.now_ms = now_ms
        if octets:
            pieces = (self.held_octets + octets).split(b"\0")
            self.held_octets = pieces[-1][: 2 * LONGEST_BODY]  # bounded without a zero
            for piece in pieces[:-1]:
                if piece:
                    self.hear(piece)
        if self.nodes and (now_ms - self.fed_ms) & TICKS >= DARK_AFTER_MS:
            self.fed_ms = now_ms
            self.stored = 0
            part = memoryview(self.frame)[: self.nodes * self.channels]
            for place in range(len(part)):
                part[place] = 0
            self.pins.shift(self.output, part, self.rate)

    def hear(self, piece):
        """Handle one piece between two zeros; ignore it if it is not a valid message."""
        body = unstuff(piece)
        if body is None or not 4 <= len(body) <= LONGEST_BODY + 2 or crc16(body):
            return
        kind, number, payload = body[0], body[1], body[2:-2]
        if kind == HELLO:
            self.last, self.refusal = number, 0
            self.is_met = True
            self.hello(number)
        elif kind == READ:
            self.read(number, payload)
        else:
            if number != self.last:  # else its answer was lost: do not run it twice
                self.refusal = self.act(kind, payload)
                self.last = number
            if kind in (RUNS, SHOW) and not self.refusal:
                self.fed_ms = self.now_ms
            self.settle(kind, number, self.refusal)
            if kind == LEAVE and not self.refusal:
                self.dark()
                self.pins.leave()

    def say(self, kind, number, payload=b""):
        """Send one message."""
        body = bytes([kind, number]) + payload
        self.send(b"\0" + stuff(body + two(crc16(body))) + b"\0")

    def settle(self, kind, number, refusal):
        """Answer that the request is done, or the reason of a refusal."""
        if refusal:
            self.say(REFUSAL, number, bytes([refusal]))
        else:
            self.say(ANSWER | kind, number)

    def hello(self, number):
        """Send the properties of this board."""
        can = bytes([VERSION, self.pins.outputs]) + two(min(self.pins.ram, 0xFFFF))
        can += two(len(self.runs)) + two(self.pins.nodes)
        can += bytes([self.pins.analogue, LONGEST_BODY, self.pins.can])
        can += two(self.pins.monitors.find() if self.pins.monitors else 0)
        self.say(ANSWER | HELLO, number, can)

    def press(self, which):
        """Send that a key was pressed: 1 yes, 2 no, 3 back."""
        if self.is_met:
            self.say(ANSWER | KEY, 0, bytes([which]))

    def act(self, kind, payload):
        """Run a request; return 0, or the reason of a refusal."""
        if kind == WIRING:
            return self.wire(payload)
        if kind == RUNS:
            return self.store(payload)
        if kind == SHOW:
            return MALFORMED if payload else self.show()
        if kind == SCALE:
            return self.keep(payload)
        if kind == LEAVE:
            return MALFORMED if payload else 0
        if kind == TONE:
            return MALFORMED if payload else self.pins.tone() or 0
        return UNKNOWN

    def wire(self, payload):
        """Set what is connected to the board."""
        if len(payload) not in (4, 5):
            return MALFORMED
        output, channels, nodes = payload[0], payload[1], number_of(payload[2:4])
        rate = payload[4] if len(payload) == 5 else FAST
        if (
            output >= self.pins.outputs
            or channels not in (3, 4)
            or not 1 <= nodes <= self.pins.nodes
            or rate > (SLOW_LONG if self.pins.can & CAN_SLOW else FAST)
        ):
            return NO_SUCH
        self.rate = rate
        self.output, self.channels, self.nodes = output, channels, nodes
        self.stored = 0
        return 0

    def store(self, payload):
        """Store runs of a frame."""
        if not self.nodes:
            return NO_WIRING
        if len(payload) < 4 or payload[3] > COLOURS or len(payload) < 4 + 4 * payload[3]:
            return MALFORMED
        at, first = number_of(payload[:2]), 4 + 4 * payload[3]
        if at == 0:
            self.stored = 0
        if at != self.stored:
            return NOT_NEXT
        count = len(payload) - first
        if at + count > len(self.runs):
            return NO_ROOM
        for place in range(payload[3]):
            self.colours[place] = bytes(payload[4 + 4 * place : 8 + 4 * place])
        self.runs[at : at + count] = payload[first:]
        self.stored = at + count
        return self.show() if payload[2] & 1 else 0

    def show(self):
        """Send the frame to the data line."""
        if not self.nodes:
            return NO_WIRING
        total = 0
        for place in range(self.stored):
            total += (self.runs[place] & 15) + 1
        if total != self.nodes:
            return INCOMPLETE
        at = 0
        for place in range(self.stored):
            run = self.runs[place]
            octets = self.colours[run >> 4][: self.channels] * ((run & 15) + 1)
            self.frame[at : at + len(octets)] = octets
            at += len(octets)
        self.pins.shift(self.output, memoryview(self.frame)[:at], self.rate)
        return 0

    def read(self, number, payload):
        """Answer with the sum of samples of an input."""
        if len(payload) != 2 or payload[1] == 0:
            self.settle(READ, number, MALFORMED)
        elif payload[0] >= MONITOR_CHANNEL:
            self.read_monitor(number, payload)
        elif payload[0] >= self.pins.analogue:
            self.settle(READ, number, NO_SUCH)
        else:
            total = sum([self.pins.count(payload[0]) for _ in range(payload[1])])
            scale = self.pins.scale(payload[0])
            reply = four(total) + four(UNCALIBRATED if scale is None else scale)
            self.say(ANSWER | READ, number, payload + reply)

    def read_monitor(self, number, payload):
        """Answer with the sum of samples of a power monitor."""
        channel, samples = payload[0], payload[1]
        chip, is_bus = (channel - MONITOR_CHANNEL) // 2, channel & 1
        if samples > MOST_MONITOR_SAMPLES:
            self.settle(READ, number, MALFORMED)
        elif chip >= MONITORS:
            self.settle(READ, number, NO_SUCH)
        elif not self.pins.monitors:
            self.settle(READ, number, SILENT)
        else:
            zero = 0 if is_bus else self.pins.scale(MONITOR_CHANNEL + 2 * MONITORS + chip) or 0
            scale = self.pins.scale(channel) or (BUS_COUNT_NV if is_bus else SHUNT_COUNT_NV)
            try:
                total = self.pins.monitors.total(chip, is_bus, samples, signed(zero, 32))
            except OSError:
                self.settle(READ, number, SILENT)
                return
            self.say(ANSWER | READ, number, payload + four(total) + four(scale))

    def keep(self, payload):
        """Store the value of one count of an input, or the zero of a monitor's shunt input."""
        if len(payload) != 5:
            return MALFORMED
        beyond = payload[0] - MONITOR_CHANNEL
        if payload[0] >= self.pins.analogue and not 0 <= beyond < 3 * MONITORS:
            return NO_SUCH
        self.pins.keep(payload[0], number_of(payload[1:]))
        return 0
