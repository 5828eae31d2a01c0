"""Encoder of E1.31 packets, built once for each universe; then only a few octets change.

The library `sacn` writes the packet and so covers the standard; this module keeps the octets and
changes sequence, options and slots in place. The bench has one CID as an E1.31 source, for life.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path
from uuid import UUID, uuid4

from sacn.messages.data_packet import DataPacket
from sacn.messages.sync_packet import SyncPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from benchtest.drive.e131.decode import MAX_PRIORITY
from benchtest.errors import InputError

_SEQUENCE_AT = 111
_OPTIONS_AT = 112
_SLOTS_AT = 126
_SYNC_SEQUENCE_AT = 44
"""Offsets in a packet. Source: ANSI E1.31-2018, clauses 6.2.5, 6.2.6, 7.7 and 6.3."""
_TERMINATED = 0x40
_MAX_NAME_OCTETS = 63
DISCOVERY_UNIVERSE = 64214
DISCOVERY_INTERVAL_S = 10.0
"""Interval between two lists of universes. [s] Source: ANSI E1.31-2018, clause 4.3, appendix A."""
_UNIVERSES_PER_PAGE = 512
"""Universes in one discovery packet. Source: ANSI E1.31-2018, clause 8."""


class Stream:
    """Data packets of one universe."""

    def __init__(
        self,
        universe: int,
        slots: int,
        *,
        source_id: UUID,
        name: str,
        priority: int = 100,
        sync_address: int = 0,
        preview: bool = False,
    ) -> None:
        """Build the packet.

        Args:
            universe: 1 to 63999.
            slots: number of slots, at most 512.
            source_id: CID, one for the equipment's life (clause 5.6).
            name: at most 63 octets of UTF-8.
            priority: 0 to 200.
            sync_address: universe of the synchronization packets, 0 for none.
            preview: mark the data as not for a live output.

        Raises:
            InputError: name or priority is outside the standard's limits.
        """
        check_source(name, priority)
        packet = DataPacket(
            cid=tuple(source_id.bytes),
            sourceName=name,
            universe=universe,
            dmxData=(0,) * slots,
            priority=priority,
            previewData=preview,
            sync_universe=sync_address,
            # if synchronization stops, moving light shows more than frozen light
            forceSync=bool(sync_address),
        )
        # the library pads to 512 slots; a short universe has a shorter packet
        self.octets = bytearray(_shorten(bytes(packet.getBytes()), slots))
        self.universe = universe
        self._sequence = -1

    def data(self, slots: bytes | memoryview, first: int = 0) -> bytearray:
        """Return the next packet, with slots from `first` on; valid until the next call."""
        self.fill(slots, first)
        return self.next()

    def fill(self, slots: bytes | memoryview, first: int = 0) -> None:
        """Set the slots from `first` on, from 0."""
        start = _SLOTS_AT + first
        self.octets[start : start + len(slots)] = slots

    def termination(self) -> bytearray:
        """Return the next packet, marked as the end of the stream (clause 6.2.6)."""
        self.octets[_OPTIONS_AT] |= _TERMINATED
        return self.next()

    def next(self) -> bytearray:
        """Return the next packet; valid until the next call."""
        self._sequence = (self._sequence + 1) % 256
        self.octets[_SEQUENCE_AT] = self._sequence
        return self.octets


class SyncStream:
    """Synchronization packets on one address, with a sequence number of their own."""

    def __init__(self, address: int, source_id: UUID) -> None:
        packet = SyncPacket(cid=tuple(source_id.bytes), syncAddr=address)
        self.octets = bytearray(bytes(packet.getBytes()))
        self._sequence = -1

    def next(self) -> bytearray:
        """Return the next packet; valid until the next call."""
        self._sequence = (self._sequence + 1) % 256
        self.octets[_SYNC_SEQUENCE_AT] = self._sequence
        return self.octets


def discovery_packets(universes: Iterable[int], source_id: UUID, name: str) -> list[bytes]:
    """Return packets that list a source's universes, or one with an empty list.

    Args:
        universes: 1 to 63999, in any order.
        source_id: CID.
        name: at most 63 octets of UTF-8.
    """
    listed = sorted(set(universes))
    pages = [
        listed[at : at + _UNIVERSES_PER_PAGE] for at in range(0, len(listed), _UNIVERSES_PER_PAGE)
    ]
    pages = pages or [[]]
    packets = (
        UniverseDiscoveryPacket(tuple(source_id.bytes), name, tuple(page), number, len(pages) - 1)
        for number, page in enumerate(pages)
    )
    return [bytes(packet.getBytes()) for packet in packets]


def check_source(name: str, priority: int) -> None:
    """Check the settings of a source that a user may choose.

    Raises:
        InputError: name or priority is outside the standard's limits.
    """
    if not name or len(name.encode()) > _MAX_NAME_OCTETS:
        raise InputError(f'source name "{name[:40]}": give 1 to {_MAX_NAME_OCTETS} octets')
    if not 0 <= priority <= MAX_PRIORITY:
        raise InputError(f"priority {priority}: give 0 to {MAX_PRIORITY}")


def _shorten(octets: bytes, slots: int) -> bytes:
    """Return a packet with fewer slots: three lengths and the count shrink (5.4, 6.1, 7.1, 7.6)."""
    short = bytearray(octets[: _SLOTS_AT + slots])
    for at in (16, 38, 115):
        short[at : at + 2] = (0x7000 | (len(short) - at)).to_bytes(2, "big")
    short[123:125] = (slots + 1).to_bytes(2, "big")
    return bytes(short)


def multicast_group(universe: int) -> str:
    """Return the IPv4 multicast group of a universe. Source: ANSI E1.31-2018, clause 9.3.1.

    >>> multicast_group(7000)
    '239.255.27.88'
    """
    return f"239.255.{universe >> 8}.{universe & 0xFF}"


_FILE = "source-id"


def load_cid(folder: Path) -> UUID:
    """Return the bench's CID, made on first use. Source: ANSI E1.31-2018, clause 5.6.

    If the folder cannot be written, each run has another CID: driving matters more than being the
    same source tomorrow.
    """
    file = folder / _FILE
    with contextlib.suppress(OSError, ValueError):
        return UUID(file.read_text(encoding="ascii").strip())
    fresh = uuid4()
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        file.write_text(f"{fresh}\n", encoding="ascii")
    return fresh
