"""Hears who else sends to the prop's universes, on the network that the prop is on."""

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
"""How often it looks what has come. [s] Packets wait in the system's buffers meanwhile: to wake up
for each of our own, which come back by multicast, would make the frame clock late."""
_MAX_PACKET_OCTETS = 1500
_MAX_PACKETS_PER_POLL = 64
"""Packets taken of one universe at one look: a flood must not keep this thread busy."""


class SourceListener:
    """A thread that hears multicast. What comes by unicast to a controller cannot be heard."""

    def __init__(
        self,
        others: OtherSources,
        universes: Iterable[int],
        network: str,
        port: int,
        own_ports: Set[int],
    ) -> None:
        """Join the universes' groups; nothing is read before `start`.

        Args:
            others: keeps account.
            universes: those of the prop.
            network: this machine's own address on the network to hear.
            port: UDP port.
            own_ports: ports that this test sends from; may grow later.
        """
        self.listen_error: str | None = None
        """Why it cannot hear; None where it does."""
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
                f"cannot hear other sources on port {port}: {error.strerror or error}"
            )

    def start(self) -> None:
        self._thread.start()

    def present(self) -> tuple[OtherSource, ...]:
        """Everybody else who was heard of late."""
        with self._lock:
            return self._others.present(time.monotonic())

    def _run(self) -> None:
        while not self._closed.wait(_POLL_INTERVAL_S):
            for key, _ in self._sockets.select(0) if self._sockets.get_map() else ():
                self._receive_all(key.data)

    def _receive_all(self, ear: socket.socket) -> None:
        # BlockingIOError, of OSError: nothing more has come
        with contextlib.suppress(OSError):
            for _ in range(_MAX_PACKETS_PER_POLL):
                octets, sender = ear.recvfrom(_MAX_PACKET_OCTETS)
                with self._lock:
                    self._others.receive(octets, sender, self._own_ports, time.monotonic())

    def close(self) -> None:
        """Hear no more. May be called again."""
        self._closed.set()
        if self._thread.is_alive():
            self._thread.join()
        for key in list((self._sockets.get_map() or {}).values()):
            self._sockets.unregister(key.fileobj)
            key.data.close()
        self._sockets.close()


def _multicast_socket(group: str, port: int, network: str) -> socket.socket:
    """A socket for one group alone, so that no receiver on this machine loses its unicast."""
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
