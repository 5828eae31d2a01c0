"""Art-Net packets: octets in and out.

Source of every field: Specification for the Art-Net 4 Ethernet Communication Protocol, packet
definitions of ArtDmx, ArtSync, ArtPoll and ArtPollReply. Numbers are big-endian, except for the
OpCode and the port, whose low octet comes first.
"""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Address

from benchtest.errors import InputError
from benchtest.input_files import strip_control_chars

MAX_PORT_ADDRESS = 32767
"""Highest Port-Address, of 15 bits. 0 is not used, so that numbers are those of E1.31 universes."""
_ID = b"Art-Net\x00"
_OP_POLL, _OP_POLL_REPLY, _OP_DMX, _OP_SYNC = 0x2000, 0x2100, 0x5000, 0x5200
_VERSION = 14
"""The one protocol version there is."""
_SEQUENCE_AT, _SLOTS_AT = 12, 18
_MIN_REPLY_OCTETS = 207
"""Octets of the shortest ArtPollReply that has to be accepted: without the bind address."""
_IS_OUTPUT = 0x80
"""Bit of a port's type: it can send data from the network to an output."""


def _head(op_code: int) -> bytes:
    return _ID + op_code.to_bytes(2, "little") + _VERSION.to_bytes(2, "big")


def check_universe(universe: int) -> None:
    """Check that a universe has a Port-Address.

    Raises:
        InputError: the number is out of range.
    """
    if not 1 <= universe <= MAX_PORT_ADDRESS:
        raise InputError(
            f"universe {universe}: Art-Net has 1 to {MAX_PORT_ADDRESS}; place the prop lower, such "
            "as with --output universe=1"
        )


class DmxStream:
    """ArtDmx packets of one universe, built once; then only sequence and slots change."""

    def __init__(self, universe: int, slots: int) -> None:
        """Build the packet.

        Args:
            universe: Port-Address, 1 to 32767.
            slots: number of slots, at most 512; an odd number gets one more, since the length is
                even and at least 2.

        Raises:
            InputError: the universe has no Port-Address.
        """
        check_universe(universe)
        length = slots + slots % 2
        head = _head(_OP_DMX) + bytes([0, 0, universe & 0xFF, universe >> 8])
        self.octets = bytearray(head + length.to_bytes(2, "big") + bytes(length))
        self.universe = universe
        self._sequence = 0

    def data(self, slots: bytes | memoryview, first: int = 0) -> bytearray:
        """Return the next packet, with slots from `first` on; valid until the next call."""
        self.fill(slots, first)
        return self.next()

    def fill(self, slots: bytes | memoryview, first: int = 0) -> None:
        """Set the slots from `first` on, from 0."""
        start = _SLOTS_AT + first
        self.octets[start : start + len(slots)] = slots

    def next(self) -> bytearray:
        """Return the next packet; valid until the next call."""
        # 1 to 255: with 0 a controller does not put packets into order
        self._sequence = self._sequence % 255 + 1
        self.octets[_SEQUENCE_AT] = self._sequence
        return self.octets


class Sync:
    """ArtSync: controllers show what they received since the last one."""

    def __init__(self) -> None:
        self.octets = bytearray(_head(_OP_SYNC) + bytes(2))

    def next(self) -> bytearray:
        """Return the packet, which never changes."""
        return self.octets


def poll_packet() -> bytes:
    """Return ArtPoll: every controller answers with ArtPollReply, without diagnostics."""
    return _head(_OP_POLL) + bytes(2)


@dataclass(frozen=True, slots=True)
class PollReply:
    """Answer of a controller, about up to four of its ports."""

    address: str
    short_name: str
    long_name: str
    outputs: tuple[int, ...]
    """Universes of its outputs, ascending."""
    bind_index: int
    """Number of this answer among those of one controller with many ports, from 1; 0 if unknown."""


def decode_poll_reply(octets: bytes) -> PollReply | None:
    """Decode ArtPollReply; return None for any other packet.

    >>> decode_poll_reply(b"Art-Net")
    """
    is_reply = octets[:10] == _ID + _OP_POLL_REPLY.to_bytes(2, "little")
    if not is_reply or len(octets) < _MIN_REPLY_OCTETS:
        return None
    # Port-Address: seven bits of NetSwitch, four of SubSwitch, four of SwOut
    base = (octets[18] & 0x7F) << 8 | (octets[19] & 0x0F) << 4
    count = min(4, int.from_bytes(octets[172:174], "big"))
    types, switches = octets[174:178], octets[190:194]
    outputs = {
        base | switch & 0x0F
        for kind, switch in list(zip(types, switches, strict=True))[:count]
        if kind & _IS_OUTPUT
    }
    return PollReply(
        str(IPv4Address(octets[10:14])),
        _text(octets[26:44]),
        _text(octets[44:108]),
        tuple(sorted(outputs)),
        octets[211] if len(octets) > 211 else 0,
    )


def _text(octets: bytes) -> str:
    return strip_control_chars(octets.split(b"\x00", 1)[0].decode("utf-8", "replace")).strip()
