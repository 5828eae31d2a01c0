"""Driver that sends frames over E1.31, unicast or multicast."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from uuid import UUID

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
from benchtest.drive.target import E131_PORT
from benchtest.drive.udp import UdpDriver, UdpSender, unusual_settings
from benchtest.drive.universe_layout import Frame, UniverseLayout, UniverseSlice
from benchtest.prop.design import Design

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
    """Address of the network interface to send from; None for the system's choice."""


class E131Driver(UdpDriver[UniverseSlice]):
    """A driver that sends frames over E1.31 and listens for other sources."""

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
        self.source = source
        self._placed = placed
        self._ports: set[int] = set()
        layout = UniverseLayout(design)
        self._universes = sorted({part.universe for part in layout.slices})

        def sender_to(own: str | None) -> UdpSender:
            sender = UdpSender(host if own is None else own, port, source.interface)
            sender.ports = self._ports
            return sender

        address = source.sync_address
        sync = SyncStream(address, source.source_id) if address else None
        super().__init__(design, layout, sender_to, sync)
        self._listener: SourceListener | None = None
        self._discovery_s = float("-inf")

    def listen(self) -> None:
        """Start to listen for other sources, before anything is sent; may be called again.

        Raises:
            DriveFault: the host is unknown, or this machine has no network to it.
        """
        if self._listener is not None:
            return
        network = self.open_lines()
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
        self.make_streams(
            self._stream,
            lambda part: multicast_group(part.universe),
            multicast_group(self.source.sync_address),
        )
        where = f"E1.31 {self.hosts}, {describe_universes(self._universes)}"
        return DriverInfo(where, len(self._universes), self.MAX_FPS, self._unusual())

    def _stream(self, part: UniverseSlice) -> Stream:
        return Stream(
            part.universe,
            part.slot + part.count,
            source_id=self.source.source_id,
            name=self.source.name,
            priority=self.source.priority,
            preview=self.source.preview,
            sync_address=self.source.sync_address,
        )

    def _unusual(self) -> str:
        """Return the settings that are not the usual ones, for a status line."""
        given = self.source
        words = [f"priority {given.priority}"] if given.priority != USUAL_PRIORITY else []
        words += [f"sync on {given.sync_address}"] if given.sync_address else []
        return unusual_settings(self._placed, words, given.interface)

    def show(self, frame: Frame) -> None:
        """Send one frame: all universes, then one synchronization packet if enabled."""
        super().show(frame)
        if self.sent_s >= self._discovery_s:
            self._send_discovery(self._universes)

    def _send_discovery(self, universes: list[int]) -> None:
        """Send the list of universes for discovery, which is multicast only (4.3)."""
        self._discovery_s = self.sent_s + DISCOVERY_INTERVAL_S
        if any(line.udp.host is None for line in self.lines):
            also = [self.source.sync_address] if universes and self.source.sync_address else []
            for packet in discovery_packets(
                universes + also, self.source.source_id, self.source.name
            ):
                for line in self.lines:
                    if line.udp.host is None:
                        line.udp.send(packet, multicast_group(DISCOVERY_UNIVERSE))

    def status(self) -> DriveStatus:
        listener = self._listener
        return replace(
            super().status(),
            other_sources=() if listener is None else listener.present(),
            listen_error=None if listener is None else listener.listen_error,
        )

    def close(self) -> None:
        """Send a dark frame and three termination packets per universe, then close the socket."""
        if self._is_open:
            self.show_dark()
            for _ in range(_TERMINATION_PACKETS):
                self.wait_for_next_slot()
                for line in self.lines:
                    for stream in line.streams:
                        assert isinstance(stream, Stream)
                        stream.termination()
                    line.udp.send_frame(len(line.streams))
                self.sent_s = time.monotonic()
            self._send_discovery([])
        if self._listener is not None:
            self._listener.close()
        self._listener = None
        self.close_lines()
