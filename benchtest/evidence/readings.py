"""Readings: volts at a probe, or a feed's amperes, while given strands are lit."""

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

NEEDED = ("lit", "probe", "volts")
OPTIONAL = ("amps", "level", "colour", "meter", "at")
MOST_AMPS = 1000.0
"""A clamp reading beyond this is a slip of the pen."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Volts at a probe, or, at a feed's name, a clamp reading of its amperes."""

    lit: LitSet
    probe: Probe
    volts: float | None
    amps: float | None = None
    meter: Meter | None = None
    """What it was read with; None for the session's meter."""
    at: str | None = None
    """When, ISO 8601."""
    decimals: int | None = field(default=None, compare=False)
    """Decimals of the volts as typed; None where only the number was kept."""

    @property
    def ends_in_zero(self) -> bool:
        """True where a person typed zeros at the end that a program would have dropped."""
        if self.decimals is None or self.volts is None or self.decimals < 2:
            return False
        shortest = f"{self.volts:.{self.decimals}f}"
        return shortest.endswith("0")

    @property
    def value(self) -> float:
        """What was read: volts, or a clamp's amperes where there are none."""
        value = self.amps if self.volts is None else self.volts
        assert value is not None  # whoever makes a reading has one of them
        return value

    @property
    def unit(self) -> Literal["V", "A"]:
        """Of `value`."""
        return "A" if self.volts is None else "V"


def read_readings(path: Path, design: Design, meter: Meter = DEFAULT_METER) -> ParsedTable[Reading]:
    """Read a file of readings: the good ones, and what is wrong with the others.

    Raises:
        InputError: the file cannot be read.
    """
    return parse_readings(read_text(path, "readings", MAX_CSV_BYTES), str(path), design, meter)


def parse_readings(
    text: str, file: str, design: Design, meter: Meter = DEFAULT_METER
) -> ParsedTable[Reading]:
    """Readings of a CSV text: the good ones, and what is wrong with the others."""
    return parse_csv(text, file, NEEDED, OPTIONAL, lambda cells: _reading(cells, design, meter))


def _reading(cells: dict[str, str], design: Design, default: Meter) -> Reading:
    level = parse_number(cells["level"], "level") if cells.get("level") else 1.0
    lit = parse_lit_set(cells["lit"], design, level, cells.get("colour") or "white")
    probe = parse_probe(cells["probe"], design)
    meter = Meter.parse(cells["meter"]) if cells.get("meter") else None
    at = cells.get("at") or None
    if amps := cells.get("amps"):
        if not (probe.is_rail and isinstance(probe.red.place, FeedName)):
            raise InputError(f"probe {probe}: a clamp reading is taken at a feed; give its name")
        if not cells["volts"]:
            return Reading(lit, probe, None, _amps(amps), meter, at)
    volts = check_volts(parse_number(cells["volts"], "volts"), meter or default)
    decimals = count_decimals(cells["volts"])
    return Reading(lit, probe, volts, _amps(amps) if amps else None, meter, at, decimals)


def parse_number(text: str, what: str) -> float:
    """A number as people write it on a bench.

    Raises:
        InputError: it is none, or no finite one.

    >>> parse_number("4.871", "volts")
    4.871
    """
    if not text:
        raise InputError(f"{what}: nothing given; write a number such as 4.871")
    try:
        number = float_from_text(text)
    except ValueError:
        hint = ""
        if text.count(",") == 1 and text.replace(",", "").lstrip("+-").isdigit():
            hint = f'; with a point it is "{text.replace(",", ".")}"'
        raise InputError(f'{what}: "{printable(text, 20)}" is no number{hint}') from None
    if not math.isfinite(number):
        raise InputError(
            f'{what}: "{printable(text, 20)}" is no reading; write the number on the display'
        )
    return number


def count_decimals(text: str) -> int | None:
    """Return the decimals of a number as typed; None where it is not in plain decimals.

    >>> count_decimals("4.870"), count_decimals("5"), count_decimals("1e-4")
    (3, 0, None)
    """
    word = text.strip().lstrip("+-")
    whole, _, decimals = word.partition(".")
    return len(decimals) if (whole + decimals).isdigit() else None


def check_volts(volts: float, meter: Meter) -> float:
    """The volts, if the meter can show them.

    Raises:
        InputError: they are beyond its largest range.
    """
    meter.range_v(volts)
    return volts


def _amps(text: str) -> float:
    amps = parse_number(text, "amps")
    if not 0.0 <= amps <= MOST_AMPS:
        raise InputError(f"amps: {amps:g}; give the clamp's reading from 0 to {MOST_AMPS:g} A")
    return amps
