"""A UDP socket that is read whatever else goes on."""

from __future__ import annotations

import contextlib
import errno
import socket
import threading
from collections.abc import Callable

from benchtest.errors import DriveFault

_BUFFER_OCTETS = 4 << 20
"""Asked of the system for packets that wait; it gives as much as it allows."""
_MAX_PACKET_OCTETS = 65536
_POLL_INTERVAL_S = 0.1
"""How often it looks whether it was closed. [s]"""


class UdpReceiver:
    """Hears packets in a thread of its own.

    A large prop takes longer to solve than the system's buffer lasts, and packets lost there would
    look like a fault of the sender.
    """

    def __init__(self, host: str, port: int, hear: Callable[[bytes], None]) -> None:
        """Open the socket; nothing is read before `start`.

        Args:
            host: address of this machine.
            port: 0 takes a free one.
            hear: called with each packet, in the ear's thread.

        Raises:
            DriveFault: the port is taken, or the address is not this machine's.
        """
        self._hear = hear
        self._closed = threading.Event()
        self._socket = _bind(host, port)
        self.port: int = self._socket.getsockname()[1]
        self._thread = threading.Thread(target=self._run, name="ear", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        while not self._closed.is_set():
            # no more than a wake-up call, or word that nobody hears what was sent from here
            with contextlib.suppress(OSError):
                self._hear(self._socket.recv(_MAX_PACKET_OCTETS))

    def close(self) -> None:
        """Hear no more."""
        self._closed.set()
        if self._thread.is_alive():
            self._thread.join()
        self._socket.close()


def _bind(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE
        )[0]
        opened = socket.socket(family, kind, protocol)
    except (OSError, UnicodeError) as error:
        raise DriveFault(
            f"cannot listen on {host}: {_reason(error)}; give --host 127.0.0.1"
        ) from None
    try:
        opened.bind(address)
    except OSError as error:
        opened.close()
        raise DriveFault(
            f"cannot listen on {host}:{port}: {_reason(error)}; {_advice(error)}"
        ) from error
    with contextlib.suppress(OSError):
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_OCTETS)
    opened.settimeout(_POLL_INTERVAL_S)
    return opened


def _advice(error: OSError) -> str:
    if error.errno == errno.EADDRNOTAVAIL:
        return "give an address of this machine with --host"
    return "another receiver may run here, so give another --port"


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)
