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
from benchtest.drive.e131.other_sources import Other, Others

LOOK_S = 0.1
"""How often it looks what has come. [s] Packets wait in the system's buffers meanwhile: to wake up
for each of our own, which come back by multicast, would make the frame clock late."""
LONGEST_PACKET = 1500
MOST_AT_ONCE = 64
"""Packets taken of one universe at one look: a flood must not keep this thread busy."""


class Listener:
    """A thread that hears multicast. What comes by unicast to a controller cannot be heard."""

    def __init__(
        self, others: Others, universes: Iterable[int], network: str, port: int, own_ports: Set[int]
    ) -> None:
        """Join the universes' groups; nothing is read before `start`.

        Args:
            others: keeps account.
            universes: those of the prop.
            network: this machine's own address on the network to hear.
            port: UDP port.
            own_ports: ports that this test sends from; may grow later.
        """
        self.deaf: str | None = None
        """Why it cannot hear; None where it does."""
        self._others = others
        self._own_ports = own_ports
        self._lock = threading.Lock()
        self._closed = threading.Event()
        self._ears = selectors.DefaultSelector()
        self._thread = threading.Thread(target=self._run, name="listener", daemon=True)
        try:
            for universe in universes:
                ear = _ear(multicast_group(universe), port, network)
                self._ears.register(ear, selectors.EVENT_READ, ear)
        except OSError as error:
            self.deaf = f"cannot hear other sources on port {port}: {error.strerror or error}"

    def start(self) -> None:
        self._thread.start()

    def present(self) -> tuple[Other, ...]:
        """Everybody else who was heard of late."""
        with self._lock:
            return self._others.present(time.monotonic())

    def _run(self) -> None:
        while not self._closed.wait(LOOK_S):
            for key, _ in self._ears.select(0) if self._ears.get_map() else ():
                self._empty(key.data)

    def _empty(self, ear: socket.socket) -> None:
        # BlockingIOError, of OSError: nothing more has come
        with contextlib.suppress(OSError):
            for _ in range(MOST_AT_ONCE):
                octets, sender = ear.recvfrom(LONGEST_PACKET)
                with self._lock:
                    self._others.hear(octets, sender, self._own_ports, time.monotonic())

    def close(self) -> None:
        """Hear no more. May be called again."""
        self._closed.set()
        if self._thread.is_alive():
            self._thread.join()
        for key in list((self._ears.get_map() or {}).values()):
            self._ears.unregister(key.fileobj)
            key.data.close()
        self._ears.close()


def _ear(group: str, port: int, network: str) -> socket.socket:
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
