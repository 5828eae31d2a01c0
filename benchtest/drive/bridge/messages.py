"""Messages of the bridge protocol, version 1 of `hw_notes/bridge.md`, and their frames.

A frame on the serial line is COBS (package `cobs`) with a CRC-16, and a zero at either end.
Source: Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking
7(2), April 1999.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

from benchtest.drive.source_spec import MONITOR_CHANNEL, MONITORS

_CRC_OCTETS = 2
MAX_ENCODED_OCTETS = 512
"""Octets without a zero that may still become a frame: the longest is 255, its CRC and codes."""


class FrameError(ValueError):
    """Octets that are not a valid frame: cut, corrupted or joined."""


def crc16(data: bytes) -> int:
    """Return the CRC-16/IBM-3740: polynomial 0x1021, initial value 0xFFFF, not reflected.

    >>> hex(crc16(b"123456789"))
    '0x29b1'
    """
    return crc_hqx(data, 0xFFFF)


def encode_frame(body: bytes) -> bytes:
    """Return a body as octets for the line.

    The zero in front ends a partial frame in the receiver, so that noise between two frames damages
    neither.
    """
    encoded = bytes(cobs.encode(body + crc16(body).to_bytes(_CRC_OCTETS, "big")))
    return b"\0" + encoded + b"\0"


def decode_frame(encoded: bytes) -> bytes:
    """Return the body of a frame, given the octets between two zeros.

    Raises:
        FrameError: the octets are not those that were sent.
    """
    try:
        data = bytes(cobs.decode(encoded))
    except cobs.DecodeError as error:
        raise FrameError(str(error)) from None
    if len(data) < _CRC_OCTETS or crc16(data):  # over data with its own CRC it is zero
        raise FrameError("its CRC does not match")
    return data[:-_CRC_OCTETS]


class FrameReader:
    """A decoder of frames in a stream that may be cut and joined anywhere.

    Attributes:
        rejected: number of pieces that were not valid frames.
        pending: octets of a frame that has not ended; bounded.
    """

    def __init__(self) -> None:
        self.rejected = 0
        self.pending = bytearray()
        self._too_long = False

    def feed(self, octets: bytes) -> list[bytes]:
        """Return the bodies of the frames that end in these octets, in order."""
        bodies = []
        *ended, rest = octets.split(b"\0")
        for piece in ended:
            self._hold(piece)
            if (body := self._end()) is not None:
                bodies.append(body)
        self._hold(rest)
        return bodies

    def _hold(self, piece: bytes) -> None:
        self.pending += piece
        if len(self.pending) > MAX_ENCODED_OCTETS:  # a lost zero must not fill the memory
            self.pending.clear()
            self._too_long = True

    def _end(self) -> bytes | None:
        encoded, too_long = bytes(self.pending), self._too_long
        self.pending.clear()
        self._too_long = False
        if not encoded and not too_long:
            return None  # two zeros in a row have no meaning
        try:
            if too_long:
                raise FrameError("too long")
            return decode_frame(encoded)
        except FrameError:
            self.rejected += 1
            return None


VERSION = 1
CAN_SLOW, CAN_KEYS, CAN_TONE = 1, 2, 4
"""Abilities of a board: data lines of 400 kHz, keys, a buzzer."""
FAST, SLOW, SLOW_LONG = range(3)
"""Rates of a data line: 800 kHz; 400 kHz with a 1 of 1.2 and of 2.0 µs."""
ZERO_CHANNEL = MONITOR_CHANNEL + 2 * MONITORS
"""First channel of the zeros of their shunt inputs, in counts."""
_MONITOR_FULL_SCALE = 0x7FFF
"""End of a monitor's 16-bit registers. Source: TI SBOS547."""
ANSWER_FLAG = 0x80
REFUSAL_KIND = 0xFF
UNSOLICITED = 0
"""Number of a message that the board sends unasked: its hello after a restart."""
_MAX_COLOURS = 16
_MAX_RUN_NODES = 16
"""Most nodes in one run."""
_COLOUR_OCTETS = 4
_RUNS_HEADER_OCTETS = 6
"""Octets of a runs message before its colours: kind, number, first run, show, count of colours."""
_MIN_BODY_OCTETS = 80
"""Octets that every board accepts in one message: sixteen colours and a few runs."""
_UNCALIBRATED = 0xFFFF_FFFF
_LONG_ONE_NS = 1600.0
"""High time of a 1 between 1.2 µs of WS2811 and 2.0 µs of UCS1903. [ns]"""
FULL_SCALE = 1023
"""Highest count of a 10-bit converter; the true voltage may then be any higher value."""


class Kind(IntEnum):
    """Kinds of request."""

    HELLO = 1
    WIRING = 2
    RUNS = 3
    SHOW = 4
    READ = 5
    SCALE = 6
    LEAVE = 7
    TONE = 8
    KEY = 9


class Refusal(IntEnum):
    """Reasons for a refusal."""

    UNKNOWN = 1
    MALFORMED = 2
    NO_WIRING = 3
    NO_ROOM = 4
    NOT_NEXT = 5
    INCOMPLETE = 6
    NO_SUCH = 7
    SILENT = 8
    """A power monitor does not answer."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message, of either side."""

    kind: int
    number: int
    payload: bytes = b""

    def encoded(self) -> bytes:
        """Return the message as octets for the line."""
        return encode_frame(bytes([self.kind, self.number]) + self.payload)

    @classmethod
    def read(cls, body: bytes) -> Message:
        """Decode a message.

        Raises:
            FrameError: the message is too short.
        """
        if len(body) < 2:
            raise FrameError("too short")
        return cls(body[0], body[1], body[2:])


@dataclass(frozen=True, slots=True)
class Board:
    """Properties of a board, from its hello."""

    version: int
    outputs: int
    ram_octets: int
    max_runs: int
    max_nodes: int
    analog_inputs: int
    """Number of analog inputs."""
    max_body_octets: int
    """Octets of the longest message that the board accepts, without the CRC."""
    can: int = 0
    """Sum of `CAN_SLOW`, `CAN_KEYS` and `CAN_TONE`; 0 from firmware without these fields."""
    monitor_bits: int = 0
    """A bit for each power monitor that answered."""

    _FORM = struct.Struct(">BBHHHBB")
    _MORE = struct.Struct(">BH")

    @classmethod
    def read(cls, payload: bytes) -> Board:
        """Decode a hello; later versions may add fields at its end.

        Raises:
            FrameError: the hello is too short, or its longest message is.
        """
        if len(payload) < cls._FORM.size:
            raise FrameError("hello too short")
        more: tuple[int, ...] = ()
        if len(payload) >= cls._FORM.size + cls._MORE.size:
            more = cls._MORE.unpack_from(payload, cls._FORM.size)
        board = cls(*cls._FORM.unpack_from(payload), *more)
        if board.max_body_octets < _MIN_BODY_OCTETS:
            raise FrameError(
                f"longest message of {board.max_body_octets} octets, fewer than {_MIN_BODY_OCTETS}"
            )
        return board


@dataclass(frozen=True, slots=True)
class Sample:
    """Result of an analog input: the sum of its samples, and the value of one count."""

    channel: int
    samples: int
    total: int
    scale_nv: int | None
    """Value of one count; None until the input is calibrated. [nV]"""

    _FORM = struct.Struct(">BBII")

    @classmethod
    def read(cls, payload: bytes) -> Sample:
        """Decode a sample.

        Raises:
            FrameError: the payload has another length, or no samples.
        """
        if len(payload) != cls._FORM.size:
            raise FrameError("sample of the wrong length")
        channel, samples, total, scale = cls._FORM.unpack(payload)
        if samples == 0:
            raise FrameError("sample count of 0")
        if channel >= MONITOR_CHANNEL and total >= 1 << 31:
            total -= 1 << 32
        return cls(channel, samples, total, None if scale == _UNCALIBRATED else scale)

    @property
    def counts(self) -> float:
        """Mean count: 0 to 1023, of a power monitor -32768 to 32767."""
        return self.total / self.samples

    @property
    def over_range(self) -> bool:
        """True if the voltage may be further from zero than the value read."""
        if self.channel >= MONITOR_CHANNEL:
            return abs(self.counts) > _MONITOR_FULL_SCALE - 1
        return self.counts > FULL_SCALE - 1

    @property
    def volts(self) -> float | None:
        """Mean voltage; None until the input is calibrated. [V]"""
        return None if self.scale_nv is None else self.counts * self.scale_nv * 1e-9


def encode_wiring(output: int, channels: int, nodes: int, rate: int = FAST) -> bytes:
    """Encode the wiring: data line, colour channels of a node, nodes, rate of the line.

    800 kHz is left out, since earlier firmware does not know the field.
    """
    last = b"" if rate == FAST else bytes([rate])
    return struct.pack(">BBH", output, channels, nodes) + last


def line_rate(data_khz: float, one_ns: float) -> int:
    """Return the rate of a data line for a kind of node."""
    if data_khz >= 800.0:
        return FAST
    return SLOW if one_ns < _LONG_ONE_NS else SLOW_LONG


def encode_read(channel: int, samples: int) -> bytes:
    """Encode a request to read an analog input; samples 1 to 255."""
    return bytes([channel, samples])


def encode_scale(channel: int, scale_nv: int) -> bytes:
    """Encode the value of one count of an input [nV], or a monitor's zero in counts."""
    return struct.pack(">BI", channel, scale_nv & 0xFFFF_FFFF)


class FrameTooComplex(ValueError):
    """A frame that exceeds the limits of this board; the text has the numbers."""


def encode_runs(wire: NDArray[np.uint8], board: Board) -> list[bytes]:
    """Encode one frame as runs of equal colour, cut into messages; the last one asks to show it.

    Args:
        wire: shape (nodes, channels), nodes in data order, colours in the chip's order.
        board: the limits of the board.

    Returns:
        Payload of each runs message, in order.

    Raises:
        FrameTooComplex: the frame has more colours or runs than the board holds.
    """
    colours, runs = run_length_encode(wire)
    if len(colours) > _MAX_COLOURS:
        raise FrameTooComplex(
            f"the frame has {len(colours)} colours; a bridge holds {_MAX_COLOURS}"
        )
    if len(runs) > board.max_runs:
        raise FrameTooComplex(f"the frame has {len(runs)} runs; this bridge holds {board.max_runs}")
    palette = b"".join(colour.ljust(_COLOUR_OCTETS, b"\0") for colour in colours)
    first = board.max_body_octets - _RUNS_HEADER_OCTETS - len(palette)
    cuts = [0, *range(first, len(runs), board.max_body_octets - _RUNS_HEADER_OCTETS), len(runs)]
    messages = []
    for place, (start, stop) in enumerate(pairwise(cuts)):
        head = struct.pack(">HBB", start, stop == len(runs), 0 if place else len(colours))
        messages.append(head + (b"" if place else palette) + runs[start:stop])
    return messages


def run_length_encode(wire: NDArray[np.uint8]) -> tuple[Sequence[bytes], bytes]:
    """Return the colours of a frame, and its runs: an octet each, colour × 16 + nodes − 1.

    Args:
        wire: shape (nodes, channels).

    >>> colours, runs = run_length_encode(np.array([[9, 9, 9]] * 18 + [[0, 0, 0]], dtype=np.uint8))
    >>> [colour.hex() for colour in colours], runs.hex(" ")
    (['090909', '000000'], '0f 01 10')
    """
    changes = np.flatnonzero((wire[1:] != wire[:-1]).any(axis=1)) + 1
    starts = np.concatenate(([0], changes))
    lengths = np.diff(np.concatenate((starts, [len(wire)])))
    places: dict[bytes, int] = {}
    runs = bytearray()
    for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
        place = places.setdefault(wire[start].tobytes(), len(places)) % _MAX_COLOURS
        whole, rest = divmod(length, _MAX_RUN_NODES)
        runs += bytes([place << 4 | _MAX_RUN_NODES - 1]) * whole
        if rest:
            runs.append(place << 4 | rest - 1)
    return list(places), bytes(runs)
