"""What the bridge and we say to each other: version 1 of `hw_notes/bridge.md`. Octets only."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchtest.drive.bridge.framing import FrameError, encode_frame

VERSION = 1
ANSWER_FLAG = 0x80
REFUSAL_KIND = 0xFF
UNSOLICITED = 0
"""Number of what a board says by itself: its hello after a restart."""
_MAX_COLOURS = 16
_MAX_RUN_NODES = 16
"""Nodes that one run lights."""
_COLOUR_OCTETS = 4
_RUNS_HEADER_OCTETS = 6
"""Octets of a runs message before its colours: kind, number, place, show, count of colours."""
_MIN_BODY_OCTETS = 80
"""Octets of a message that every board must take: sixteen colours and a few runs."""
_UNCALIBRATED = 0xFFFF_FFFF
FULL_SCALE = 1023
"""Highest count of a 10-bit converter; at it the true volts may be anything above."""


class Kind(IntEnum):
    """What a message asks."""

    HELLO = 1
    WIRING = 2
    RUNS = 3
    SHOW = 4
    READ = 5
    SCALE = 6


class Refusal(IntEnum):
    """Why a board does not do it."""

    UNKNOWN = 1
    MALFORMED = 2
    NO_WIRING = 3
    NO_ROOM = 4
    NOT_NEXT = 5
    INCOMPLETE = 6
    NO_SUCH = 7


@dataclass(frozen=True, slots=True)
class Message:
    """One message of either side."""

    kind: int
    number: int
    payload: bytes = b""

    def encoded(self) -> bytes:
        """As it goes onto the line."""
        return encode_frame(bytes([self.kind, self.number]) + self.payload)

    @classmethod
    def read(cls, body: bytes) -> Message:
        """A message from its octets.

        Raises:
            Damaged: too short to be one.
        """
        if len(body) < 2:
            raise FrameError("too short")
        return cls(body[0], body[1], body[2:])


@dataclass(frozen=True, slots=True)
class Board:
    """What a board says of itself in its hello."""

    version: int
    outputs: int
    ram_octets: int
    max_runs: int
    max_nodes: int
    analog_inputs: int
    """Analogue inputs."""
    max_body_octets: int
    """Octets of the longest message that it takes, without the CRC."""

    _FORM = struct.Struct(">BBHHHBB")

    @classmethod
    def read(cls, said: bytes) -> Board:
        """A board from its hello; a later version may say more after it.

        Raises:
            Damaged: too short, or of a board that takes no whole message.
        """
        if len(said) < cls._FORM.size:
            raise FrameError("a hello that is too short")
        board = cls(*cls._FORM.unpack_from(said))
        if board.max_body_octets < _MIN_BODY_OCTETS:
            raise FrameError(
                f"that it takes {board.max_body_octets} octets, fewer than {_MIN_BODY_OCTETS}"
            )
        return board


@dataclass(frozen=True, slots=True)
class Sample:
    """What an analogue input gave: samples added up, and what one count is worth."""

    channel: int
    samples: int
    total: int
    scale_nv: int | None
    """Nanovolts of one count; None until the input is calibrated. [nV]"""

    _FORM = struct.Struct(">BBII")

    @classmethod
    def read(cls, said: bytes) -> Sample:
        """A sample from its octets.

        Raises:
            Damaged: not of its length.
        """
        if len(said) != cls._FORM.size:
            raise FrameError("a sample of the wrong length")
        channel, samples, total, scale = cls._FORM.unpack(said)
        if samples == 0:
            raise FrameError("a sample of nothing")
        return cls(channel, samples, total, None if scale == _UNCALIBRATED else scale)

    @property
    def counts(self) -> float:
        """Mean count, 0 to 1023."""
        return self.total / self.samples

    @property
    def over_range(self) -> bool:
        """True where the volts may be anything above what is read."""
        return self.counts > FULL_SCALE - 1

    @property
    def volts(self) -> float | None:
        """Mean volts; None until the input is calibrated. [V]"""
        return None if self.scale_nv is None else self.counts * self.scale_nv * 1e-9


def encode_wiring(output: int, channels: int, nodes: int) -> bytes:
    """What hangs on the board: which data line, colour channels of a node, nodes."""
    return struct.pack(">BBH", output, channels, nodes)


def encode_read(channel: int, samples: int) -> bytes:
    """A question for an analogue input; samples 1 to 255."""
    return bytes([channel, samples])


def encode_scale(channel: int, scale_nv: int) -> bytes:
    """What one count of an analogue input is worth from now on. [nV]"""
    return struct.pack(">BI", channel, scale_nv)


class FrameTooComplex(ValueError):
    """A frame that this board cannot hold, and why."""


def encode_runs(wire: NDArray[np.uint8], board: Board) -> list[bytes]:
    """One frame as runs of equal colour, cut into messages; the last one asks to show it.

    Args:
        wire: shape (nodes, channels), nodes in the order of data, colours as the chip takes them.
        board: what the board can hold.

    Returns:
        What each runs message says, in their order.

    Raises:
        TooMuch: more colours or more runs than the board holds.
    """
    colours, runs = run_length_encode(wire)
    if len(colours) > _MAX_COLOURS:
        raise FrameTooComplex(
            f"the frame has {len(colours)} colours and a bridge takes {_MAX_COLOURS}"
        )
    if len(runs) > board.max_runs:
        raise FrameTooComplex(
            f"the frame has {len(runs)} runs and this bridge takes {board.max_runs}"
        )
    palette = b"".join(colour.ljust(_COLOUR_OCTETS, b"\0") for colour in colours)
    first = board.max_body_octets - _RUNS_HEADER_OCTETS - len(palette)
    cuts = [0, *range(first, len(runs), board.max_body_octets - _RUNS_HEADER_OCTETS), len(runs)]
    messages = []
    for place, (start, stop) in enumerate(pairwise(cuts)):
        head = struct.pack(">HBB", start, stop == len(runs), 0 if place else len(colours))
        messages.append(head + (b"" if place else palette) + runs[start:stop])
    return messages


def run_length_encode(wire: NDArray[np.uint8]) -> tuple[Sequence[bytes], bytes]:
    """The colours of a frame, and its runs: an octet each, colour × 16 + nodes − 1.

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
