"""Driver that sends frames over Art-Net to addresses of controllers, and the search for these.

Art-Net has no priority and no end of a stream: a controller may keep the last light that it
received, so a program that is killed leaves it on. The driver ends with dark frames.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Iterable
from dataclasses import dataclass

from benchtest.drive.artnet.packets import (
    DmxStream,
    PollReply,
    Sync,
    check_universe,
    decode_poll_reply,
    poll_packet,
)
from benchtest.drive.driver import DriverInfo
from benchtest.drive.e131.other_sources import describe_universes
from benchtest.drive.target import ARTNET_PORT, format_artnet
from benchtest.drive.udp import UdpDriver, UdpSender, describe_network_error, unusual_settings
from benchtest.drive.universe_layout import UniverseLayout, UniverseSlice
from benchtest.errors import DriveFault
from benchtest.prop.design import Design

POLL_WAIT_S = 3.0
"""Time within which every controller answers ArtPoll. [s] Source: Specification for the Art-Net 4
Ethernet Communication Protocol, ArtPollReply."""


class ArtNetDriver(UdpDriver[UniverseSlice]):
    """A driver that sends ArtDmx to the target's address; outputs with a host go to theirs."""

    def __init__(
        self,
        design: Design,
        host: str,
        port: int = ARTNET_PORT,
        *,
        sync: bool = False,
        interface: str | None = None,
        placed: str = "",
    ) -> None:
        """Prepare the driver; nothing is opened yet.

        Args:
            design: the prop.
            host: name or address of the controller.
            port: UDP port to send to.
            sync: True to send ArtSync after each frame.
            interface: own address to send from; None for the system's choice.
            placed: place of the prop that its file does not have, for a status line.

        Raises:
            InputError: a universe of the prop has no Port-Address.
        """
        layout = UniverseLayout(design)
        self._universes = sorted({part.universe for part in layout.slices})
        for universe in self._universes:
            check_universe(universe)
        self._unusual = unusual_settings(placed, ["sync"] if sync else [], interface)

        def sender_to(own: str | None) -> UdpSender:
            where = own or host
            return UdpSender(where, port, interface, target=format_artnet(where, port))

        super().__init__(design, layout, sender_to, Sync() if sync else None)

    def open(self) -> DriverInfo:
        """Resolve the address and open the socket.

        Raises:
            DriveFault: the host is unknown, or this machine has no network to it.
        """
        self.open_lines()
        self.make_streams(lambda part: DmxStream(part.universe, part.slot + part.count))
        where = f"Art-Net {self.hosts}, {describe_universes(self._universes)}"
        return DriverInfo(where, len(self._universes), self.MAX_FPS, self._unusual)


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
