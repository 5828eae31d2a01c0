"""Driver that sends frames over Art-Net to addresses of controllers, and the search for these.

Art-Net has no priority and no end of a stream: a controller may keep the last light that it
received, so a program that is killed leaves it on. The driver ends with dark frames.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from benchtest.drive.artnet.packets import (
    DmxStream,
    PollReply,
    decode_poll_reply,
    poll_packet,
    sync_packet,
)
from benchtest.drive.driver import DriverInfo, DriveStatus
from benchtest.drive.e131.other_sources import describe_universes
from benchtest.drive.e131.udp import UdpSender, describe_network_error, network_status
from benchtest.drive.target import ARTNET_PORT, format_artnet
from benchtest.drive.universe_layout import Frame, UniverseLayout
from benchtest.errors import DriveFault
from benchtest.prop.design import Design

_MAX_FPS = 44.0
"""Ceiling of 513 slots, by the times of ANSI E1.11."""
_DARK_FRAMES = 3
"""Dark frames at the end: no later packet would repeat one that is lost."""
POLL_WAIT_S = 3.0
"""Time within which every controller answers ArtPoll. [s] Source: Specification for the Art-Net 4
Ethernet Communication Protocol, ArtPollReply."""


@dataclass(frozen=True, slots=True)
class _Line:
    """The sender to one controller, and its universes."""

    udp: UdpSender
    streams: list[tuple[DmxStream, int]]
    """Packets of each universe, and the first slot used in it, from 0."""


class ArtNetDriver:
    """A driver that sends ArtDmx to the target's address; outputs with a host go to theirs."""

    def __init__(
        self,
        design: Design,
        host: str,
        port: int = ARTNET_PORT,
        *,
        sync: bool = False,
        placed: str = "",
    ) -> None:
        """Prepare the driver; nothing is opened yet.

        Args:
            design: the prop.
            host: name or address of the controller.
            port: UDP port to send to.
            sync: True to send ArtSync after each frame.
            placed: place of the prop that its file does not have, for a status line.

        Raises:
            InputError: a universe of the prop has no Port-Address.
        """
        self.design = design
        self._layout = UniverseLayout(design)
        self._universes = sorted({part.universe for part in self._layout.slices})
        self._sync, self._placed = bytearray(sync_packet()) if sync else None, placed
        line_of: dict[str | None, _Line] = {}
        for part in self._layout.slices:
            if part.host not in line_of:
                where = part.host or host
                sender = UdpSender(where, port, target=format_artnet(where, port))
                line_of[part.host] = _Line(sender, [])
            stream = DmxStream(part.universe, part.slot + part.count)
            line_of[part.host].streams.append((stream, part.slot))
        self._lines = list(line_of.values())
        self._frames = 0
        self._open = False
        self.sent_s = float("-inf")

    def open(self) -> DriverInfo:
        """Resolve the address and open the socket.

        Raises:
            DriveFault: the host is unknown, or this machine has no network to it.
        """
        try:
            for line in self._lines:
                line.udp.open()
        except DriveFault:
            self._close_lines()
            raise
        for line in self._lines:
            packets = [(stream.octets, "0.0.0.0") for stream, _ in line.streams]
            if self._sync is not None:  # the last packet of each frame
                packets.append((self._sync, "0.0.0.0"))
            line.udp.prepare(packets)
        self._open = True
        hosts = ", ".join(str(line.udp.host) for line in self._lines)
        words = [f"at {self._placed}"] if self._placed else []
        words += ["sync"] if self._sync is not None else []
        where = f"Art-Net {hosts}, {describe_universes(self._universes)}"
        return DriverInfo(where, len(self._universes), _MAX_FPS, ", ".join(words))

    def show(self, frame: Frame) -> None:
        """Send one frame: all universes, then ArtSync if enabled."""
        if not self._open:
            raise DriveFault(f"{self._lines[0].udp.target}: closed; open it to send again")
        for line in self._lines:
            line.udp.reopen_if_blocked()
        slots = iter(self._layout.slots(frame))  # host after host, as the lines
        for line in self._lines:
            for stream, first in line.streams:
                stream.data(next(slots), first)
        for line in self._lines:
            line.udp.send_frame(len(line.streams) + (self._sync is not None))
        self.sent_s = time.monotonic()
        self._frames += 1

    def status(self) -> DriveStatus:
        return network_status(self._frames, [line.udp for line in self._lines])

    def close(self) -> None:
        """Send dark frames, then close the socket."""
        if self._open:
            dark = np.zeros((self.design.node_count, self.design.node.channels), dtype=np.uint8)
            for _ in range(_DARK_FRAMES):
                time.sleep(max(0.0, self.sent_s + 1.0 / _MAX_FPS - time.monotonic()))
                self.show(dark)
        self._open = False
        self._close_lines()

    def _close_lines(self) -> None:
        for line in self._lines:
            line.udp.close()


@dataclass(frozen=True, slots=True)
class FoundController:
    """A controller that answered, with all its outputs."""

    address: str
    name: str
    outputs: tuple[int, ...]
    """Universes of its outputs, ascending."""

    def __str__(self) -> str:
        shown = describe_universes(self.outputs) if self.outputs else "no output"
        return f"artnet:{self.address}  {self.name or 'without a name'}, {shown}"


def route_to(host: str) -> tuple[str, str]:
    """Return the own address on the network of a controller, and its own; sends nothing.

    Raises:
        DriveFault: the host is unknown, or this machine has no network to it.
    """
    sender = UdpSender(host, ARTNET_PORT, target=format_artnet(host, ARTNET_PORT))
    try:
        return sender.open(), host
    finally:
        sender.close()


def find_controllers(
    routes: Iterable[tuple[str, str]], wait_s: float = POLL_WAIT_S, quiet_s: float = POLL_WAIT_S
) -> list[FoundController]:
    """Return the controllers that answer ArtPoll, by address.

    Args:
        routes: own address on a network, and the address to ask there: that of one controller, or
            the network's broadcast address.
        wait_s: time to wait for answers. [s]
        quiet_s: time after an answer without another one that ends the wait. [s]

    Raises:
        DriveFault: no network could be asked: another program has the port, or it is down.
    """
    ears: list[socket.socket] = []
    faults: list[DriveFault] = []
    try:
        for own, asked in routes:
            try:
                ears.append(_asking_socket(own, asked))
            except DriveFault as fault:  # other networks are asked all the same
                faults.append(fault)
        if faults and not ears:
            raise faults[0]
        return _collect(ears, wait_s, quiet_s)
    finally:
        for ear in ears:
            ear.close()


def _asking_socket(own: str, asked: str) -> socket.socket:
    """Send ArtPoll from the port to which controllers answer; return the socket."""
    ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        ear.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        ear.bind((own, ARTNET_PORT))
        ear.sendto(poll_packet(), (asked, ARTNET_PORT))
    except OSError as error:
        ear.close()
        why = describe_network_error(error)
        raise DriveFault(
            f"artnet:{asked}: cannot ask from port {ARTNET_PORT} ({why}); end other programs for "
            "Art-Net on this machine"
        ) from error
    return ear


def _collect(ears: list[socket.socket], wait_s: float, quiet_s: float) -> list[FoundController]:
    found: dict[str, list[PollReply]] = {}
    until_s = time.monotonic() + wait_s
    while ears and (left_s := until_s - time.monotonic()) > 0.0:
        for ear in ears:
            ear.settimeout(max(0.01, min(0.1, left_s) / len(ears)))
            try:
                octets, sender = ear.recvfrom(1500)
            except OSError:  # nothing has come, or a report that one packet did not arrive
                continue
            if (reply := decode_poll_reply(octets)) is not None:
                found.setdefault(sender[0], []).append(reply)
                until_s = min(until_s, time.monotonic() + quiet_s)
    return [
        FoundController(
            address,
            next((name for one in replies if (name := one.long_name or one.short_name)), ""),
            tuple(sorted({number for one in replies for number in one.outputs})),
        )
        for address, replies in sorted(found.items())
    ]
