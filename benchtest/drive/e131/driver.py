"""Driver that sends frames over E1.31, unicast or multicast."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from uuid import UUID

import numpy as np

from benchtest.drive.driver import DriverInfo, DriveStatus
from benchtest.drive.e131.encode import (
    DISCOVERY_INTERVAL_S,
    DISCOVERY_UNIVERSE,
    Stream,
    SyncStream,
    check_source,
    discovery_packets,
    multicast_group,
)
from benchtest.drive.e131.other_sources import (
    MAX_SOURCE_INTERVAL_S,
    OtherSources,
    SourceListener,
    describe_universes,
)
from benchtest.drive.e131.udp import UdpSender, network_status
from benchtest.drive.target import E131_PORT
from benchtest.drive.universe_layout import Frame, UniverseLayout
from benchtest.errors import DriveFault
from benchtest.prop.design import Design

_MAX_FPS = 44.0
"""Ceiling of 513 slots. Source: ANSI E1.31-2018, clause 6.6.1, with the times of ANSI E1.11."""
_TERMINATION_PACKETS = 3
"""Packets that end a stream. Source: ANSI E1.31-2018, clause 6.2.6."""


USUAL_PRIORITY = 100
"""Priority of a source that cannot vary it. Source: ANSI E1.31-2018, clause 6.2.3."""


@dataclass(frozen=True, slots=True)
class SourceSettings:
    """Settings of our own source."""

    source_id: UUID
    name: str = "benchtest"
    priority: int = USUAL_PRIORITY
    preview: bool = False
    sync_address: int = 0
    """Universe of synchronization packets, 0 to send none: many receivers do not support them."""
    interface: str | None = None
    """Address of the network interface for multicast; None for the system's choice."""


@dataclass(frozen=True, slots=True)
class _Line:
    """The sender to one controller, or to multicast groups, and its universes."""

    udp: UdpSender
    streams: list[tuple[Stream, int]]
    """Packets of each universe, and the first slot used in it, from 0."""


class E131Driver:
    """A driver that sends frames over E1.31 and listens for other sources.

    Outputs with a host of their own are sent to it, all others to the target's host or multicast
    groups.
    """

    def __init__(
        self,
        design: Design,
        source: SourceSettings,
        host: str | None = None,
        port: int = E131_PORT,
        placed: str = "",
    ) -> None:
        """Prepare the driver; nothing is opened yet.

        Args:
            design: the prop.
            source: the settings of this source.
            host: name or address for unicast; None for multicast.
            port: UDP port to send to.
            placed: place of the prop that its file does not have, for a status line.

        Raises:
            InputError: the source's name or priority is outside the standard's limits.
        """
        check_source(source.name, source.priority)
        self.design = design
        self.source = source
        self._placed = placed
        self._layout = UniverseLayout(design)
        self._universes = sorted({part.universe for part in self._layout.slices})
        self._lines: list[_Line] = []
        self._ports: set[int] = set()
        hosts = dict.fromkeys(part.host for part in self._layout.slices)
        for own in hosts:
            sender = UdpSender(host if own is None else own, port, source.interface)
            sender.ports = self._ports
            self._lines.append(_Line(sender, []))
        self._line_of = dict(zip(hosts, self._lines, strict=True))
        self._listener: SourceListener | None = None
        self._sync = (
            SyncStream(source.sync_address, source.source_id) if source.sync_address else None
        )
        self._frames = 0
        self._open = False
        self._sent_s = self._discovery_s = float("-inf")
        self.sent_s = float("-inf")

    def listen(self) -> None:
        """Start to listen for other sources, before anything is sent; may be called again.

        Raises:
            DriveFault: the host is unknown, or this machine has no network to it.
        """
        if self._listener is not None:
            return
        try:
            network = self._lines[0].udp.open()
            for line in self._lines[1:]:
                line.udp.open()
        except DriveFault:
            for line in self._lines:
                line.udp.close()
            raise
        others = OtherSources(self._universes, self.source.source_id, self.source.priority)
        # IPv6 has groups of its own, which nothing seen on a bench uses
        heard = [] if ":" in network else self._universes
        self._listener = SourceListener(others, heard, network, E131_PORT, self._ports)
        self._listener.start()
        self._heard_all_s = time.monotonic() + MAX_SOURCE_INTERVAL_S + 0.1

    def wait_for_sources(self) -> None:
        """Wait until every other source has sent at least once: about a second from `listen`."""
        self.listen()
        time.sleep(max(0.0, self._heard_all_s - time.monotonic()))

    def open(self) -> DriverInfo:
        """Resolve the address and open the socket.

        Raises:
            DriveFault: the host is unknown, or this machine has no network to it.
        """
        self.listen()
        for part in self._layout.slices:
            stream = Stream(
                part.universe,
                part.slot + part.count,
                source_id=self.source.source_id,
                name=self.source.name,
                priority=self.source.priority,
                preview=self.source.preview,
                sync_address=self.source.sync_address,
            )
            self._line_of[part.host].streams.append((stream, part.slot))
        for line in self._lines:
            packets = [(s.octets, multicast_group(s.universe)) for s, _ in line.streams]
            if self._sync is not None:  # the last packet of each frame
                packets.append((self._sync.octets, multicast_group(self.source.sync_address)))
            line.udp.prepare(packets)
        self._open = True
        hosts = ", ".join(line.udp.host or "multicast" for line in self._lines)
        where = f"E1.31 {hosts}, {describe_universes(self._universes)}"
        return DriverInfo(where, len(self._universes), _MAX_FPS, self._unusual())

    def _unusual(self) -> str:
        """Return the settings that are not the usual ones, for a status line."""
        given = self.source
        words = [f"at {self._placed}"] if self._placed else []
        words += [f"priority {given.priority}"] if given.priority != USUAL_PRIORITY else []
        words += [f"sync on {given.sync_address}"] if given.sync_address else []
        words += [f"from {given.interface}"] if given.interface else []
        return ", ".join(words)

    def show(self, frame: Frame) -> None:
        """Send one frame: all universes, then one synchronization packet if enabled."""
        if not self._open:
            raise DriveFault(f"{self._lines[0].udp.target}: closed; open it to send again")
        for line in self._lines:
            line.udp.reopen_if_blocked()
        self._sent_s = time.monotonic()
        slots = iter(self._layout.slots(frame))
        for line in self._lines:
            for stream, first in line.streams:
                stream.data(next(slots), first)
        if self._sync is not None:
            self._sync.next()
        for line in self._lines:
            line.udp.send_frame(len(line.streams) + (self._sync is not None))
        self.sent_s = time.monotonic()
        self._frames += 1
        if self._sent_s >= self._discovery_s:
            self._send_discovery(self._universes)

    def _send_discovery(self, universes: list[int]) -> None:
        """Send the list of universes for discovery, which is multicast only (4.3)."""
        self._discovery_s = self._sent_s + DISCOVERY_INTERVAL_S
        if any(line.udp.host is None for line in self._lines):
            also = [self.source.sync_address] if universes and self._sync is not None else []
            for packet in discovery_packets(
                universes + also, self.source.source_id, self.source.name
            ):
                for line in self._lines:
                    if line.udp.host is None:
                        line.udp.send(packet, multicast_group(DISCOVERY_UNIVERSE))

    def status(self) -> DriveStatus:
        listener = self._listener
        return replace(
            network_status(self._frames, [line.udp for line in self._lines]),
            other_sources=() if listener is None else listener.present(),
            listen_error=None if listener is None else listener.listen_error,
        )

    def close(self) -> None:
        """Send a dark frame and three termination packets per universe, then close the socket."""
        if self._open:
            dark = np.zeros((self.design.node_count, self.design.node.channels), dtype=np.uint8)
            self._wait_for_next_slot()
            self.show(dark)
            for _ in range(_TERMINATION_PACKETS):
                self._wait_for_next_slot()
                self._sent_s = time.monotonic()
                for line in self._lines:
                    for stream, _ in line.streams:
                        stream.termination()
                    line.udp.send_frame(len(line.streams))
                self.sent_s = time.monotonic()
            self._send_discovery([])
        self._open = False
        if self._listener is not None:
            self._listener.close()
        self._listener = None
        for line in self._lines:
            line.streams.clear()
            line.udp.close()

    def _wait_for_next_slot(self) -> None:
        """Wait until the next packet is allowed: a burst is easily lost as a whole."""
        time.sleep(max(0.0, self.sent_s + 1.0 / _MAX_FPS - time.monotonic()))
