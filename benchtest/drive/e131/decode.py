"""Decoder of E1.31 packets: octets in, a packet or a reason to discard out.

Source: ANSI E1.31-2018, clauses 4.1 to 7.7. All fields are big-endian.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from benchtest.input_files import strip_control_chars
from benchtest.prop.outputs import MAX_SLOTS, MAX_UNIVERSE

_HEADER_OCTETS = 126
"""Octets of a data packet before its slots."""
_SYNC_OCTETS = 49
_DISCOVERY_OCTETS, _MAX_LISTED = 120, 512
"""Octets of a discovery packet before its universes, and the most universes of one page."""
MAX_PRIORITY = 200
"""Source: ANSI E1.31-2018, clause 6.2.3."""

_ROOT = bytes.fromhex("00100000") + b"ASC-E1.17\x00\x00\x00"
_ROOT_DATA = (4).to_bytes(4, "big")
_ROOT_EXTENDED = (8).to_bytes(4, "big")
_FRAMING_DATA = (2).to_bytes(4, "big")
_FRAMING_SYNC = (1).to_bytes(4, "big")
_FRAMING_DISCOVERY = (2).to_bytes(4, "big")
_LIST = (1).to_bytes(4, "big")
"""Vector of the universe discovery layer (8.2)."""
_DMP = bytes.fromhex("02a100000001")
"""DMP vector, address and data type, first property address, address increment (7.2 to 7.5)."""


class Discarded(Exception):
    """A packet that a receiver discards by the standard or common sense; the text is the reason."""


@dataclass(frozen=True, slots=True)
class DataPacket:
    """One universe's slots from one source."""

    source: bytes
    """CID, 16 octets."""
    name: str
    priority: int
    sync_address: int
    sequence: int
    preview: bool
    terminated: bool
    force_sync: bool
    universe: int
    start_code: int
    slots: bytes


@dataclass(frozen=True, slots=True)
class SyncPacket:
    """A command to act on the data sent with this synchronization address."""

    source: bytes
    sequence: int
    address: int


@dataclass(frozen=True, slots=True)
class DiscoveryPacket:
    """One page of the list of universes that a source sends."""

    source: bytes
    name: str
    page: int
    last_page: int
    universes: tuple[int, ...]


def decode_packet(octets: bytes) -> DataPacket | SyncPacket | DiscoveryPacket:
    """Decode one packet.

    Raises:
        Discarded: the octets are not a packet, or one that a receiver does not act on.
    """
    if len(octets) < _SYNC_OCTETS or octets[:16] != _ROOT:
        raise Discarded("not an E1.31 packet")
    _check_length(octets, 16)
    vector = octets[18:22]
    if vector == _ROOT_DATA:
        return _decode_data(octets)
    if vector == _ROOT_EXTENDED:
        is_list = octets[40:44] == _FRAMING_DISCOVERY
        return _decode_discovery(octets) if is_list else _decode_sync(octets)
    raise Discarded("unknown root vector")


def _check_length(octets: bytes, at: int) -> None:
    """Check a length field: high four bits 7, low twelve the octets to the end (5.4, 6.1, 7.1)."""
    (word,) = struct.unpack_from(">H", octets, at)
    if word >> 12 != 7 or word & 0x0FFF != len(octets) - at:
        raise Discarded("length field does not fit the packet")


def _decode_data(octets: bytes) -> DataPacket:
    if len(octets) < _HEADER_OCTETS:
        raise Discarded("shorter than a data packet")
    if octets[40:44] != _FRAMING_DATA or octets[117:123] != _DMP:
        raise Discarded("unknown framing or DMP field")
    _check_length(octets, 38)
    _check_length(octets, 115)
    (count,) = struct.unpack_from(">H", octets, 123)
    slots = octets[_HEADER_OCTETS:]
    if count != len(slots) + 1 or len(slots) > MAX_SLOTS:
        raise Discarded("slot count does not fit the packet")
    priority, sync, sequence, options, universe = struct.unpack_from(">BHBBH", octets, 108)
    if priority > MAX_PRIORITY:
        raise Discarded("priority above 200")
    if not 1 <= universe <= MAX_UNIVERSE:
        raise Discarded("universe out of range")
    return DataPacket(
        source=octets[22:38],
        name=_decode_name(octets),
        priority=priority,
        sync_address=sync,
        sequence=sequence,
        preview=bool(options & 0x80),
        terminated=bool(options & 0x40),
        force_sync=bool(options & 0x20),
        universe=universe,
        start_code=octets[125],
        slots=slots,
    )


def _decode_name(octets: bytes) -> str:
    name = octets[44:108].split(b"\x00", 1)[0].decode("utf-8", "replace")
    return strip_control_chars(name)


def _decode_discovery(octets: bytes) -> DiscoveryPacket:
    """Decode a page of universe discovery (clauses 4.3 and 8)."""
    if len(octets) < _DISCOVERY_OCTETS or octets[114:118] != _LIST:
        raise Discarded("neither data nor synchronization")
    _check_length(octets, 38)
    _check_length(octets, 112)
    page, last_page = octets[118], octets[119]
    count, rest = divmod(len(octets) - _DISCOVERY_OCTETS, 2)
    if rest or count > _MAX_LISTED or page > last_page:
        raise Discarded("list of universes does not fit the packet")
    universes = struct.unpack_from(f">{count}H", octets, _DISCOVERY_OCTETS)
    return DiscoveryPacket(octets[22:38], _decode_name(octets), page, last_page, universes)


def _decode_sync(octets: bytes) -> SyncPacket:
    if len(octets) != _SYNC_OCTETS or octets[40:44] != _FRAMING_SYNC:
        raise Discarded("neither data nor synchronization")
    _check_length(octets, 38)
    sequence, address = struct.unpack_from(">BH", octets, 44)
    if not 1 <= address <= MAX_UNIVERSE:
        raise Discarded("synchronization address out of range")
    return SyncPacket(octets[22:38], sequence, address)
