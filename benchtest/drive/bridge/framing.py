"""Frames on a serial line: COBS (package `cobs`) with a CRC-16, a zero at either end.

Source: Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking
7(2), April 1999.
"""

from __future__ import annotations

from binascii import crc_hqx

from cobs import cobs

_CRC_OCTETS = 2
MAX_ENCODED_OCTETS = 512
"""Octets without a zero that may still become a frame: the longest is 255, its CRC and codes."""


class FrameError(ValueError):
    """Octets that are not a valid frame: cut, corrupted or joined."""


def crc16(data: bytes) -> int:
    """Return the CRC-16/IBM-3740: polynomial 0x1021, initial value 0xFFFF, not reflected.

    >>> hex(crc16(b"123456789"))
    '0x29b1'
    """
    return crc_hqx(data, 0xFFFF)


def encode_frame(body: bytes) -> bytes:
    """Return a body as octets for the line.

    The zero in front ends a partial frame in the receiver, so that noise between two frames damages
    neither.
    """
    encoded = bytes(cobs.encode(body + crc16(body).to_bytes(_CRC_OCTETS, "big")))
    return b"\0" + encoded + b"\0"


def decode_frame(encoded: bytes) -> bytes:
    """Return the body of a frame, given the octets between two zeros.

    Raises:
        FrameError: the octets are not those that were sent.
    """
    try:
        data = bytes(cobs.decode(encoded))
    except cobs.DecodeError as error:
        raise FrameError(str(error)) from None
    if len(data) < _CRC_OCTETS or crc16(data):  # over data with its own CRC it is zero
        raise FrameError("its CRC does not match")
    return data[:-_CRC_OCTETS]


class FrameReader:
    """A decoder of frames in a stream that may be cut and joined anywhere.

    Attributes:
        rejected: number of pieces that were not valid frames.
        pending: octets of a frame that has not ended; bounded.
    """

    def __init__(self) -> None:
        self.rejected = 0
        self.pending = bytearray()
        self._too_long = False

    def feed(self, octets: bytes) -> list[bytes]:
        """Return the bodies of the frames that end in these octets, in order."""
        bodies = []
        *ended, rest = octets.split(b"\0")
        for piece in ended:
            self._hold(piece)
            if (body := self._end()) is not None:
                bodies.append(body)
        self._hold(rest)
        return bodies

    def _hold(self, piece: bytes) -> None:
        self.pending += piece
        if len(self.pending) > MAX_ENCODED_OCTETS:  # a lost zero must not fill the memory
            self.pending.clear()
            self._too_long = True

    def _end(self) -> bytes | None:
        encoded, too_long = bytes(self.pending), self._too_long
        self.pending.clear()
        self._too_long = False
        if not encoded and not too_long:
            return None  # two zeros in a row have no meaning
        try:
            if too_long:
                raise FrameError("too long")
            return decode_frame(encoded)
        except FrameError:
            self.rejected += 1
            return None
