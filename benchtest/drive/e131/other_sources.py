"""Other sources on the prop's universes: a listener, and their effect on the test."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
import time
from collections import defaultdict
from collections.abc import Iterable, Set
from dataclasses import dataclass
from uuid import UUID

from benchtest.drive.e131.decode import (
    DataPacket,
    Discarded,
    DiscoveryPacket,
    decode_packet,
)
from benchtest.drive.e131.encode import (
    DISCOVERY_INTERVAL_S,
    DISCOVERY_UNIVERSE,
    multicast_group,
)
from benchtest.operating_system import group_bind_address

DATA_LOSS_S = 2.5
"""E131_NETWORK_DATA_LOSS_TIMEOUT: silence after which a source has ended. [s]
Source: ANSI E1.31-2018, clause 6.7.1.
"""
LIST_LOSS_S = 2 * DISCOVERY_INTERVAL_S
"""Time without its list after which a source has ended. [s] A stopped universe is off the list
within two intervals. Source: ANSI E1.31-2018, clause 12.2.
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
    priority: int | None
    """None if only its list of universes was received: it sends to addresses of controllers."""
    universes: tuple[int, ...]
    effect: str
    """Effect on the test, in plain words."""
    lead: int | None = None
    """Its priority less that of the test; None if it is not known, or has no effect on a prop."""

    @property
    def label(self) -> str:
        """Its name and address."""
        return describe_source(self.name, self.address)

    def __str__(self) -> str:
        which = describe_universes(self.universes)
        if self.priority is None:
            return f"{self.label} lists {which}: {self.effect}"
        return f"{self.label} sends {which} at priority {self.priority}: {self.effect}"


@dataclass(frozen=True, slots=True)
class _LastPacket:
    """The last packet of one source on one universe."""

    name: str
    priority: int
    preview: bool
    at_s: float


@dataclass(frozen=True, slots=True)
class _LastList:
    """The last page of one source's universes, those of the prop."""

    name: str
    universes: tuple[int, ...]
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
        self._lists: dict[tuple[bytes, str, int], _LastList] = {}

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
        if isinstance(packet, DiscoveryPacket):
            self._receive_list(packet, sender[0], now_s)
            return
        if not isinstance(packet, DataPacket) or packet.universe not in self._universes:
            return
        key = (packet.source, sender[0], packet.universe)
        if packet.terminated:
            self._heard.pop(key, None)
        elif packet.start_code == 0 and (key in self._heard or self._has_room(now_s)):
            self._heard[key] = _LastPacket(packet.name, packet.priority, packet.preview, now_s)

    def _receive_list(self, packet: DiscoveryPacket, address: str, now_s: float) -> None:
        """Record one page of a source's universes; pages past its last one are forgotten."""
        key = (packet.source, address, packet.page)
        mine = tuple(sorted(self._universes.intersection(packet.universes)))
        past = [k for k in self._lists if k[:2] == key[:2] and k[2] > packet.last_page]
        for one in past:
            del self._lists[one]
        if not mine:
            self._lists.pop(key, None)
        elif key in self._lists or len(self._lists) < _MAX_SOURCES:
            self._lists[key] = _LastList(packet.name, mine, now_s)

    def _listed(self, now_s: float) -> list[OtherSource]:
        """Return the sources that list universes of the prop, and were not heard on them."""
        recent = [key for key, one in self._heard.items() if now_s - one.at_s <= DATA_LOSS_S]
        heard = {key[:2] for key in recent}
        self._lists = {k: one for k, one in self._lists.items() if now_s - one.at_s <= LIST_LOSS_S}
        names: dict[tuple[bytes, str], tuple[str, set[int]]] = {}
        for (source, address, _), one in self._lists.items():
            if (source, address) not in heard:
                names.setdefault((source, address), (one.name, set()))[1].update(one.universes)
        effect = "it may send to the same controller by address; end it, or compare its addresses"
        return [
            OtherSource(name, address, None, tuple(sorted(universes)), effect)
            for (_, address), (name, universes) in names.items()
        ]

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
            lead = None if preview else priority - self._own_priority
            which = tuple(sorted(universes))
            found.append(OtherSource(name, address, priority, which, effect, lead))
        found += self._listed(now_s)
        return tuple(sorted(found, key=_by_priority))

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


def _by_priority(other: OtherSource) -> tuple[int, str]:
    return (1 if other.priority is None else -other.priority, other.name)


def describe_source(name: str, address: str) -> str:
    """Return the name and address of a source, which may send no name."""
    return f"{name or 'a source without a name'} ({address})"


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


_POLL_INTERVAL_S = 0.1
"""Interval between two polls. [s] Packets wait in the system's buffers meanwhile: to wake up for
each of our own, which multicast returns, would delay the frame clock.
"""
_MAX_PACKET_OCTETS = 1500
_MAX_PACKETS_PER_POLL = 64
"""Most packets read from one universe in one poll, so that a flood does not occupy this thread."""


class SourceListener:
    """A thread that receives multicast.

    Unicast to a controller cannot be received here; its source may list its universes, which is
    multicast.
    """

    def __init__(
        self,
        others: OtherSources,
        universes: Iterable[int],
        network: str,
        port: int,
        own_ports: Set[int],
    ) -> None:
        """Join the universes' groups; packets are read only after `start`.

        Args:
            others: the record of other sources.
            universes: the universes of the prop.
            network: address of this machine on the network to listen to.
            port: UDP port.
            own_ports: ports that this program sends from; may grow later.
        """
        self.listen_error: str | None = None
        """Reason that other sources cannot be received; None while they can."""
        self._others = others
        self._own_ports = own_ports
        self._lock = threading.Lock()
        self._closed = threading.Event()
        self._sockets = selectors.DefaultSelector()
        self._thread = threading.Thread(target=self._run, name="listener", daemon=True)
        try:
            listened = sorted(set(universes))
            for universe in [*listened, DISCOVERY_UNIVERSE] if listened else []:
                ear = _multicast_socket(multicast_group(universe), port, network)
                self._sockets.register(ear, selectors.EVENT_READ, ear)
        except OSError as error:
            self.listen_error = (
                f"cannot receive other sources on port {port}: {error.strerror or error}"
            )

    def start(self) -> None:
        self._thread.start()

    def present(self) -> tuple[OtherSource, ...]:
        """Return the other sources that sent recently."""
        with self._lock:
            return self._others.present(time.monotonic())

    def _run(self) -> None:
        while not self._closed.wait(_POLL_INTERVAL_S):
            for key, _ in self._sockets.select(0) if self._sockets.get_map() else ():
                self._receive_all(key.data)

    def _receive_all(self, ear: socket.socket) -> None:
        # BlockingIOError is an OSError: nothing more has come
        with contextlib.suppress(OSError):
            for _ in range(_MAX_PACKETS_PER_POLL):
                octets, sender = ear.recvfrom(_MAX_PACKET_OCTETS)
                with self._lock:
                    self._others.receive(octets, sender, self._own_ports, time.monotonic())

    def close(self) -> None:
        """Stop listening; may be called again."""
        self._closed.set()
        if self._thread.is_alive():
            self._thread.join()
        for key in list((self._sockets.get_map() or {}).values()):
            self._sockets.unregister(key.fileobj)
            key.data.close()
        self._sockets.close()


def _multicast_socket(group: str, port: int, network: str) -> socket.socket:
    """Open a socket for one group only, so that no receiver on this machine loses its unicast."""
    opened = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        opened.setblocking(False)
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind((group_bind_address(group), port))
        member = socket.inet_aton(group) + socket.inet_aton(network)
        opened.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
    except OSError:
        opened.close()
        raise
    return opened
