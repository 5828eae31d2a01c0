"""SCPI text of a bench meter: identification, volts, errors. Opens no port.

Sources: IEEE 488.2-1992 (identification, number forms NR1 to NR3); SCPI-1999, volume 1, 7.2.1
(infinity 9.9E37, not a number 9.91E37) and volume 2, SYSTem:ERRor; both from memory, checked
against what meters' manuals print.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from benchtest.input_files import printable

IDENTIFY = "*IDN?"
CLEAR = "*CLS"
VOLTS = "MEAS:VOLT:DC?"
NEXT_ERROR = "SYST:ERR?"
REMOTE = "SYST:REM"
"""Needed first by some meters on a serial line, and unknown to others."""
_INFINITE = 9.9e37
_NOT_A_NUMBER = 9.91e37
MAX_ERRORS = 32
"""Most entries read from a meter's queue; queues hold 10 to 30, common practice."""
MAX_LINE_OCTETS = 256
_MAX_SHOWN = 60
"""Characters of a meter's own text that a message repeats."""

_NUMBER = re.compile(r"^([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?)\s*(?:V(?:DC)?)?$", re.ASCII)
_ERROR = re.compile(r"^([-+]?\d{1,6})\s*(?:,(.*))?$", re.ASCII | re.DOTALL)


class InvalidAnswer(ValueError):
    """An answer that does not contain the value asked for; the text has the reason."""


@dataclass
class LineSplitter:
    r"""Octets into lines, ended by LF, CR or both; the start of a line that is too long is dropped.

    >>> lines = LineSplitter()
    >>> lines.feed(b"+4.87E+"), lines.feed(b"00\r\n0,"), lines.feed(b'"No error"\r')
    ([], ['+4.87E+00'], ['0,"No error"'])
    """

    _held: bytearray = field(default_factory=bytearray)

    def feed(self, octets: bytes) -> list[str]:
        """Add octets as they come; return the lines that they complete, without empty ones."""
        self._held += octets
        *whole, rest = re.split(rb"[\r\n]+", bytes(self._held))
        self._held = bytearray(rest[-MAX_LINE_OCTETS:])
        lines = (line[-MAX_LINE_OCTETS:].decode("ascii", "replace").strip() for line in whole)
        return [line for line in lines if line]

    def clear(self) -> None:
        """Drop an incomplete line."""
        self._held.clear()


@dataclass(frozen=True, slots=True)
class Identity:
    """Identification of a meter: the four fields of IEEE 488.2."""

    maker: str
    model: str
    serial: str = ""
    version: str = ""

    @classmethod
    def read(cls, line: str) -> Identity:
        """Parse an identification line; one without four fields is accepted too.

        Raises:
            InvalidAnswer: the line is not an identification.

        >>> Identity.read("RIVERBANK,BM-6,0017,1.04").model
        'BM-6'
        """
        parts = [printable_answer(part.strip().strip('"')) for part in line.split(",")]
        if len(parts) < 2 or not any(sign.isalpha() for sign in parts[0]):
            raise InvalidAnswer(f'"{printable_answer(line)}" is not an identification')
        return cls(*[*parts, "", ""][:4])

    def __str__(self) -> str:
        return self.model or self.maker


@dataclass(frozen=True, slots=True)
class MeterError:
    """One entry of a meter's error queue."""

    code: int
    words: str

    def __str__(self) -> str:
        return f"{self.code} {self.words}".strip()


def parse_error(line: str) -> MeterError | None:
    """Parse an entry of the error queue; return None if it means that there is no error.

    Raises:
        InvalidAnswer: the line is not such an entry.

    >>> parse_error('-113,"Undefined header"'), parse_error('+0,"No error"')
    (MeterError(code=-113, words='Undefined header'), None)
    """
    if not (found := _ERROR.match(line)):
        raise InvalidAnswer(f'"{printable_answer(line)}" is not an entry of an error queue')
    code = int(found[1])
    return MeterError(code, printable_answer((found[2] or "").strip().strip('"'))) if code else None


def parse_volts(line: str) -> float:
    """Parse the voltage that a meter answers. [V]

    Raises:
        InvalidAnswer: the answer is an overload, not a number, or another text.

    >>> parse_volts("+4.87100000E+00"), parse_volts("-31.2E-3"), parse_volts("4.871 VDC")
    (4.871, -0.0312, 4.871)
    """
    if not (found := _NUMBER.match(line)):
        raise InvalidAnswer(f'"{printable_answer(line)}" is not a reading')
    volts = float(found[1])
    if abs(volts) >= _NOT_A_NUMBER or not math.isfinite(volts):
        raise InvalidAnswer("no reading now; look at its display")
    if abs(volts) >= _INFINITE:
        raise InvalidAnswer("overload: over its range; check its leads and its range")
    return volts


def printable_answer(text: str) -> str:
    r"""Return a meter's text for a terminal: no control characters, limited length.

    >>> printable_answer("\x1b[31mBM-6")
    '?[31mBM-6'
    """
    return printable(text, _MAX_SHOWN)
