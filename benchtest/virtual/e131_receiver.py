"""E1.31 receiver of a controller: source selection, packet order, time-outs.

Pure: octets and the time go in, slots of each universe come out. Source: ANSI E1.31-2018.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from benchtest.drive.e131.decode import (
    DataPacket,
    Discarded,
    DiscoveryPacket,
    SyncPacket,
    decode_packet,
)
from benchtest.drive.e131.other_sources import DATA_LOSS_S

_MAX_SOURCES = 16
"""Most sources on each universe, on average. A receiver has a limit of its own (6.2.3): a flood of
invented sources must not fill the memory.
"""
_REORDER_WINDOW = 20
"""A packet this many numbers behind the last one, or fewer, is out of order (6.7.2)."""


def _is_out_of_order(last: int, new: int) -> bool:
    """Return True if a sequence number is a repeat or out of order.

    >>> _is_out_of_order(7, 6), _is_out_of_order(255, 0), _is_out_of_order(7, 243)
    (True, False, False)
    """
    step = (new - last + 128) % 256 - 128
    return -_REORDER_WINDOW < step <= 0


@dataclass
class _Source:
    """One source on one universe."""

    name: str
    priority: int
    sequence: int
    heard_s: float
    slots: bytes | None = None
    """None until it has sent slots to show."""
    held: DataPacket | None = None


@dataclass
class E131Receiver:
    """Receiver of a few universes.

    Attributes:
        universes: those that belong to the prop.
        packet_counts: numbers of packets accepted, and discarded by reason.
    """

    universes: frozenset[int]
    packet_counts: Counter[str] = field(default_factory=Counter)
    _sources: dict[tuple[int, bytes], _Source] = field(default_factory=dict)
    _syncs: dict[int, float] = field(default_factory=dict)
    """Time of the last synchronization packet on each address. [s]"""
    _sync_sequences: dict[tuple[int, bytes], tuple[int, float]] = field(default_factory=dict)

    @classmethod
    def for_universes(cls, universes: Iterable[int]) -> E131Receiver:
        """Return a receiver of some universes, without any source yet."""
        return cls(frozenset(universes))

    def receive(self, octets: bytes, now_s: float) -> bool:
        """Process one packet; return True if it may have changed the slots."""
        try:
            packet = decode_packet(octets)
            if isinstance(packet, SyncPacket):
                return self._take_sync(packet, now_s)
            if isinstance(packet, DiscoveryPacket):
                raise Discarded("universe discovery")
            return self._take_data(packet, now_s)
        except Discarded as reason:
            self.packet_counts[str(reason)] += 1
            return False

    def _take_data(self, packet: DataPacket, now_s: float) -> bool:
        if packet.universe not in self.universes:
            raise Discarded("another universe")
        key = (packet.universe, packet.source)
        source = self._sources.get(key)
        if source is not None and _is_out_of_order(source.sequence, packet.sequence):
            raise Discarded("out of order")
        if packet.terminated:  # its slots have no meaning (6.2.6)
            self.packet_counts["terminated"] += 1
            return self._sources.pop(key, None) is not None
        if packet.preview:  # not for a live output (6.2.6): neither shown nor a sign of life
            if source is not None:
                source.sequence = packet.sequence
            raise Discarded("preview")
        if source is None:
            if len(self._sources) >= _MAX_SOURCES * len(self.universes):
                raise Discarded("too many sources")
            source = self._sources[key] = _Source(packet.name, 0, packet.sequence, now_s)
        source.sequence, source.heard_s = packet.sequence, now_s
        source.name, source.priority = packet.name, packet.priority
        if packet.start_code != 0:
            raise Discarded("alternate start code")
        self.packet_counts["accepted"] += 1
        return self._act_or_hold(source, packet, now_s)

    def _act_or_hold(self, source: _Source, packet: DataPacket, now_s: float) -> bool:
        """Show a packet's slots, or hold them if synchronization packets have been received.

        Source: ANSI E1.31-2018, 6.2.4.1 and 11.1.
        """
        heard = self._syncs.get(packet.sync_address)
        lost = heard is not None and now_s - heard > DATA_LOSS_S
        if packet.sync_address == 0 or heard is None or (lost and packet.force_sync):
            source.held = None
            source.slots = packet.slots
            return True
        source.held = packet
        return False

    def _take_sync(self, packet: SyncPacket, now_s: float) -> bool:
        key = (packet.address, packet.source)
        last = self._sync_sequences.get(key)
        if last is not None and _is_out_of_order(last[0], packet.sequence):
            raise Discarded("out of order")
        if last is None and len(self._sync_sequences) >= _MAX_SOURCES * len(self.universes):
            raise Discarded("too many sources")
        self._sync_sequences[key] = (packet.sequence, now_s)
        self._syncs[packet.address] = now_s
        self.packet_counts["synchronization"] += 1
        changed = False
        for source in self._sources.values():
            if source.held is not None and source.held.sync_address == packet.address:
                source.slots, source.held, changed = source.held.slots, None, True
        return changed

    def expire_sources(self, now_s: float) -> bool:
        """Drop sources that have stopped sending; return True if there were any."""
        gone = [key for key, s in self._sources.items() if now_s - s.heard_s > DATA_LOSS_S]
        for key in gone:
            del self._sources[key]
            self.packet_counts["data lost"] += 1
        # a restarted sender may use any number; the fact of synchronization is kept
        self._sync_sequences = {
            key: last
            for key, last in self._sync_sequences.items()
            if now_s - last[1] <= DATA_LOSS_S
        }
        return bool(gone)

    def slots(self) -> dict[int, bytes]:
        """Return the slots of each universe: highest priority first, then the earliest source.

        The standard leaves the choice among equal priorities to the receiver (6.2.3).
        """
        best: dict[int, tuple[int, bytes]] = {}
        for (universe, _), source in self._sources.items():
            if source.slots is None:
                continue
            if universe not in best or source.priority > best[universe][0]:
                best[universe] = (source.priority, source.slots)
        return {universe: slots for universe, (_, slots) in best.items()}

    def sources(self) -> list[tuple[str, int]]:
        """Return name and priority of every source that is sending, each once."""
        return sorted({(source.name, source.priority) for source in self._sources.values()})
