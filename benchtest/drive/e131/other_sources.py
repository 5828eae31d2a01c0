"""Other sources on the prop's universes, and their effect on the test.

Pure: octets, address and time go in; sources come out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Set
from dataclasses import dataclass
from uuid import UUID

from benchtest.drive.e131.decode import DataPacket, Discarded, decode_packet

DATA_LOSS_S = 2.5
"""E131_NETWORK_DATA_LOSS_TIMEOUT: silence after which a source has ended. [s]
Source: ANSI E1.31-2018, clause 6.7.1.
"""
_MAX_SOURCES = 1000
"""Most pairs of source and universe that are recorded; a flood of invented sources must not fill
the memory.
"""
MAX_SOURCE_INTERVAL_S = 1.0
"""Longest time between two packets of a source at rest. [s] Source: ANSI E1.31-2018, 6.6.2."""


@dataclass(frozen=True, slots=True)
class OtherSource:
    """A source other than this program."""

    name: str
    address: str
    priority: int
    universes: tuple[int, ...]
    effect: str
    """Effect on the test, in plain words."""

    def __str__(self) -> str:
        return (
            f"{self.name or 'a source without a name'} ({self.address}) sends "
            f"{describe_universes(self.universes)} at priority {self.priority}: {self.effect}"
        )


@dataclass(frozen=True, slots=True)
class _LastPacket:
    """The last packet of one source on one universe."""

    name: str
    priority: int
    preview: bool
    at_s: float


class OtherSources:
    """Record of the other sources on a few universes."""

    def __init__(self, universes: Iterable[int], source_id: UUID, priority: int) -> None:
        """Start with an empty record.

        Args:
            universes: the universes of the prop.
            source_id: our own CID.
            priority: our own priority, 0 to 200.
        """
        self._universes = frozenset(universes)
        self._own_id = source_id.bytes
        self._own_priority = priority
        self._heard: dict[tuple[bytes, str, int], _LastPacket] = {}

    def receive(
        self, octets: bytes, sender: tuple[str, int], own_ports: Set[int], now_s: float
    ) -> None:
        """Record one packet.

        Args:
            octets: the packet received.
            sender: address and port of its sender.
            own_ports: ports that this program sends from; its own packets are skipped.
            now_s: monotonic time. [s]
        """
        if octets[22:38] == self._own_id and sender[1] in own_ports:
            return
        try:
            packet = decode_packet(octets)
        except Discarded:
            return
        if not isinstance(packet, DataPacket) or packet.universe not in self._universes:
            return
        key = (packet.source, sender[0], packet.universe)
        if packet.terminated:
            self._heard.pop(key, None)
        elif packet.start_code == 0 and (key in self._heard or self._has_room(now_s)):
            self._heard[key] = _LastPacket(packet.name, packet.priority, packet.preview, now_s)

    def _has_room(self, now_s: float) -> bool:
        if len(self._heard) >= _MAX_SOURCES:
            of_late = {k: h for k, h in self._heard.items() if now_s - h.at_s <= DATA_LOSS_S}
            self._heard = of_late
        return len(self._heard) < _MAX_SOURCES

    def present(self, now_s: float) -> tuple[OtherSource, ...]:
        """Return the sources that sent recently, highest priority first."""
        alike = defaultdict(list)
        for (source, address, universe), heard in self._heard.items():
            if now_s - heard.at_s <= DATA_LOSS_S:
                own = source == self._own_id
                whose = (heard.priority, heard.name, address, heard.preview, own)
                alike[whose].append(universe)
        found = []
        for (priority, name, address, preview, own), universes in alike.items():
            effect = self._effect(priority, preview, own, universes)
            found.append(OtherSource(name, address, priority, tuple(sorted(universes)), effect))
        return tuple(sorted(found, key=lambda other: (-other.priority, other.name)))

    def _effect(self, priority: int, preview: bool, own: bool, universes: list[int]) -> str:
        """Return the effect on the test.

        Source: ANSI E1.31-2018, 6.2.3 (priority) and 6.2.6 (preview).
        """
        which = describe_universes(universes)
        if preview:
            return "a preview, which props do not show; no effect on the test"
        if own:
            return f"this bench in another window also drives {which}; end one of the two"
        if priority > self._own_priority:
            return f"it controls {which}: the prop shows its frames, not the test's"
        if priority == self._own_priority:
            return (
                f"it has the same priority as the test on {which}: a controller may show either, "
                "or mix them; end it, or give the test a higher priority"
            )
        return "below the test's priority: controllers that follow priorities ignore it"


def describe_universes(universes: Iterable[int]) -> str:
    """Return universe numbers in words.

    >>> describe_universes([3]), describe_universes([1, 2, 3, 7])
    ('universe 3', 'universes 1-3, 7')
    """
    runs: list[list[int]] = []
    for number in sorted(universes):
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    spans = ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs)
    alone = len(runs) == 1 and runs[0][0] == runs[0][1]
    return f"{'universe' if alone else 'universes'} {spans}"
