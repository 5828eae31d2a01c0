"""Messages on a serial line: COBS with a CRC-16, a zero at either end. Octets in, octets out."""

from __future__ import annotations

from binascii import crc_hqx

_FULL_GROUP = 0xFF
"""Code of a group of 254 octets that stands for no zero. Source: Cheshire and Baker, Consistent
Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2), April 1999."""
_CRC_OCTETS = 2
MAX_ENCODED_OCTETS = 512
"""Octets without a zero that may still become a message: the longest is 255, its CRC and codes."""


class FrameError(ValueError):
    """Octets that are no message: cut, garbled or joined."""


def cobs_encode(data: bytes) -> bytes:
    """Octets without a zero that stand for any octets. Source: Cheshire and Baker, 1999.

    >>> cobs_encode(bytes.fromhex("11 22 00 33")).hex(" ")
    '03 11 22 02 33'
    """
    stuffed = bytearray()
    groups = data.split(b"\0")
    for group in groups[:-1]:
        stuffed += _coded(group, zero_follows=True)
    return bytes(stuffed + _coded(groups[-1], zero_follows=False))


def _coded(group: bytes, *, zero_follows: bool) -> bytes:
    """A piece without zeros, cut at 254 octets; the zero behind it costs nothing."""
    coded = bytearray()
    while len(group) >= _FULL_GROUP - 1:
        coded += bytes([_FULL_GROUP]) + group[: _FULL_GROUP - 1]
        group = group[_FULL_GROUP - 1 :]
        if not group and not zero_follows:
            return bytes(coded)
    return bytes(coded) + bytes([len(group) + 1]) + group


def cobs_decode(stuffed: bytes) -> bytes:
    """What stuffed octets stand for.

    Raises:
        Damaged: a zero in it, or its last group is cut.

    >>> cobs_decode(bytes.fromhex("03 11 22 02 33")).hex(" ")
    '11 22 00 33'
    """
    if 0 in stuffed:
        raise FrameError("a zero inside")
    data = bytearray()
    at = 0
    while at < len(stuffed):
        code = stuffed[at]
        stop = at + code
        if stop > len(stuffed):
            raise FrameError("its last group is cut")
        data += stuffed[at + 1 : stop]
        if code != _FULL_GROUP and stop < len(stuffed):
            data.append(0)
        at = stop
    return bytes(data)


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, begun with 0xFFFF, not reflected.

    >>> hex(crc16(b"123456789"))
    '0x29b1'
    """
    return crc_hqx(data, 0xFFFF)


def encode_frame(body: bytes) -> bytes:
    """A message as it goes onto the line.

    The zero in front ends whatever half message lies in the receiver: noise between two messages
    costs neither.
    """
    return b"\0" + cobs_encode(body + crc16(body).to_bytes(_CRC_OCTETS, "big")) + b"\0"


def decode_frame(stuffed: bytes) -> bytes:
    """The body of a message, given what stood between two zeros.

    Raises:
        Damaged: it is not as it was sent.
    """
    data = cobs_decode(stuffed)
    if len(data) < _CRC_OCTETS or crc16(data):  # over data and its own CRC it comes to zero
        raise FrameError("its CRC does not fit")
    return data[:-_CRC_OCTETS]


class FrameReader:
    """Finds messages in a stream that is cut and joined at will.

    Attributes:
        damaged: how many pieces were no message.
    """

    def __init__(self) -> None:
        self.rejected = 0
        self._held = bytearray()
        self._too_long = False

    def feed(self, octets: bytes) -> list[bytes]:
        """Bodies of the messages that end in these octets, in their order."""
        bodies = []
        *ended, rest = octets.split(b"\0")
        for piece in ended:
            self._hold(piece)
            if (body := self._end()) is not None:
                bodies.append(body)
        self._hold(rest)
        return bodies

    def _hold(self, piece: bytes) -> None:
        self._held += piece
        if len(self._held) > MAX_ENCODED_OCTETS:  # a lost zero must not fill the memory
            self._held.clear()
            self._too_long = True

    def _end(self) -> bytes | None:
        stuffed, too_long = bytes(self._held), self._too_long
        self._held.clear()
        self._too_long = False
        if not stuffed and not too_long:
            return None  # two zeros in a row mean nothing
        try:
            if too_long:
                raise FrameError("too long")
            return decode_frame(stuffed)
        except FrameError:
            self.rejected += 1
            return None
