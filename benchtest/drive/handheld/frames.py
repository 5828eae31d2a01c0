"""Frames that hand-held meters stream, as volts. Opens no port.

Three families of meter chips have openly documented frames, without a request or a checksum:

- FS9721: 14 octets at 2400 baud, 8N1. The high nibble of octet k is k, 1 to 14; the low nibbles
  are the segments of the display.
- FS9922: 14 octets at 2400 baud, 8N1. Sign, four digits, space, place of the point, four octets
  of flags, bar graph, CR, LF.
- ES519xx: 11 or 14 octets, 7O1, at 2400 or 19200 baud. Range, four or five digits, function,
  status, options, CR, LF.

Sources: data sheets of FS9922-DMM4 (Fortune Semiconductor), and of ES51922, ES51978 and ES51986
(Cyrustek), and public descriptions of the frames of FS9721_LP3.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

MAX_FRAME_OCTETS = 14
_MAX_HELD_OCTETS = 4 * MAX_FRAME_OCTETS


class NotVolts(ValueError):
    """A frame whose display is no reading of DC volts; the text has the reason and the remedy."""


@dataclass(frozen=True, slots=True)
class DisplayFrame:
    """Content of a display.

    Attributes:
        digits: digits without the point, signed; None for an overload.
        step_v: volts of one step of the last digit; None if the display shows no volts. [V]
        is_dc: direct voltage.
        is_held: the display is held and no longer follows the leads.
        is_not_present: it shows a smallest, largest or peak reading, or a difference from one.
        has_low_battery: the battery symbol is on.
    """

    digits: int | None
    step_v: float | None
    is_dc: bool
    is_held: bool = False
    has_low_battery: bool = False
    is_not_present: bool = False

    def volts(self) -> float:
        """Return the voltage on the display. [V]

        Raises:
            NotVolts: another quantity, a display that does not show the present reading, an
                overload or a low battery.
        """
        if self.step_v is None:
            raise NotVolts("it does not measure volts; turn it to DC volts")
        if not self.is_dc:
            raise NotVolts("it measures AC volts; set it to DC")
        if self.is_held:
            raise NotVolts("its display is held; press HOLD again")
        if self.is_not_present:
            raise NotVolts("it shows no present reading; end its MIN, MAX, PEAK or REL")
        if self.has_low_battery:
            raise NotVolts("its battery is low, so its readings drift; change it")
        if self.digits is None:
            raise NotVolts("overload: over its range; check its leads and its range")
        return round(self.digits * self.step_v, 9)


@dataclass(frozen=True, slots=True)
class FrameFormat:
    """One kind of frame, and the settings of the line on which it arrives.

    Attributes:
        name: family of chips.
        baud: rate of the line.
        framing: data bits, parity and stop bits.
        octets: length of a frame.
        decode: function from the octets of a frame to its content; None if they are no frame.
    """

    name: str
    baud: int
    framing: str
    octets: int
    decode: Callable[[bytes], DisplayFrame | None] = field(repr=False)


# -- FS9721 ----------------------------------------------------------------------------------------

# segments of one digit as seven bits: lower left, upper left, top, bottom, lower right, middle,
# upper right; public descriptions of FS9721_LP3 give this order
_SEGMENTS = {
    0b1111101: "0", 0b0000101: "1", 0b1011011: "2", 0b0011111: "3", 0b0100111: "4",
    0b0111110: "5", 0b1111110: "6", 0b0010101: "7", 0b1111111: "8", 0b0111111: "9",
    0b1101000: "L", 0b0000000: " ",
}  # fmt: skip


def decode_fs9721(octets: bytes) -> DisplayFrame | None:
    """Decode a frame of an FS9721.

    Args:
        octets: 14 octets.

    Returns:
        The display's content; None if the octets are no such frame.
    """
    if len(octets) != 14 or any(octet >> 4 != place for place, octet in enumerate(octets, 1)):
        return None
    low = [octet & 0x0F for octet in octets]
    text = ""
    decimals = 0
    for place in range(4):
        high_bits, low_bits = low[1 + 2 * place], low[2 + 2 * place]
        sign = _SEGMENTS.get((high_bits & 0b111) << 4 | low_bits)
        if sign is None:
            return None
        if place and high_bits & 0b1000:
            decimals = 4 - place
        text += sign
    has_volts = bool(low[12] & 0b0100)
    # nano, micro, kilo and diode; milli, percent, mega and beep; farads and ohms
    is_scaled_otherwise = bool(low[9] or low[10] & 0b0111 or low[11] & 0b1100 or low[12] & 0b1010)
    step_v = None
    if has_volts and not is_scaled_otherwise:
        step_v = 10.0**-decimals * (1e-3 if low[10] & 0b1000 else 1.0)
    digits = None
    if "L" not in text:
        if not text.strip():
            return None
        digits = int(text.replace(" ", "0")) * (-1 if low[1] & 0b1000 else 1)
    return DisplayFrame(
        digits,
        step_v,
        is_dc=bool(low[0] & 0b0100) and not low[0] & 0b1000,
        is_held=bool(low[11] & 0b0001),
        has_low_battery=bool(low[12] & 0b0001),
        is_not_present=bool(low[11] & 0b0010),
    )


# -- FS9922 ----------------------------------------------------------------------------------------

_FS9922 = re.compile(rb"^([+-])(\d{4}|\?0:\?) ([0124])(.)(.)(.)(.)(.)\r\n$", re.DOTALL)
_POINT_DECIMALS = {b"0": 0, b"1": 3, b"2": 2, b"4": 1}


def decode_fs9922(octets: bytes) -> DisplayFrame | None:
    """Decode a frame of an FS9922.

    Args:
        octets: 14 octets, of which the last two are CR and LF.

    Returns:
        The display's content; None if the octets are no such frame.
    """
    if not (found := _FS9922.match(octets)):
        return None
    sign, digits, point = found[1], found[2], found[3]
    flags, more, prefixes, unit = (found[place][0] for place in range(4, 8))
    step_v = None
    # the unit alone, without diode, percent, nano, micro, kilo or mega
    if unit == 0x80 and not prefixes & 0b1011_0110 and not more & 0b10:
        step_v = 10.0 ** -_POINT_DECIMALS[point] * (1e-3 if prefixes & 0x40 else 1.0)
    return DisplayFrame(
        None if digits == b"?0:?" else int(digits) * (-1 if sign == b"-" else 1),
        step_v,
        is_dc=bool(flags & 0x10) and not flags & 0x08,
        is_held=bool(flags & 0x02),
        has_low_battery=bool(more & 0x04),
        is_not_present=bool(flags & 0x04 or more & 0x30),
    )


# -- ES519xx ---------------------------------------------------------------------------------------

_VOLTS_FUNCTION = ord(";")
# volts of the last digit in each range, by length of the frame and rate
_STEPS_V = {
    (14, 19200): (1e-4, 1e-3, 1e-2, 1e-1, 1e-5),  # ES51922: 2.2 V, 22 V, 220 V, 2200 V, 220 mV
    (11, 19200): (1e-3, 1e-2, 1e-1, 1.0, 1e-4),  # ES51986: 6 V, 60 V, 600 V, 6000 V, 600 mV
    (11, 2400): (1e-4, 1e-3, 1e-2, 1e-1, 1.0),  # ES51978: 400 mV, 4 V, 40 V, 400 V, 4000 V
}


def decode_es519xx(octets: bytes, baud: int) -> DisplayFrame | None:
    """Decode a frame of an ES51922, ES51978 or ES51986.

    Args:
        octets: 11 or 14 octets of seven bits, of which the last two are CR and LF.
        baud: rate of the line, by which 11-octet chips differ.

    Returns:
        The display's content; None if the octets are no such frame.
    """
    steps_v = _STEPS_V.get((len(octets), baud))
    if steps_v is None or octets[-2:] != b"\r\n":
        return None
    body = octets[:-2]
    if any(not 0x30 <= octet <= 0x3F for octet in body):
        return None
    places = 5 if len(octets) == 14 else 4
    digits, function, status = body[1 : 1 + places], body[1 + places], body[2 + places]
    options = body[3 + places :]
    if not digits.isdigit():
        return None
    span = body[0] - 0x30
    if len(octets) == 14:
        kind, is_held, is_under = options[2], bool(options[3] & 0b0010), bool(options[1] & 0b1000)
        extremes = options[0] & 0b1110 or options[1] & 0b0110
    else:
        kind, is_under = options[1], False
        is_held = baud == 19200 and bool(options[0] & 0b1000)
        extremes = options[0] & (0b0110 if baud == 19200 else 0b1100)
    shows_hertz = bool((options[0] if baud == 2400 else kind) & 0b0001)
    is_volts = function == _VOLTS_FUNCTION and span < len(steps_v) and not shows_hertz
    value = int(digits) * (-1 if status & 0b0100 else 1)
    return DisplayFrame(
        None if status & 0b0001 or is_under else value,
        steps_v[span] if is_volts else None,
        is_dc=bool(kind & 0b1000) and not kind & 0b0100,
        is_held=is_held,
        has_low_battery=bool(status & 0b0010),
        is_not_present=bool(extremes),
    )


def _es519xx(baud: int) -> Callable[[bytes], DisplayFrame | None]:
    return lambda octets: decode_es519xx(octets, baud)


FORMATS = (
    FrameFormat("FS9721", 2400, "8N1", 14, decode_fs9721),
    FrameFormat("FS9922", 2400, "8N1", 14, decode_fs9922),
    FrameFormat("ES51922", 19200, "7O1", 14, _es519xx(19200)),
    FrameFormat("ES51986", 19200, "7O1", 11, _es519xx(19200)),
    FrameFormat("ES51978", 2400, "7O1", 11, _es519xx(2400)),
)
"""All formats; those of one line follow each other."""


class FrameSplitter:
    """Octets of a line into frames; octets that belong to none are skipped.

    Attributes:
        format: format of the last frame; None before the first.
    """

    def __init__(self, formats: tuple[FrameFormat, ...]) -> None:
        self.format: FrameFormat | None = None
        self._formats = formats
        self._held = b""

    def feed(self, octets: bytes) -> list[DisplayFrame]:
        """Add octets as they come; return the frames that they complete."""
        self._held += octets
        frames: list[DisplayFrame] = []
        start = 0
        while start < len(self._held):
            length = 0
            for one in self._formats:
                candidate = self._held[start : start + one.octets]
                if len(candidate) == one.octets and (frame := one.decode(candidate)):
                    self.format = one
                    frames.append(frame)
                    length = one.octets
                    break
            if not length and len(self._held) - start < MAX_FRAME_OCTETS:
                break  # more octets may complete it
            start += length or 1
        self._held = self._held[start:][-_MAX_HELD_OCTETS:]
        return frames

    def clear(self) -> None:
        """Drop an incomplete frame."""
        self._held = b""
