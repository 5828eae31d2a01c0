"""Renaming and retiring of units, as events of their records."""

from __future__ import annotations

from datetime import UTC

from benchtest.errors import InputError
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.input_files import printable
from benchtest.records.models import Unit, check_tag
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import Renamed, Retired, to_data
from benchtest.session.session import Clock, utc_now


def rename_unit(shelf: Shelf, tag: str, new_tag: str, clock: Clock = utc_now) -> None:
    """Give a unit another tag; its record can be found under both.

    Raises:
        InputError: no unit has that tag, or the new one is invalid or taken.
        RecordsFault: the event could not be saved.
    """
    unit, new = shelf.unit(tag), check_tag(new_tag.strip())
    for other in shelf.units():
        if other.key != unit.key and new in (other.tag, other.key):
            whose = "is another unit" if new == other.tag else f"was the tag of {other.tag}"
            raise InputError(f"unit {new}: {whose}; give {unit.tag} another tag")
    if new != unit.tag:
        _append(shelf, unit, Renamed(new), clock)


def retire_unit(
    shelf: Shelf, tag: str, retired: bool = True, why: str = "", clock: Clock = utc_now
) -> None:
    """Retire a unit, or bring it back to the shelf; its record stays.

    Raises:
        InputError: no unit has that tag, or it is retired or on the shelf already.
        RecordsFault: the event could not be saved.
    """
    unit = shelf.unit(tag)
    if unit.retired == retired:
        raise InputError(f"unit {unit.tag}: is {'retired' if retired else 'on the shelf'} already")
    _append(shelf, unit, Retired(retired, why.strip()), clock)


def why_retired(shelf: Shelf, tag: str) -> str:
    """Return the user's reason for retiring a unit; empty without one on record."""
    words = ""
    for row in shelf.sessions(tag):
        for event in shelf.events(row.id):
            if event.kind == Retired.kind and event.data.get("retired") is True:
                why = event.data.get("why")
                words = printable(why, 80) if isinstance(why, str) else ""
    return words


def _append(shelf: Shelf, unit: Unit, what: Renamed | Retired, clock: Clock) -> None:
    """Add an event to the unit's last session, or to a new one if it has none."""
    now = clock().astimezone(UTC).isoformat(timespec="milliseconds")
    rows = shelf.sessions(unit.tag)
    if rows:
        session = rows[-1].id
    else:
        text = shelf.design_text(unit.tag)
        session = shelf.start_session(unit.tag, unit.design_name, text, now, str(DEFAULT_METER))
    shelf.append(session, what.kind, to_data(what), now)
