"""Driver that sends frames over E1.31, unicast or multicast."""

from __future__ import annotations

import time
from dataclasses import dataclass
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
from benchtest.drive.e131.udp import E131_PORT, UdpSender
from benchtest.drive.universe_layout import Frame, UniverseLayout
from benchtest.errors import DriveFault
from benchtest.prop.design import Design

_MAX_FPS = 44.0
"""Ceiling of 513 slots. Source: ANSI E1.31-2018, clause 6.6.1, with the times of ANSI E1.11."""
_TERMINATION_PACKETS = 3
"""Packets that end a stream. Source: ANSI E1.31-2018, clause 6.2.6."""


@dataclass(frozen=True, slots=True)
class SourceSettings:
    """Settings of our own source."""

    source_id: UUID
    name: str = "benchtest"
    priority: int = 100
    preview: bool = False
    sync_address: int = 0
    """Universe of synchronization packets, 0 to send none: many receivers do not support them."""
    interface: str | None = None
    """Address of the network interface for multicast; None for the system's choice."""


class E131Driver:
    """A driver that sends frames over E1.31 and listens for other sources."""

    def __init__(
        self,
        design: Design,
        source: SourceSettings,
        host: str | None = None,
        port: int = E131_PORT,
    ) -> None:
        """Prepare the driver; nothing is opened yet.

        Args:
            design: the prop.
            source: the settings of this source.
            host: name or address for unicast; None for multicast.
            port: UDP port to send to.

        Raises:
            InputError: the source's name or priority is outside the standard's limits.
        """
        check_source(source.name, source.priority)
        self.design = design
        self.source = source
        self._layout = UniverseLayout(design)
        self._universes = [part.universe for part in self._layout.slices]
        self._udp = UdpSender(host, port, source.interface)
        self._listener: SourceListener | None = None
        self._streams: list[tuple[Stream, int]] = []
        self._sync = (
            SyncStream(source.sync_address, source.source_id) if source.sync_address else None
        )
        self._frames = 0
        self._open = False
        self._sent_s = self._discovery_s = float("-inf")

    def listen(self) -> None:
        """Start to listen for other sources, before anything is sent; may be called again.

        Raises:
            DriveFault: the host is unknown, or this machine has no network to it.
        """
        if self._listener is not None:
            return
        network = self._udp.open()
        others = OtherSources(self._universes, self.source.source_id, self.source.priority)
        # IPv6 has groups of its own, which nothing seen on a bench uses
        heard = [] if ":" in network else self._universes
        self._listener = SourceListener(others, heard, network, E131_PORT, self._udp.ports)
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
        channels = self.design.node.channels
        for part in self._layout.slices:
            stream = Stream(
                part.universe,
                part.slot + (part.stop - part.first) * channels,
                source_id=self.source.source_id,
                name=self.source.name,
                priority=self.source.priority,
                preview=self.source.preview,
                sync_address=self.source.sync_address,
            )
            self._streams.append((stream, part.slot))
        packets = [(stream.octets, multicast_group(stream.universe)) for stream, _ in self._streams]
        if self._sync is not None:  # the last packet of each frame
            packets.append((self._sync.octets, multicast_group(self.source.sync_address)))
        self._udp.prepare(packets)
        self._open = True
        where = f"E1.31 {self._udp.host or 'multicast'}, {describe_universes(self._universes)}"
        return DriverInfo(where, len(self._universes), _MAX_FPS)

    def show(self, frame: Frame) -> None:
        """Send one frame: all universes, then one synchronization packet if enabled."""
        if not self._open:
            raise DriveFault(f"{self._udp.target}: closed; open it to send again")
        self._udp.reopen_if_blocked()
        self._sent_s = time.monotonic()
        slots = self._layout.slots(frame)
        for (stream, first), octets in zip(self._streams, slots, strict=True):
            stream.data(octets, first)
        if self._sync is not None:
            self._sync.next()
        self._udp.send_frame(len(self._streams) + (self._sync is not None))
        self._frames += 1
        if self._sent_s >= self._discovery_s:
            self._send_discovery(self._universes)

    def _send_discovery(self, universes: list[int]) -> None:
        """Send the list of universes for discovery, which is multicast only (4.3)."""
        self._discovery_s = self._sent_s + DISCOVERY_INTERVAL_S
        if self._udp.host is None:
            also = [self.source.sync_address] if universes and self._sync is not None else []
            for packet in discovery_packets(
                universes + also, self.source.source_id, self.source.name
            ):
                self._udp.send(packet, multicast_group(DISCOVERY_UNIVERSE))

    def status(self) -> DriveStatus:
        line, listener = self._udp, self._listener
        where = self._udp.target
        return DriveStatus(
            self._frames,
            line.packets,
            line.errors,
            trouble=None if line.blocked is None else f"{where}: {line.blocked}; still trying",
            refused=None if line.refused is None else f"{where}: {line.refused}",
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
                for stream, _ in self._streams:
                    stream.termination()
                self._udp.send_frame(len(self._streams))
            self._send_discovery([])
        self._open = False
        self._streams = []
        if self._listener is not None:
            self._listener.close()
        self._listener = None
        self._udp.close()

    def _wait_for_next_slot(self) -> None:
        """Wait until the next packet is allowed: a burst is easily lost as a whole."""
        time.sleep(max(0.0, self._sent_s + 1.0 / _MAX_FPS - time.monotonic()))
