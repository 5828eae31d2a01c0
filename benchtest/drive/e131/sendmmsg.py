"""Many packets in one system call (Linux only; elsewhere packets go one by one).

Python lets other threads run at each packet that a socket sends, and a busy screen then keeps the
interpreter for milliseconds each time: frames of 16 universes came up to 80 ms late. One call for
all of them waits at most once.
"""

from __future__ import annotations

import ctypes
import os
import socket
import sys
from collections.abc import Callable, Sequence


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
