"""The UDP socket that frames leave by, and what to do while the network is in trouble."""

from __future__ import annotations

import contextlib
import errno
import socket
import sys
import time
from collections.abc import Sequence

from benchtest.drive.driver import Target
from benchtest.drive.e131.sendmmsg import PacketBatch
from benchtest.errors import DriveFault

_MULTICAST_TTL = 8
"""Routers that a multicast packet may pass; a bench has none, a home network one or two."""
_REOPEN_INTERVAL_S = 1.0
"""Between two new sockets while nothing goes out: an adapter plugged in again is a new one. [s]"""
_REFUSAL_MEMORY_S = 4.0
"""A network that once answered "not there" is believed well again after so long without. [s]
It does not answer each packet: a host that is off is asked for about every 3 s, common practice."""
_RECVERR = {socket.AF_INET: (socket.IPPROTO_IP, 11), socket.AF_INET6: (socket.IPPROTO_IPV6, 25)}
"""Linux's options that make the network's own refusals heard. Source: ip(7), ipv6(7)."""

_WORDS = {
    errno.ENETUNREACH: "no network leads there; look at cable and address",
    errno.EHOSTUNREACH: "nobody answers at that address; is the controller on?",
    errno.ENETDOWN: "the network is down; look at cable and adapter",
    errno.EADDRNOTAVAIL: "this machine's own address is gone; look at cable and adapter",
    errno.ENODEV: "the network adapter is gone; plug it in again",
    errno.ECONNREFUSED: "the machine is there, but nothing on it takes E1.31",
    errno.EPERM: "this machine's firewall does not let it out",
    errno.EACCES: "this machine does not send there; give the address of one controller",
    errno.ENOBUFS: "the network takes no more",
}


def describe_network_error(error: OSError) -> str:
    """What the system's error means to somebody at a bench."""
    return _WORDS.get(error.errno or 0, error.strerror or str(error))


class UdpSender:
    """Packets out; what the network says against them is kept, not raised.

    Attributes:
        packets: sent.
        errors: times that the network refused.
        ports: every port of this machine that it has sent from.
    """

    def __init__(self, target: Target, interface: str | None = None) -> None:
        """Nothing is opened yet.

        Args:
            target: E1.31, unicast or multicast.
            interface: address of the network that multicast leaves by; None for the system's
                choice.
        """
        self.target = target
        self.interface = interface
        self.packets = self.errors = 0
        self.ports: set[int] = set()
        self._socket: socket.socket | None = None
        self._host: tuple[socket.AddressFamily, tuple[str, int]] | None = None
        self.blocked: str | None = None
        """What keeps packets from going out; None while they go."""
        self._refused: str | None = None
        self._refused_s = self._opened_s = float("-inf")

    def open(self) -> str:
        """Resolve the host and open the socket; sends nothing.

        Returns:
            This machine's own address on the network that leads there.

        Raises:
            DriveFault: the host is unknown, or no network leads to it.
        """
        if self.target.host is not None:
            self._host = _resolve(self.target.host, self.target.port)
        try:
            self._socket = self._new_socket()
            return self._own_address()
        except OSError as error:
            self.close()
            raise DriveFault(f"{self.target}: {describe_network_error(error)}") from error

    def _new_socket(self) -> socket.socket:
        self._opened_s = time.monotonic()
        family = self._host[0] if self._host is not None else socket.AF_INET
        opened = socket.socket(family, socket.SOCK_DGRAM)
        try:
            if self._host is not None:
                if sys.platform == "linux":
                    opened.setsockopt(*_RECVERR[family], 1)
                opened.connect(self._host[1])
            else:
                self._set_multicast(opened)
                opened.bind(("", 0))
        except (OSError, DriveFault):
            opened.close()
            raise
        self.ports.add(opened.getsockname()[1])
        return opened

    def _set_multicast(self, opened: socket.socket) -> None:
        opened.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, _MULTICAST_TTL)
        if self.interface is None:
            return
        try:
            address = socket.inet_aton(self.interface)
            opened.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, address)
        except OSError as error:
            raise DriveFault(
                f"{self.interface}: no network of this machine; give the address of one"
            ) from error

    def _own_address(self) -> str:
        """Asks the system for a route, which tells too whether there is one."""
        assert self._socket is not None
        if self._host is not None:
            return str(self._socket.getsockname()[0])
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            self._set_multicast(probe)
            probe.connect(("239.255.0.1", self.target.port))
            return str(probe.getsockname()[0])

    def prepare(self, packets: Sequence[tuple[bytearray, str]]) -> None:
        """Take the packets of a frame, whose octets change in place from frame to frame.

        Args:
            packets: octets, and the multicast group they go to where there is no host.
        """
        self._packets = packets
        self._batch = PacketBatch(packets, None if self._host is not None else self.target.port)

    def send_frame(self, count: int) -> None:
        """Send the first `count` of the prepared packets, all in one call where that can be."""
        assert self._socket is not None
        done = 0
        while done < count:
            try:
                if self._batch.is_supported:
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
        """Send one packet: to the host, or to a multicast group where there is none."""
        try:
            self._send_once(packet, group)
            self._record_sent(1)
        except OSError as error:
            self._retry(packet, group, error)

    def _retry(self, packet: bytes | bytearray, group: str, said: OSError) -> None:
        """The network may have said this of a packet before, and then this one did not go."""
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
        if self._host is not None:
            self._socket.send(packet)
        else:
            self._socket.sendto(packet, (group, self.target.port))

    def reopen_if_blocked(self) -> None:
        """Between two frames: a new socket, where nothing goes out by the old one."""
        if self.blocked is None or time.monotonic() - self._opened_s < _REOPEN_INTERVAL_S:
            return
        with contextlib.suppress(OSError, DriveFault):
            renewed = self._new_socket()
            self.close()
            self._socket = renewed

    @property
    def refused(self) -> str | None:
        """Why the network says that packets do not arrive; None where it said nothing of late."""
        return self._refused if time.monotonic() - self._refused_s < _REFUSAL_MEMORY_S else None

    def close(self) -> None:
        """Let go of the socket. May be called again."""
        if self._socket is not None:
            self._socket.close()
        self._socket = None


def _resolve(host: str, port: int) -> tuple[socket.AddressFamily, tuple[str, int]]:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)
    except (OSError, UnicodeError) as error:
        raise DriveFault(
            f"{host}: no such host on this network ({getattr(error, 'strerror', error)}); "
            "give its address, or e131 alone for multicast"
        ) from error
    family, _, _, _, address = found[0]
    return family, (str(address[0]), int(address[1]))
