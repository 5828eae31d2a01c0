"""Frames as E1.31 over UDP, unicast or multicast."""

from __future__ import annotations

import contextlib
import socket
from dataclasses import dataclass
from uuid import UUID

import numpy as np

from benchtest.drive.base import Abilities, Status, Target
from benchtest.drive.layout import Frame, parts_of, slots_of
from benchtest.drive.packets import Stream, SyncStream, check_source, multicast_group
from benchtest.errors import DriveFault
from benchtest.prop.design import Design

MOST_FPS = 44.0
"""Ceiling of 513 slots. Source: ANSI E1.31-2018, clause 6.6.1, with the times of ANSI E1.11."""
TERMINATIONS = 3
"""Packets that end a stream. Source: ANSI E1.31-2018, clause 6.2.6."""
TTL = 8
"""Routers that a multicast packet may pass; a bench has none, a home network one or two."""


@dataclass(frozen=True, slots=True)
class Sender:
    """What a source says of itself."""

    source_id: UUID
    name: str = "benchtest"
    priority: int = 100
    preview: bool = False
    sync_address: int = 0
    """Universe of synchronization packets, 0 to send none: many receivers do not know them."""
    interface: str | None = None
    """Address of the network that multicast leaves by; None for the system's choice."""


class E131Driver:
    """Sends a prop's frames over E1.31."""

    def __init__(self, design: Design, target: Target, sender: Sender) -> None:
        check_source(sender.name, sender.priority)
        self.design = design
        self.target = target
        self.sender = sender
        self._socket: socket.socket | None = None
        self._streams: dict[int, Stream] = {}
        self._addresses: dict[int, tuple[str, int]] = {}
        self._sync: SyncStream | None = None
        self._frames = self._packets = self._errors = 0
        self._trouble: str | None = None

    def open(self) -> Abilities:
        """Resolve the address and open the socket.

        Raises:
            DriveFault: the host is unknown, or this machine has no network to it.
        """
        parts = parts_of(self.design)
        family, addresses = self._resolve([part.universe for part in parts])
        self._addresses = addresses
        channels = self.design.node.channels
        for part in parts:
            self._streams[part.universe] = Stream(
                part.universe,
                part.slot + (part.stop - part.first) * channels,
                source_id=self.sender.source_id,
                name=self.sender.name,
                priority=self.sender.priority,
                preview=self.sender.preview,
                sync_address=self.sender.sync_address,
            )
        if self.sender.sync_address:
            self._sync = SyncStream(self.sender.sync_address, self.sender.source_id)
        self._socket = self._open_socket(family)
        self._try_route()
        return Abilities(self._where(parts[0].universe, len(parts)), len(parts), MOST_FPS)

    def _resolve(
        self, universes: list[int]
    ) -> tuple[socket.AddressFamily, dict[int, tuple[str, int]]]:
        host, port = self.target.host, self.target.port
        if host is None:
            return socket.AF_INET, {u: (multicast_group(u), port) for u in universes}
        try:
            found = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
        except (OSError, UnicodeError) as error:
            raise DriveFault(
                f"{host}: no such host on this network ({getattr(error, 'strerror', error)}); "
                "give its address, or e131 alone for multicast"
            ) from error
        family, _, _, _, address = found[0]
        return family, dict.fromkeys(universes, (str(address[0]), int(address[1])))

    def _open_socket(self, family: socket.AddressFamily) -> socket.socket:
        opened = socket.socket(family, socket.SOCK_DGRAM)
        if self.target.host is None:
            opened.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, TTL)
            if self.sender.interface is not None:
                self._choose_interface(opened, self.sender.interface)
        return opened

    def _choose_interface(self, opened: socket.socket, interface: str) -> None:
        try:
            address = socket.inet_aton(interface)
            opened.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, address)
        except OSError as error:
            opened.close()
            raise DriveFault(
                f"{interface}: no network of this machine; give the address of one"
            ) from error

    def _try_route(self) -> None:
        """Ask the system for a route before anybody waits for light; sends nothing."""
        assert self._socket is not None
        address = next(iter(self._addresses.values()))
        with socket.socket(self._socket.family, socket.SOCK_DGRAM) as probe:
            if self.target.host is None and self.sender.interface is not None:
                self._choose_interface(probe, self.sender.interface)
            try:
                probe.connect(address)
            except OSError as error:
                self._socket.close()
                self._socket = None
                raise DriveFault(
                    f"{self.target}: no network leads there ({error.strerror}); "
                    "look at cable and address"
                ) from error

    def _where(self, first: int, count: int) -> str:
        last = first + count - 1
        span = f"universe {first}" if count == 1 else f"universes {first}-{last}"
        return f"E1.31 {self.target.host or 'multicast'}, {span}"

    def show(self, frame: Frame) -> None:
        """Send one frame: all universes, then one synchronization packet where wanted."""
        if self._socket is None:
            raise DriveFault(f"{self.target}: is closed; open it to send again")
        for universe, slots in slots_of(self.design, frame).items():
            self._send(self._streams[universe].data(slots), self._addresses[universe])
        if self._sync is not None:
            self._send(self._sync.next(), self._sync_address())
        self._frames += 1

    def _sync_address(self) -> tuple[str, int]:
        """Synchronization goes to its own group (6.3.3.1), or to the host that is driven."""
        if self.target.host is None:
            return multicast_group(self.sender.sync_address), self.target.port
        return next(iter(self._addresses.values()))

    def _send(self, packet: bytearray, address: tuple[str, int]) -> None:
        """Send one packet; what the network says against it is kept, not raised."""
        assert self._socket is not None
        try:
            self._socket.sendto(packet, address)
        except OSError as error:
            self._errors += 1
            self._trouble = f"{self.target}: {error.strerror or error}; trying on"
        else:
            self._packets += 1
            self._trouble = None

    def status(self) -> Status:
        return Status(self._frames, self._packets, self._errors, self._trouble)

    def close(self) -> None:
        """Dark frame, three termination packets for each universe, and the socket is closed."""
        if self._socket is None:
            return
        dark = np.zeros((self.design.node_count, self.design.node.channels), dtype=np.uint8)
        self.show(dark)
        for _ in range(TERMINATIONS):
            for universe, stream in self._streams.items():
                self._send(stream.termination(), self._addresses[universe])
        with contextlib.suppress(OSError):
            self._socket.close()
        self._socket = None
