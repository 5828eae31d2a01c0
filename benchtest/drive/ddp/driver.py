"""Driver that sends frames over DDP, the Distributed Display Protocol, to addresses of controllers.

DDP has no universes: a packet carries a run of octets of one long frame buffer, and the last packet
of a frame shows it. It has no priority and no end of a stream either: a controller may keep the
last light that it received, so a program that is killed leaves it on. The driver ends with dark
frames.

Source of every field: Distributed Display Protocol (DDP) Specification, 3waylabs, version 1. All
numbers are big-endian.
"""

from __future__ import annotations

import struct
from itertools import cycle

from benchtest.drive.driver import DriverInfo
from benchtest.drive.target import DDP_PORT, format_ddp
from benchtest.drive.udp import UdpDriver, UdpSender, unusual_settings
from benchtest.drive.universe_layout import OctetLayout, OctetRun
from benchtest.prop.design import Design

_VERSION_1, _PUSH = 0x40, 0x01
_MAX_SEQUENCE = 15
_DEFAULT_OUTPUT = 1
"""Destination: the default output device."""
_TYPES = {"RGB": 0b00_001_011, "RGBW": 0b00_011_011}
"""Data type of a colour order: kind of colours, and 8 bits for each. Any other order is undefined,
0, since a controller passes the chip's own order on unchanged."""
_SEQUENCE_AT, _DATA_AT = 1, 10


class Packet:
    """The packet of one run of octets, built once; then only sequence and data change."""

    def __init__(
        self,
        run: OctetRun,
        colour_order: str = "",
        *,
        push: bool = False,
        numbers: cycle[int] | None = None,
    ) -> None:
        """Build the packet.

        Args:
            run: its octets, at most 1440.
            colour_order: of the nodes on the wire; `RGB` and `RGBW` are named in the packet.
            push: True for the last packet of a frame, with which all of it is shown.
            numbers: sequence numbers, shared by all packets to one controller.
        """
        head = struct.pack(
            ">BBBBIH",
            _VERSION_1 | _PUSH * push,
            0,
            _TYPES.get(colour_order, 0),
            _DEFAULT_OUTPUT,
            run.offset,
            run.count,
        )
        self.octets = bytearray(head + bytes(run.count))
        self._numbers = sequence_numbers() if numbers is None else numbers

    def fill(self, slots: bytes | memoryview, first: int = 0) -> None:
        """Set the octets from `first` on, from 0."""
        start = _DATA_AT + first
        self.octets[start : start + len(slots)] = slots

    def next(self) -> bytearray:
        """Return the next packet; valid until the next call."""
        self.octets[_SEQUENCE_AT] = next(self._numbers)
        return self.octets


def sequence_numbers() -> cycle[int]:
    """Return sequence numbers, 1 to 15 and again; 0 would be none."""
    return cycle(range(1, _MAX_SEQUENCE + 1))


class DdpDriver(UdpDriver[OctetRun]):
    """A driver that sends DDP to the target's address; outputs with a host go to theirs."""

    def __init__(
        self,
        design: Design,
        host: str,
        port: int = DDP_PORT,
        *,
        interface: str | None = None,
        placed: str = "",
    ) -> None:
        """Prepare the driver; nothing is opened yet.

        Args:
            design: the prop.
            host: name or address of the controller.
            port: UDP port to send to.
            interface: own address to send from; None for the system's choice.
            placed: place of the prop that its file does not have, for a status line.

        Raises:
            InputError: two outputs of the prop use the same octets.
        """
        layout = OctetLayout(design)
        self._spans = layout.spans
        self._unusual = unusual_settings(placed, [], interface)
        orders = {one.colour_order or design.node.colour_order for one in design.outputs}
        self._order = orders.pop() if len(orders) == 1 else ""

        def sender_to(own: str | None) -> UdpSender:
            where = own or host
            return UdpSender(where, port, interface, target=format_ddp(where, port))

        super().__init__(design, layout, sender_to)

    def open(self) -> DriverInfo:
        """Resolve the address and open the socket.

        Raises:
            DriveFault: the host is unknown, or this machine has no network to it.
        """
        self.open_lines()
        last = {part.host: part for line in self.lines for part in line.parts}
        numbers = {host: sequence_numbers() for host in last}
        self.make_streams(
            lambda part: Packet(
                part, self._order, push=part is last[part.host], numbers=numbers[part.host]
            )
        )
        spans = [f"{first}-{stop - 1}" for first, stop in self._spans]
        where = f"DDP {self.hosts}, octets {', '.join(spans)}"
        return DriverInfo(where, len(last), self.MAX_FPS, self._unusual)
