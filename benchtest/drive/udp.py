"""Frames over UDP: sockets, their recovery while the network fails, and what such drivers share.

On Linux many packets go in one system call; elsewhere they go one by one. Python lets other threads
run at each packet that a socket sends, and a busy screen then keeps the interpreter for
milliseconds each time: frames of 16 universes came up to 80 ms late. One call for all of them waits
at most once.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import socket
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Generic, Protocol

import numpy as np

from benchtest.drive.driver import DriveStatus
from benchtest.drive.target import E131_PORT, format_target
from benchtest.drive.universe_layout import Frame, Layout, P
from benchtest.errors import DriveFault
from benchtest.prop.design import Design


class _Address(ctypes.BigEndianStructure):
    """struct sockaddr_in of Linux; only the family is in the machine's own byte order: ip(7)."""

    _fields_ = (
        ("family", ctypes.c_uint8 * 2),
        ("port", ctypes.c_uint16),
        ("host", ctypes.c_uint8 * 4),
        ("zero", ctypes.c_uint8 * 8),
    )


class _IoVec(ctypes.Structure):
    """struct iovec: readv(2)."""

    _fields_ = (("base", ctypes.c_void_p), ("length", ctypes.c_size_t))


class _MessageHeader(ctypes.Structure):
    """struct msghdr: sendmsg(2)."""

    _fields_ = (
        ("name", ctypes.c_void_p),
        ("name_length", ctypes.c_uint32),
        ("pieces", ctypes.POINTER(_IoVec)),
        ("piece_count", ctypes.c_size_t),
        ("control", ctypes.c_void_p),
        ("control_length", ctypes.c_size_t),
        ("flags", ctypes.c_int),
    )


class _Message(ctypes.Structure):
    """struct mmsghdr: sendmmsg(2)."""

    _fields_ = (("header", _MessageHeader), ("sent", ctypes.c_uint))


def _system_call() -> Callable[..., int] | None:
    if sys.platform != "linux":
        return None
    return getattr(ctypes.CDLL(None, use_errno=True), "sendmmsg", None)


class PacketBatch:
    """Packets whose octets change in place, while their lengths and addresses stay."""

    def __init__(self, packets: Sequence[tuple[bytearray, str]], port: int | None) -> None:
        """Build the system's structures for the packets.

        Args:
            packets: octets and multicast group of each.
            port: UDP port; None if the socket is connected, and groups have no meaning.
        """
        self._call = _system_call()
        # kept alive, since the system holds only their addresses
        self._octets = [(ctypes.c_char * len(packet)).from_buffer(packet) for packet, _ in packets]
        self._pieces = [_IoVec(ctypes.addressof(own), len(own)) for own in self._octets]
        self._addresses = [_address(group, port or 0) for _, group in packets]
        self._messages = (_Message * len(packets))()
        rows = zip(self._messages, self._pieces, self._addresses, strict=True)
        for message, piece, address in rows:
            header = message.header
            header.pieces, header.piece_count = ctypes.pointer(piece), 1
            if port is not None:
                header.name = ctypes.addressof(address)
                header.name_length = ctypes.sizeof(address)

    @property
    def is_supported(self) -> bool:
        """True if this system can send many packets in one call."""
        return self._call is not None

    def send(self, opened: socket.socket, first: int, stop: int) -> int:
        """Send packets `first` to `stop - 1`, or as many as the system accepts.

        Returns:
            Number of packets sent.

        Raises:
            OSError: the system rejects the first packet.
        """
        assert self._call is not None
        start = ctypes.byref(self._messages, first * ctypes.sizeof(_Message))
        sent = self._call(opened.fileno(), start, stop - first, 0)
        if sent < 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
        return sent


def _address(group: str, port: int) -> _Address:
    family = (ctypes.c_uint8 * 2)(*socket.AF_INET.to_bytes(2, sys.byteorder))
    host = (ctypes.c_uint8 * 4)(*socket.inet_aton(group))
    return _Address(family, port, host)


_MULTICAST_TTL = 8
"""Routers that a multicast packet may pass; a bench has none, a home network one or two."""
_REOPEN_INTERVAL_S = 1.0
"""Shortest time between two new sockets while packets fail: a replugged adapter needs a new one.
[s]"""
_REFUSAL_MEMORY_S = 4.0
"""Time after a refusal without another one until the network counts as working. [s] A network does
not answer each packet: it asks for a host that is off about every 3 s, common practice.
"""
_RECVERR = {socket.AF_INET: (socket.IPPROTO_IP, 11), socket.AF_INET6: (socket.IPPROTO_IPV6, 25)}
"""Linux options that deliver the network's error messages. Source: ip(7), ipv6(7)."""

_NOT_OURS = "{}: not an address of this machine; give one of its addresses"
_DARK_FRAMES = 3
"""Dark frames at the end of a transport that has no packet for it: no later one would repeat one
that is lost."""
_NO_GROUP = "0.0.0.0"
"""Group of packets that all go to one host."""
_WORDS = {
    errno.ENETUNREACH: "no network leads there; check cable and address",
    errno.EHOSTUNREACH: "no device answers at that address; is the controller on?",
    errno.ENETDOWN: "the network is down; check cable and adapter",
    errno.EADDRNOTAVAIL: "this machine has lost its address; check cable and adapter",
    errno.ENODEV: "the network adapter is gone; plug it in again",
    errno.ECONNREFUSED: "the machine answers, but nothing there is listening on that port",
    errno.EPERM: "this machine's firewall blocks it",
    errno.EACCES: "this machine may not send there; give the address of one controller",
    errno.ENOBUFS: "the network accepts no more packets",
}


def describe_network_error(error: OSError) -> str:
    """Return the meaning of a system error for a person at a bench."""
    return _WORDS.get(error.errno or 0, error.strerror or str(error))


class UdpSender:
    """A sender of packets; errors of the network are kept, not raised.

    Attributes:
        packets: number of packets sent.
        errors: number of errors of the network.
        ports: every port of this machine that packets left from.
    """

    def __init__(
        self,
        host: str | None = None,
        port: int = E131_PORT,
        interface: str | None = None,
        *,
        in_one_call: bool = True,
        target: str | None = None,
    ) -> None:
        """Prepare the sender; nothing is opened yet.

        Args:
            host: name or address for unicast; None for multicast.
            port: UDP port.
            interface: address of the network interface to send from; None for the system's choice.
            in_one_call: send all packets of a frame in one system call if the system can.
            target: its name in messages; None for that of an E1.31 target.
        """
        self.host = host
        self.port = port
        self.target = target or format_target(host, port)
        self._in_one_call = in_one_call
        self.interface = interface
        self.packets = self.errors = 0
        self.ports: set[int] = set()
        self._socket: socket.socket | None = None
        self._resolved: tuple[socket.AddressFamily, tuple[str, int]] | None = None
        self.blocked: str | None = None
        """Reason that packets cannot go out now; None while they go."""
        self._refused: str | None = None
        self._refused_s = self._opened_s = float("-inf")

    def open(self) -> str:
        """Resolve the host and open the socket; send nothing.

        Returns:
            Address of this machine on the network of the host.

        Raises:
            DriveFault: the host is unknown, or no network leads to it.
        """
        if self.host is not None:
            self._resolved = _resolve(self.host, self.port, self.target)
        try:
            self._socket = self._new_socket()
            return self._own_address()
        except OSError as error:
            self.close()
            raise DriveFault(f"{self.target}: {describe_network_error(error)}") from error

    def _new_socket(self) -> socket.socket:
        self._opened_s = time.monotonic()
        family = self._resolved[0] if self._resolved is not None else socket.AF_INET
        opened = socket.socket(family, socket.SOCK_DGRAM)
        try:
            if self._resolved is not None:
                if sys.platform == "linux":
                    opened.setsockopt(*_RECVERR[family], 1)
                if self.interface is not None:
                    self._bind(opened, self.interface)
                opened.connect(self._resolved[1])
            else:
                self._set_multicast(opened)
                opened.bind(("", 0))
        except (OSError, DriveFault):
            opened.close()
            raise
        self.ports.add(opened.getsockname()[1])
        return opened

    def _bind(self, opened: socket.socket, interface: str) -> None:
        try:
            opened.bind((interface, 0))
        except OSError as error:
            raise DriveFault(_NOT_OURS.format(interface)) from error

    def _set_multicast(self, opened: socket.socket) -> None:
        opened.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, _MULTICAST_TTL)
        if self.interface is None:
            return
        try:
            address = socket.inet_aton(self.interface)
            opened.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, address)
        except OSError as error:
            raise DriveFault(_NOT_OURS.format(self.interface)) from error

    def _own_address(self) -> str:
        """Return the own address on the route to the target, which fails without a route."""
        assert self._socket is not None
        if self._resolved is not None:
            return str(self._socket.getsockname()[0])
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            self._set_multicast(probe)
            probe.connect(("239.255.0.1", self.port))
            return str(probe.getsockname()[0])

    def prepare(self, packets: Sequence[tuple[bytearray, str]]) -> None:
        """Set the packets of a frame, whose octets change in place from frame to frame.

        Args:
            packets: octets of each, and the multicast group used without a host.
        """
        self._packets = packets
        self._batch = PacketBatch(packets, None if self._resolved is not None else self.port)

    def send_frame(self, count: int) -> None:
        """Send the first `count` prepared packets, in one system call if possible."""
        assert self._socket is not None
        done = 0
        while done < count:
            try:
                if self._in_one_call and self._batch.is_supported:
                    sent = self._batch.send(self._socket, done, count)
                else:
                    self._send_once(*self._packets[done])
                    sent = 1
                self._record_sent(sent)
            except OSError as error:
                self._retry(*self._packets[done], error)
                sent = 1
            done += sent

    def send(self, packet: bytes | bytearray, group: str) -> None:
        """Send one packet to the host, or to a multicast group if there is no host."""
        try:
            self._send_once(packet, group)
            self._record_sent(1)
        except OSError as error:
            self._retry(packet, group, error)

    def _retry(self, packet: bytes | bytearray, group: str, said: OSError) -> None:
        """Send a packet again after an error that may concern an earlier one."""
        self.errors += 1
        try:
            self._send_once(packet, group)
        except OSError as error:
            self.blocked = describe_network_error(error)
            return
        self._refused, self._refused_s = describe_network_error(said), time.monotonic()
        self._record_sent(1)

    def _record_sent(self, count: int) -> None:
        self.blocked = None
        self.packets += count

    def _send_once(self, packet: bytes | bytearray, group: str) -> None:
        assert self._socket is not None
        if self._resolved is not None:
            self._socket.send(packet)
        else:
            self._socket.sendto(packet, (group, self.port))

    def reopen_if_blocked(self) -> None:
        """Open a new socket between two frames if nothing goes out by the old one."""
        if self.blocked is None or time.monotonic() - self._opened_s < _REOPEN_INTERVAL_S:
            return
        with contextlib.suppress(OSError, DriveFault):
            renewed = self._new_socket()
            self.close()
            self._socket = renewed

    @property
    def refused(self) -> str | None:
        """Recent reason of the network that packets did not arrive; None without one."""
        return self._refused if time.monotonic() - self._refused_s < _REFUSAL_MEMORY_S else None

    def close(self) -> None:
        """Close the socket; may be called again."""
        if self._socket is not None:
            self._socket.close()
        self._socket = None


def unusual_settings(placed: str, settings: Sequence[str], interface: str | None) -> str:
    """Return the settings that are not the usual ones, for a status line; empty without any.

    Args:
        placed: place of the prop that its file does not have; empty for that of the file.
        settings: those of the transport, in words.
        interface: own address to send from; None for the system's choice.
    """
    words = [f"at {placed}"] if placed else []
    return ", ".join([*words, *settings, *([f"from {interface}"] if interface else [])])


class Stream(Protocol):
    """Packets of one universe, or of one run of octets; they change in place."""

    octets: bytearray

    def fill(self, slots: bytes | memoryview, first: int = 0) -> None:
        """Set the slots from `first` on, from 0."""
        ...

    def next(self) -> bytearray:
        """Return the next packet: with a sequence number of its own."""
        ...


class FrameEnd(Protocol):
    """A packet after all others of a frame."""

    octets: bytearray

    def next(self) -> bytearray:
        """Return the next packet."""
        ...


@dataclass(frozen=True, slots=True)
class Line(Generic[P]):
    """The sender to one controller, or to multicast groups, and what it sends of a frame."""

    udp: UdpSender
    parts: list[P] = field(default_factory=list)
    streams: list[Stream] = field(default_factory=list)
    """Packets of each part."""


class UdpDriver(Generic[P]):
    """The shared part of drivers that send frames over UDP.

    Outputs with a host of their own are sent to it, all others to the target's host or multicast
    groups.

    Attributes:
        design: the prop.
        lines: the sender to each host.
        sent_s: time when the last packet of a frame had left. [s, monotonic]
    """

    MAX_FPS = 44.0
    """Ceiling of 513 slots. Source: ANSI E1.31-2018, clause 6.6.1, with the times of ANSI E1.11."""

    def __init__(
        self,
        design: Design,
        layout: Layout[P],
        sender_to: Callable[[str | None], UdpSender],
        end: FrameEnd | None = None,
    ) -> None:
        """Prepare the driver; nothing is opened yet.

        Args:
            design: the prop.
            layout: place of its channels.
            sender_to: returns the sender to a host of the prop file, None for that of the target.
            end: last packet of each frame, for every host; None without one.
        """
        self.design = design
        self._layout, self._end = layout, end
        lines: dict[str | None, Line[P]] = {}
        for part in layout.slices:  # host after host
            if part.host not in lines:
                lines[part.host] = Line(sender_to(part.host))
            lines[part.host].parts.append(part)
        self.lines = list(lines.values())
        self._frames = 0
        self._is_open = self._is_numbered = False
        self._prepared: Frame | None = None
        self.sent_s = float("-inf")

    def open_lines(self) -> str:
        """Open the sockets; return the own address on the network of the first.

        Raises:
            DriveFault: a host is unknown, or this machine has no network to it.
        """
        try:
            own, *_ = [line.udp.open() for line in self.lines]
        except DriveFault:
            self.close_lines()
            raise
        return own

    def make_streams(
        self,
        stream_of: Callable[[P], Stream],
        group_of: Callable[[P], str] = lambda part: _NO_GROUP,
        end_group: str = _NO_GROUP,
    ) -> None:
        """Make the packets of every line, and from now on accept frames.

        Args:
            stream_of: returns the packets of a part.
            group_of: returns the multicast group of a part.
            end_group: multicast group of the last packet.
        """
        for line in self.lines:
            line.streams[:] = map(stream_of, line.parts)
            packets = [
                (stream.octets, group_of(part))
                for stream, part in zip(line.streams, line.parts, strict=True)
            ]
            if self._end is not None:
                packets.append((self._end.octets, end_group))
            line.udp.prepare(packets)
        self._is_open, self._is_numbered, self._prepared = True, False, None

    @property
    def hosts(self) -> str:
        """Return the hosts in words, for a status line."""
        return ", ".join(line.udp.host or "multicast" for line in self.lines)

    def prepare(self, frame: Frame) -> None:
        """Work out the packets of a frame; a frame that was not sent leaves no gap in sequences."""
        slots = iter(self._layout.slots(frame))
        for line in self.lines:
            for stream, part in zip(line.streams, line.parts, strict=True):
                stream.fill(next(slots), part.slot)
                if not self._is_numbered:
                    stream.next()
        if self._end is not None and not self._is_numbered:
            self._end.next()
        self._prepared, self._is_numbered = frame, True

    def show(self, frame: Frame) -> None:
        """Send one frame: all its packets, in one system call for each host if possible."""
        if not self._is_open:
            raise DriveFault(f"{self.lines[0].udp.target}: closed; open it to send again")
        if frame is not self._prepared:
            self.prepare(frame)
        for line in self.lines:
            line.udp.reopen_if_blocked()
        for line in self.lines:
            line.udp.send_frame(len(line.streams) + (self._end is not None))
        self.sent_s = time.monotonic()
        self._is_numbered, self._prepared = False, None
        self._frames += 1

    def status(self) -> DriveStatus:
        """Return what was sent, and the first trouble of any host."""
        senders = [line.udp for line in self.lines]
        blocked = [f"{one.target}: {one.blocked}; still trying" for one in senders if one.blocked]
        refused = [f"{one.target}: {why}" for one in senders if (why := one.refused)]
        return DriveStatus(
            self._frames,
            sum(one.packets for one in senders),
            sum(one.errors for one in senders),
            trouble=blocked[0] if blocked else None,
            refused=refused[0] if refused else None,
        )

    def show_dark(self, times: int = 1) -> None:
        """Send dark frames, no closer than the ceiling allows: a burst is easily lost as a whole.

        Args:
            times: number of frames; more than one where no later packet repeats one that is lost.
        """
        dark = np.zeros((self.design.node_count, self.design.node.channels), dtype=np.uint8)
        for _ in range(times):
            self.wait_for_next_slot()
            self.show(dark)

    def wait_for_next_slot(self) -> None:
        """Wait until the next packet is allowed."""
        time.sleep(max(0.0, self.sent_s + 1.0 / self.MAX_FPS - time.monotonic()))

    def close_lines(self) -> None:
        """Close the sockets; frames are refused from now on."""
        self._is_open = False
        for line in self.lines:
            line.streams.clear()
            line.udp.close()

    def close(self) -> None:
        """Send dark frames, then close the sockets; may be called again."""
        if self._is_open:
            self.show_dark(_DARK_FRAMES)
        self.close_lines()


def _resolve(host: str, port: int, target: str) -> tuple[socket.AddressFamily, tuple[str, int]]:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
    except (OSError, UnicodeError) as error:
        multicast = ", or e131 alone for multicast" if target.startswith("e131") else ""
        raise DriveFault(
            f"{host}: no such host on this network ({getattr(error, 'strerror', error)}); "
            f"give its address{multicast}"
        ) from error
    family, _, _, _, address = found[0]
    return family, (str(address[0]), int(address[1]))
