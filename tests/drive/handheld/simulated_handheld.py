"""A hand-held meter that streams its display, simulated on a real pty."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path

from tests.drive.on_a_pty import OnAPty

# seven segments as they light for each sign: top, upper right, lower right, bottom, lower left,
# upper left, middle; general knowledge
LIT = {
    "0": "abcdef", "1": "bc", "2": "abged", "3": "abgcd", "4": "fgbc", "5": "afgcd",
    "6": "afgedc", "7": "abc", "8": "abcdefg", "9": "abcdfg", "L": "def", " ": "",
}  # fmt: skip


def fs9721(text: str, *, milli: bool = False, flags: dict[int, int] | None = None) -> bytes:
    """Return a frame of an FS9721 that shows a text such as `-4.871`, as DC volts.

    Bits by the published table: octet 1 has AC, DC, auto, data; octet 2 the minus sign; 11 milli;
    12 farads, ohms, relative, hold; 13 A, V, Hz, battery.
    """
    low = [0] * 14
    low[0] = 0b0111
    low[12] = 0b0100
    low[10] = 0b1000 if milli else 0
    signs = text.removeprefix("-").replace(".", "").rjust(4)
    if text.startswith("-"):
        low[1] |= 0b1000
    if "." in text:
        behind = len(text) - text.index(".") - 1
        low[1 + 2 * (4 - behind)] |= 0b1000
    for place, sign in enumerate(signs):
        lit = LIT[sign]
        # lower left, upper left, top; bottom, lower right, middle, upper right
        low[1 + 2 * place] |= sum(
            b for b, segment in ((4, "e"), (2, "f"), (1, "a")) if segment in lit
        )
        low[2 + 2 * place] |= sum(
            b for b, segment in ((8, "d"), (4, "c"), (2, "g"), (1, "b")) if segment in lit
        )
    for place, bits in (flags or {}).items():
        low[place] = bits
    return bytes(place << 4 | nibble for place, nibble in enumerate(low, 1))


def fs9922(digits: str, point: str, flags: int = 0x31, prefix: int = 0, unit: int = 0x80) -> bytes:
    """Return a frame of an FS9922: sign and digits, place of the point, flags."""
    return f"{digits} {point}".encode() + bytes([flags, 0, prefix, unit, 0x2E]) + b"\r\n"


class SimulatedHandheld(OnAPty):
    """A meter that sends a frame every `interval_s` until it is switched off.

    Attributes:
        frame: next frame, called for each.
        silent: the data output is off.
    """

    interval_s = 0.05

    def __init__(self, folder: Path, frame: Callable[[], bytes]) -> None:
        self.port = folder / "handheld"
        self.frame = frame
        self.silent = False
        self._ended = threading.Event()
        self.plug()

    def begin(self) -> None:
        """Start again."""
        self._ended.clear()

    def unplug(self) -> None:
        """Switch it off; its port disappears."""
        self._ended.set()
        super().unplug()

    close = unplug

    def _run(self) -> None:
        while not self._ended.wait(self.interval_s):
            if not self.silent:
                os.write(self._line, self.frame())
