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
DIALECTS = ((VOLTS,), ("CONF:VOLT:DC", "READ?"), ("MEAS1?",), ("VAL1?",), ("FETC?",))
"""Requests for one reading of volts, each a sequence of lines of which the last is answered. The
first two and the last are SCPI-1999, volume 2, 3; `MEAS1?` and `VAL1?` ask for the first display of
meters that follow IEEE 488.2 alone; common practice, no source."""
ENDINGS = (b"\n", b"\r\n", b"\r")
"""Line ends to send, in the order in which they are tried."""
FIRST_COMMAND_ERROR, LAST_COMMAND_ERROR = -100, -199
"""Range of errors that mean: not a command of this meter. SCPI-1999, volume 2, 21.8.9, from memory.
"""
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

_NUMBER = re.compile(
    r"^(?:(?P<state>[NO])DC[VM])?(?P<number>[-+]?\s?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?)"
    r"\s*(?:(?P<prefix>[munk\xb5]?)(?P<unit>[A-Za-z][A-Za-z ]{0,6}))?$"
)
_VOLT_UNITS = frozenset(["V", "VDC", "V DC", "VOLT", "VOLTS"])
_PREFIXES = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "\xb5": 1e-6, "n": 1e-9}
_PROMPT = re.compile(r"^(?:[=?!*]?>\s*)+")
"""Prompts of meters that are meant for a terminal: `=>`, `?>`, `!>`, `>`; common practice."""
_ONE_FIELD = re.compile(r"^[A-Za-z][\w ./-]{1,40}$", re.ASCII)
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

    @property
    def incomplete(self) -> str:
        """The start of a line that has not ended yet, without prompts."""
        return without_prompt(self._held.decode("ascii", "replace").strip())

    def clear(self) -> None:
        """Drop an incomplete line."""
        self._held.clear()


def without_prompt(line: str) -> str:
    """Return a line without the prompts at its start.

    >>> without_prompt("=> +4.871E+00"), without_prompt("=>")
    ('+4.871E+00', '')
    """
    return _PROMPT.sub("", line)


def is_echo(line: str, sent: str) -> bool:
    """Return whether a line repeats the command that was sent.

    >>> is_echo("*idn?", "*IDN?")
    True
    """
    return line.strip().upper() == sent.upper()


@dataclass(frozen=True, slots=True)
class Identity:
    """Identification of a meter: the four fields of IEEE 488.2; some meters give fewer."""

    maker: str
    model: str
    serial: str = ""
    version: str = ""

    @classmethod
    def read(cls, line: str) -> Identity:
        """Parse an identification line; one with fewer than four fields is accepted too.

        Raises:
            InvalidAnswer: the line is not an identification.

        >>> Identity.read("RIVERBANK,BM-6,0017,1.04").model, str(Identity.read("BM-6"))
        ('BM-6', 'BM-6')
        """
        parts = [printable_answer(part.strip().strip('"')) for part in line.split(",")]
        if len(parts) == 1 and _ONE_FIELD.match(parts[0]) and not is_error_text(parts[0]):
            return cls("", parts[0])
        if len(parts) < 2 or not any(sign.isalpha() for sign in parts[0]):
            raise InvalidAnswer(f'"{printable_answer(line)}" is not an identification')
        return cls(*[*parts, "", ""][:4])

    def __str__(self) -> str:
        return self.model or self.maker


def is_error_text(line: str) -> bool:
    """Return whether a line is an error without a number: a command was not understood."""
    return line.upper().startswith(("ERR", "UNKNOWN", "INVALID", "BAD"))


@dataclass(frozen=True, slots=True)
class MeterError:
    """One entry of a meter's error queue."""

    code: int
    words: str

    @property
    def is_command_error(self) -> bool:
        """True if the meter does not know the command."""
        return LAST_COMMAND_ERROR <= self.code <= FIRST_COMMAND_ERROR

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

    >>> parse_volts("+4.87100000E+00"), parse_volts("-31.2E-3"), parse_volts("4.871 V DC")
    (4.871, -0.0312, 4.871)
    >>> parse_volts("31.2mV")
    0.0312
    """
    if not (found := _NUMBER.match(line)):
        raise InvalidAnswer(f'"{printable_answer(line)}" is not a reading')
    if found["state"] == "O":
        raise InvalidAnswer("overload: over its range; check its leads and its range")
    unit = " ".join((found["unit"] or "V").upper().split())
    if unit not in _VOLT_UNITS:
        raise InvalidAnswer(f'"{printable_answer(line)}" is not volts; set it to volts DC')
    volts = float(found["number"].replace(" ", "")) * _PREFIXES[found["prefix"] or ""]
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
