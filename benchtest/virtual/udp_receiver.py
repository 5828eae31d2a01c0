"""UDP socket read by a thread of its own, with seeded packet loss, delay and corruption."""

from __future__ import annotations

import contextlib
import errno
import random
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from benchtest.errors import DriveFault, InputError

_BUFFER_OCTETS = 4 << 20
"""Requested size of the system's packet buffer; the system may give less."""
_MAX_PACKET_OCTETS = 65536
_POLL_INTERVAL_S = 0.1
"""Interval between checks whether it was closed. [s]"""


class UdpReceiver:
    """A receiver of packets in a thread of its own.

    A large prop takes longer to solve than the system's buffer lasts, and packets lost there would
    look like a fault of the sender.
    """

    def __init__(self, host: str, port: int, on_packet: Callable[[bytes], None]) -> None:
        """Open the socket; packets are read only after `start`.

        Args:
            host: address of this machine.
            port: UDP port; 0 for any free one.
            on_packet: called with each packet, in this receiver's thread.

        Raises:
            DriveFault: the port is in use, or the address is not this machine's.
        """
        self._on_packet = on_packet
        self._closed = threading.Event()
        self._socket = _bind(host, port)
        self.port: int = self._socket.getsockname()[1]
        self._thread = threading.Thread(target=self._run, name="UDP receiver", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        while not self._closed.is_set():
            # a time-out, or an error report for an earlier packet
            with contextlib.suppress(OSError):
                self._on_packet(self._socket.recv(_MAX_PACKET_OCTETS))

    def close(self) -> None:
        """Stop receiving."""
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


_MAX_DELAY_S = 2.0


@dataclass
class NetworkImpairment:
    """Impairment of a network between sender and prop.

    Delays reorder packets: each has its own, up to the largest.
    """

    loss: float = 0.0
    """Share of packets lost, 0 to 1."""
    corruption: float = 0.0
    """Share of packets with one bit inverted, 0 to 1."""
    delay_s: float = 0.0
    """Largest delay. [s]"""
    seed: int = 0
    _chance: random.Random = field(init=False)

    def __post_init__(self) -> None:
        """Start from the seed.

        Raises:
            InputError: a share or the delay is out of range.
        """
        for word, share in (("lose", self.loss), ("garble", self.corruption)):
            if not 0.0 <= share <= 1.0:
                raise InputError(f"--{word} {share:g}: give a share of the packets, 0 to 1")
        if not 0.0 <= self.delay_s <= _MAX_DELAY_S:
            raise InputError(f"--delay-ms {self.delay_s * 1e3:g}: give 0 to {_MAX_DELAY_S * 1e3:g}")
        self._chance = random.Random(self.seed)

    @property
    def is_perfect(self) -> bool:
        """True if no packet is changed."""
        return self.loss == self.corruption == self.delay_s == 0.0

    def apply(self, octets: bytes) -> tuple[float, bytes] | None:
        """Apply the impairment to one packet.

        Returns:
            Delay [s] and octets; None if the packet is lost.

        >>> NetworkImpairment(loss=1.0).apply(b"frame"), NetworkImpairment().apply(b"frame")
        (None, (0.0, b'frame'))
        """
        lost, hurt, late = (self._chance.random() for _ in range(3))
        if lost < self.loss:
            return None
        if hurt < self.corruption and octets:
            place = self._chance.randrange(8 * len(octets))
            damaged = bytearray(octets)
            damaged[place // 8] ^= 1 << place % 8
            octets = bytes(damaged)
        return late * self.delay_s, octets
