"""Listener for other sources on the prop's universes and network."""

from __future__ import annotations

import contextlib
import selectors
import socket
import sys
import threading
import time
from collections.abc import Iterable, Set

from benchtest.drive.e131.encode import multicast_group
from benchtest.drive.e131.other_sources import OtherSource, OtherSources

_POLL_INTERVAL_S = 0.1
"""Interval between two polls. [s] Packets wait in the system's buffers meanwhile: to wake up for
each of our own, which multicast returns, would delay the frame clock.
"""
_MAX_PACKET_OCTETS = 1500
_MAX_PACKETS_PER_POLL = 64
"""Most packets read from one universe in one poll, so that a flood does not occupy this thread."""


class SourceListener:
    """A thread that receives multicast. Unicast to a controller cannot be received here."""

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
            for universe in universes:
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
        opened.bind(("" if sys.platform == "win32" else group, port))
        member = socket.inet_aton(group) + socket.inet_aton(network)
        opened.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
    except OSError:
        opened.close()
        raise
    return opened
