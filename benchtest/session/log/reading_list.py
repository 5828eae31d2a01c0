"""Numbered readings of a session, and whether each still counts as evidence."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from benchtest.errors import InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.formatting import format_sd, format_value
from benchtest.prop.design import Design

REPEAT_SHARE, REPEAT_STEPS = 0.01, 3
"""Difference up to which two readings of one probe are alike, as a share and in steps of the
meter's range. Common practice, no source: leads and light differ by that from touch to touch."""

Standing = Literal["counts", "moved", "retaken", "struck"]
"""`moved`: a repair has changed what it would show. `retaken`: a later reading replaces it.
`struck`: the user struck it out."""

WHY_GONE: Mapping[Standing, str] = {
    "counts": "",
    "moved": "before a repair",
    "retaken": "retaken",
    "struck": "struck out",
}
"""Why a reading no longer counts, in a few words."""


@dataclass(frozen=True, slots=True)
class NumberedReading:
    """One reading of a session.

    Attributes:
        number: its place among all readings of the session, from 1; later changes keep it.
        seq: its event.
        reading: lit set, probe and value.
        standing: whether it counts as evidence and, if not, why.
        again: event of the reading that it replaced; None where it replaced none.
    """

    number: int
    seq: int
    reading: Reading
    standing: Standing = "counts"
    again: int | None = None

    @property
    def counts(self) -> bool:
        """True where the diagnosis weighs it."""
        return self.standing == "counts"


def discarded(
    taken: Sequence[NumberedReading], seq: int, standing: Standing
) -> tuple[NumberedReading, ...]:
    """Return the readings with the one of that event discarded.

    Raises:
        InputError: no reading of that event is left to discard.
    """
    if not any(one.seq == seq and one.standing in ("counts", "moved") for one in taken):
        raise InputError(f"event {seq} is not a reading that can be struck out or retaken")
    return tuple(
        dataclasses.replace(one, standing=standing) if one.seq == seq else one for one in taken
    )


def counted_readings(taken: Iterable[NumberedReading]) -> tuple[Reading, ...]:
    """Return the readings that count, in their order."""
    return tuple(one.reading for one in taken if one.counts)


def numbers_counted(taken: Iterable[NumberedReading]) -> list[int]:
    """Return the number of each reading that counts, in their order."""
    return [one.number for one in taken if one.counts]


def agree(one: Reading, other: Reading, meter: Meter) -> bool:
    """Return True where two readings show the same, as far as a meter repeats itself.

    Args:
        one: a reading.
        other: one of the same lit set and probe.
        meter: of readings that name none.
    """
    if one.volts is None or other.volts is None:
        return one.unit == other.unit and one.value == other.value
    own = one.meter or meter
    step_v = own.resolution_v(min(abs(other.volts), own.ranges_v[-1]))
    off_v = abs(one.volts - other.volts)
    return off_v <= max(REPEAT_STEPS * step_v, REPEAT_SHARE * abs(one.volts))


def is_repeated(readings: Sequence[Reading], place: int, meter: Meter) -> bool:
    """Return True where another reading of the same lit set and probe agrees with one.

    Args:
        readings: those that count.
        place: of the one.
        meter: of readings that name none.
    """
    mine = readings[place]
    return any(agree(mine, other, meter) for other in _same_place(readings, place))


def is_retaken(readings: Sequence[Reading], place: int) -> bool:
    """Return True where the same lit set and probe was read more than once."""
    return bool(_same_place(readings, place))


def _same_place(readings: Sequence[Reading], place: int) -> list[Reading]:
    mine = readings[place]
    return [
        other
        for number, other in enumerate(readings)
        if number != place and (other.lit, other.probe) == (mine.lit, mine.probe)
    ]


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One line of the list of readings."""

    number: int
    lit: str
    probe: str
    value: str
    off: str
    """Return the deviation from a healthy unit in standard deviations; empty if unknown."""
    why_gone: str
    """Why it no longer counts; empty where it does."""


def reading_words(one: NumberedReading) -> str:
    """Return a reading that no explanation accounts for in a sentence."""
    shown = format_value(one.reading.value, one.reading.unit)
    return f"reading {one.number}, {one.reading.probe} = {shown}, disagrees with all others"


def reading_row(one: NumberedReading, design: Design, z: float | None) -> ReadingRow:
    """Return a reading as the list of readings shows it.

    Args:
        one: the reading.
        design: the prop.
        z: how far it is from a healthy unit's, in standard deviations; None where unknown.
    """
    reading = one.reading
    return ReadingRow(
        one.number,
        reading.lit.text(design),
        str(reading.probe),
        format_value(reading.value, reading.unit),
        "" if z is None else f"{format_sd(z)} sd",
        WHY_GONE[one.standing],
    )
