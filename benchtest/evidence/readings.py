"""Readings: volts at a probe, or amperes of a feed, while given strands are lit."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from benchtest.errors import InputError
from benchtest.evidence.csv_table import MAX_CSV_BYTES, ParsedTable, parse_csv
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.formatting import float_from_text
from benchtest.input_files import printable, read_text
from benchtest.prop.design import Design, FeedName, Probe
from benchtest.prop.lit_set import LitSet, parse_lit_set
from benchtest.prop.notation import parse_probe

_NEEDED = ("lit", "probe", "volts")
_OPTIONAL = ("amps", "level", "colour", "meter", "at")
_MAX_AMPS = 1000.0
"""Largest clamp reading that is accepted; a larger one is a typing error. [A]"""


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading: volts at a probe, or amperes of a feed by a clamp."""

    lit: LitSet
    probe: Probe
    volts: float | None
    amps: float | None = None
    meter: Meter | None = None
    """Meter of the reading; None for the session's meter."""
    at: str | None = None
    """Time, ISO 8601."""
    decimals: int | None = field(default=None, compare=False)
    """Decimals of the volts as typed; None where only the number is known."""
    beyond: bool = False
    """True if the volts are the end of a range: the true ones are further from 0."""

    @property
    def ends_in_zero(self) -> bool:
        """True for typed volts that end in 0, which a program would have dropped."""
        if self.decimals is None or self.volts is None or self.decimals < 2:
            return False
        shortest = f"{self.volts:.{self.decimals}f}"
        return shortest.endswith("0")

    @property
    def value(self) -> float:
        """The volts; without volts, the amperes of the clamp."""
        value = self.amps if self.volts is None else self.volts
        assert value is not None  # a reading has at least one of them
        return value

    @property
    def sign(self) -> str:
        """Sign before the value: `> ` or `< ` for one that is the end of a range, else nothing."""
        if not self.beyond:
            return ""
        return "> " if self.value >= 0.0 else "< "

    @property
    def unit(self) -> Literal["V", "A"]:
        """Unit of `value`."""
        return "A" if self.volts is None else "V"


def read_readings(path: Path, design: Design, meter: Meter = DEFAULT_METER) -> ParsedTable[Reading]:
    """Read a file of readings: the valid ones, and the faults of the others.

    Args:
        path: the file.
        design: the prop.
        meter: meter of readings that name none.

    Raises:
        InputError: the file cannot be read.
    """
    return parse_readings(read_text(path, "readings", MAX_CSV_BYTES), str(path), design, meter)


def parse_readings(
    text: str, file: str, design: Design, meter: Meter = DEFAULT_METER
) -> ParsedTable[Reading]:
    """Read the readings of a CSV text: the valid ones, and the faults of the others.

    Args:
        text: content of the file.
        file: its name, for the faults.
        design: the prop.
        meter: meter of readings that name none.
    """
    return parse_csv(text, file, _NEEDED, _OPTIONAL, lambda cells: _reading(cells, design, meter))


def _reading(cells: dict[str, str], design: Design, default: Meter) -> Reading:
    level = parse_number(cells["level"], "level") if cells.get("level") else 1.0
    lit = parse_lit_set(cells["lit"], design, level, cells.get("colour") or "white")
    probe = parse_probe(cells["probe"], design)
    meter = Meter.parse(cells["meter"]) if cells.get("meter") else None
    at = cells.get("at") or None
    if amps := cells.get("amps"):
        if not (probe.is_rail and isinstance(probe.red.place, FeedName)):
            raise InputError(
                f"probe {probe}: a clamp reads the amperes of a feed; give the feed's name"
            )
        if not cells["volts"]:
            return Reading(lit, probe, None, _amps(amps), meter, at)
    text = cells["volts"].lstrip("<> ")
    beyond = text != cells["volts"].strip()
    volts = check_volts(parse_number(text, "volts"), meter or default)
    if beyond and (cells["volts"].strip()[0] == ">") != (volts >= 0.0):
        raise InputError(f"volts: {cells['volts'].strip()[:20]}; write >0.0819 or <-0.0819")
    decimals = count_decimals(text)
    return Reading(lit, probe, volts, _amps(amps) if amps else None, meter, at, decimals, beyond)


def parse_number(text: str, what: str) -> float:
    """Read a number as typed.

    Args:
        text: the number.
        what: name of the figure, for the message.

    Raises:
        InputError: not a number, or not finite.

    >>> parse_number("4.871", "volts")
    4.871
    """
    if not text:
        raise InputError(f"{what}: empty; write a number such as 4.871")
    try:
        number = float_from_text(text)
    except ValueError:
        hint = ""
        if text.count(",") == 1 and text.replace(",", "").lstrip("+-").isdigit():
            hint = f"; write it with a decimal point: {text.replace(',', '.')}"
        raise InputError(f'{what}: "{printable(text, 20)}" is not a number{hint}') from None
    if not math.isfinite(number):
        raise InputError(
            f'{what}: "{printable(text, 20)}" is not a reading; write the number on the display'
        )
    return number


def count_decimals(text: str) -> int | None:
    """Return the number of decimals as typed; None for another form of number.

    >>> count_decimals("4.870"), count_decimals("5"), count_decimals("1e-4")
    (3, 0, None)
    """
    word = text.strip().lstrip("+-")
    whole, _, decimals = word.partition(".")
    return len(decimals) if (whole + decimals).isdigit() else None


def check_volts(volts: float, meter: Meter) -> float:
    """Return the volts unchanged if a meter can show them. [V]

    Raises:
        InputError: the volts exceed the meter's largest range.
    """
    meter.range_v(volts)
    return volts


def _amps(text: str) -> float:
    amps = parse_number(text, "amps")
    if not 0.0 <= amps <= _MAX_AMPS:
        raise InputError(f"amps: {amps:g}; give a clamp reading from 0 to {_MAX_AMPS:g} A")
    return amps
