"""The list of readings on record: shown, taken again, struck out."""

from __future__ import annotations

from benchtest.errors import InputError
from benchtest.session.guidance.overrides import Overrides
from benchtest.session.log.events import Struck
from benchtest.session.log.reading_list import (
    WHY_GONE,
    NumberedReading,
    ReadingRow,
    counted_numbers,
    reading_row,
)
from benchtest.session.workbench.active_session import ActiveSession


class RecordedReadings:
    """All readings of the session, by number or by event."""

    def __init__(self, active: ActiveSession) -> None:
        self._active = active

    def of_event(self, seq: int | None) -> NumberedReading | None:
        """Return the reading of an event; None if no reading of it counts."""
        taken = self._active.state.taken
        return next((one for one in taken if one.counts and one.seq == seq), None)

    def rows(self) -> list[ReadingRow]:
        """Return every reading of the session as a row of the list."""
        taken, finding = self._active.state.taken, self._active.finding
        judged = () if finding is None else finding.readings
        off = dict(zip(counted_numbers(taken), (row.z for row in judged), strict=False))
        return [reading_row(one, self._active.design, off.get(one.number)) for one in taken]

    def take_again(self, number: int) -> None:
        """Ask for a reading of the list again next.

        Raises:
            InputError: the session has no reading of that number, or it was a clamp's.
        """
        one = self._numbered(number)
        if one.reading.volts is None:
            raise InputError(f"reading {number} is a clamp's amperes: log that on its own")
        asked = (one.reading.lit, one.reading.probe)
        replaces = one.seq if one.counts else None
        self._active.overrides = Overrides(own_reading=asked, replaces=replaces)

    def strike(self, number: int) -> str:
        """Strike a reading out; return a line that confirms it.

        Raises:
            InputError: the session has no reading of that number, or it no longer counts.
        """
        one = self._numbered(number)
        if one.standing in ("struck", "retaken"):
            raise InputError(f"reading {number} does not count already: {WHY_GONE[one.standing]}")
        self._active.record(Struck(one.seq))
        self._active.drop_overrides()
        shown = reading_row(one, self._active.design, None)
        return f"struck out reading {number}, {shown.probe} = {shown.value}; u takes that back"

    def _numbered(self, number: int) -> NumberedReading:
        taken = self._active.state.taken
        if not 1 <= number <= len(taken):
            raise InputError(f"there is no reading {number}; there are {len(taken)}")
        return taken[number - 1]
