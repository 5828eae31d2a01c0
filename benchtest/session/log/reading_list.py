"""Numbered readings of a session, and which of them still count as evidence."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from benchtest.errors import InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.formatting import deviation_word, format_value
from benchtest.prop.design import Design

REPEAT_SHARE, REPEAT_STEPS = 0.01, 3
"""Difference up to which two readings of one probe agree, as a share and in steps of the meter's
range. Common practice, no source: leads and light differ by that from touch to touch."""

Standing = Literal["counts", "moved", "retaken", "struck", "disturbed"]
"""`moved`: a repair changed the volts. `retaken`: a later reading replaces it. `struck`: the user
struck it out. `disturbed`: another source may have lit the prop."""

WHY_GONE: Mapping[Standing, str] = {
    "counts": "",
    "moved": "before a repair",
    "retaken": "retaken",
    "struck": "struck out",
    "disturbed": "another source sent",
}
"""Reason that a reading no longer counts, in a few words."""


@dataclass(frozen=True, slots=True)
class NumberedReading:
    """One reading of a session.

    Attributes:
        number: number among all readings of the session, from 1; it never changes.
        seq: number of its event.
        reading: lit set, probe and value.
        standing: `counts`, or the reason that it does not.
        again: event of the reading that it replaced; None for none.
    """

    number: int
    seq: int
    reading: Reading
    standing: Standing = "counts"
    again: int | None = None

    @property
    def counts(self) -> bool:
        """True if it is evidence for the diagnosis."""
        return self.standing == "counts"


def discard(
    taken: Sequence[NumberedReading], seq: int, standing: Standing
) -> tuple[NumberedReading, ...]:
    """Return the readings with the one of that event discarded.

    Raises:
        InputError: the event has no reading left to discard.
    """
    if not any(one.seq == seq and one.standing in ("counts", "moved") for one in taken):
        raise InputError(f"event {seq} is not a reading that can be struck out or retaken")
    return tuple(
        dataclasses.replace(one, standing=standing) if one.seq == seq else one for one in taken
    )


def counted_readings(taken: Iterable[NumberedReading]) -> tuple[Reading, ...]:
    """Return the readings that count, in their order."""
    return tuple(one.reading for one in taken if one.counts)


def counted_numbers(taken: Iterable[NumberedReading]) -> list[int]:
    """Return the number of each reading that counts, in their order."""
    return [one.number for one in taken if one.counts]


def readings_agree(one: Reading, other: Reading, meter: Meter) -> bool:
    """Return True if two readings agree within the repeatability of a meter.

    Args:
        one: a reading.
        other: one of the same lit set and probe.
        meter: meter of readings that name none.
    """
    if one.volts is None or other.volts is None:
        return one.unit == other.unit and one.value == other.value
    own = one.meter or meter
    step_v = own.resolution_v(min(abs(other.volts), own.ranges_v[-1]))
    off_v = abs(one.volts - other.volts)
    return off_v <= max(REPEAT_STEPS * step_v, REPEAT_SHARE * abs(one.volts))


def is_repeated(readings: Sequence[Reading], place: int, meter: Meter) -> bool:
    """Return True if another reading of the same lit set and probe agrees with one.

    Args:
        readings: those that count.
        place: index of the reading.
        meter: meter of readings that name none.
    """
    mine = readings[place]
    return any(readings_agree(mine, other, meter) for other in _same_place(readings, place))


def is_retaken(readings: Sequence[Reading], place: int) -> bool:
    """Return True if the same lit set and probe was read more than once."""
    return bool(_same_place(readings, place))


def is_taken_again(taken: Sequence[NumberedReading], one: NumberedReading) -> bool:
    """Return True if a reading replaces another, or if its lit set and probe was read again.

    Args:
        taken: all readings of the session.
        one: one of them that counts.
    """
    counted = [other.reading for other in taken if other.counts]
    place = next(n for n, reading in enumerate(counted) if reading is one.reading)
    return one.again is not None or is_retaken(counted, place)


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
    """Deviation from a healthy unit in a word; empty if unknown."""
    why_gone: str
    """Reason that it no longer counts; empty if it counts."""


def describe_odd_reading(one: NumberedReading) -> str:
    """Return a sentence about a reading that disagrees with all others, without its end."""
    shown = one.reading.sign + format_value(one.reading.value, one.reading.unit)
    return f"reading {one.number} ({one.reading.probe}, {shown}) disagrees with all others"


def reading_row(one: NumberedReading, design: Design, z: float | None) -> ReadingRow:
    """Return a reading as a row of the list.

    Args:
        one: the reading.
        design: the prop.
        z: deviation from a healthy unit, in standard deviations; None if unknown.
    """
    reading = one.reading
    return ReadingRow(
        one.number,
        reading.lit.text(design),
        str(reading.probe),
        reading.sign + format_value(reading.value, reading.unit),
        "" if z is None else deviation_word(z),
        WHY_GONE[one.standing],
    )
