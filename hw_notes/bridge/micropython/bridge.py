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

HELLO, WIRING, RUNS, SHOW, READ, SCALE, LEAVE = range(1, 8)
ANSWER, REFUSAL = 0x80, 0xFF
UNKNOWN, MALFORMED, NO_WIRING, NO_ROOM, NOT_NEXT, INCOMPLETE, NO_SUCH = range(1, 8)


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
    """Return a value as four octets, the highest first."""
    return two(value >> 16) + two(value & 0xFFFF)


def number_of(octets):
    """Return the number of big-endian octets."""
    value = 0
    for octet in octets:
        value = value << 8 | octet
    return value


class Bridge:
    """One board.

    `pins` has: `outputs`, `analogue` (number of analog inputs), `ram` (octets), `nodes` (most nodes
    that its memory holds), `shift(output, octets)`, `count(channel)` (0 to 1023), `scale(channel)`,
    `keep(channel, scale)` and `leave()`, which ends the program. `send(octets)` writes to the line.
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
            self.pins.shift(output, self.frame)

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
            self.pins.shift(self.output, part)

    def hear(self, piece):
        """Handle one piece between two zeros; ignore it if it is not a valid message."""
        body = unstuff(piece)
        if body is None or not 4 <= len(body) <= LONGEST_BODY + 2 or crc16(body):
            return
        kind, number, payload = body[0], body[1], body[2:-2]
        if kind == HELLO:
            self.last, self.refusal = number, 0
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
        can += bytes([self.pins.analogue, LONGEST_BODY])
        self.say(ANSWER | HELLO, number, can)

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
        return UNKNOWN

    def wire(self, payload):
        """Set what is connected to the board."""
        if len(payload) != 4:
            return MALFORMED
        output, channels, nodes = payload[0], payload[1], number_of(payload[2:])
        if (
            output >= self.pins.outputs
            or channels not in (3, 4)
            or not 1 <= nodes <= self.pins.nodes
        ):
            return NO_SUCH
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
        self.pins.shift(self.output, memoryview(self.frame)[:at])
        return 0

    def read(self, number, payload):
        """Answer with the sum of samples of an analog input."""
        if len(payload) != 2 or payload[1] == 0:
            self.settle(READ, number, MALFORMED)
        elif payload[0] >= self.pins.analogue:
            self.settle(READ, number, NO_SUCH)
        else:
            total = sum([self.pins.count(payload[0]) for _ in range(payload[1])])
            scale = self.pins.scale(payload[0])
            reply = four(total) + four(UNCALIBRATED if scale is None else scale)
            self.say(ANSWER | READ, number, payload + reply)

    def keep(self, payload):
        """Store the value of one count of an input."""
        if len(payload) != 5:
            return MALFORMED
        if payload[0] >= self.pins.analogue:
            return NO_SUCH
        self.pins.keep(payload[0], number_of(payload[1:]))
        return 0
