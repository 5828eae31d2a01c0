"""Numbered readings of a session, and whether each still counts as evidence."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from benchtest.errors import InputError
from benchtest.evidence.reading import Reading
from benchtest.prop.design import Design
from benchtest.records.words import off_sd, shown_value

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


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One line of the list of readings."""

    number: int
    lit: str
    probe: str
    value: str
    off: str
    """How far it is from a healthy unit's, in standard deviations; empty where that is unknown."""
    why_gone: str
    """Why it no longer counts; empty where it does."""


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
        shown_value(reading.value, reading.unit),
        "" if z is None else f"{off_sd(z)} sd",
        WHY_GONE[one.standing],
    )
