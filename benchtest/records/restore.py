"""Restoration of the last intact copy, with all later records that are still readable."""

from __future__ import annotations

import contextlib
import itertools
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchtest.errors import InputError, RecordsFault
from benchtest.records.backup import (
    DATABASE_FILE,
    BackupCopy,
    find_intact_copy,
    list_copies,
    write_copy,
)
from benchtest.records.database import explain_errors
from benchtest.records.integrity import design_checksum, event_checksum, find_damage
from benchtest.records.models import Event, SessionRow, Unit
from benchtest.records.record_limits import decode_data
from benchtest.records.shelf import Shelf

_FILE_SUFFIXES = ("", "-wal", "-shm")
"""Suffixes of the files of an SQLite database."""


@dataclass(frozen=True, slots=True)
class RestoreResult:
    """Result of a restoration."""

    copy: BackupCopy
    """Copy that was restored."""
    aside: Path | None
    """Folder with the damaged files; None if there were none."""
    saved_events: int
    """Number of later events recovered from the damaged files."""


def restore(folder: Path) -> RestoreResult:
    """Restore the last intact copy. Damaged files are moved aside, not deleted.

    Raises:
        InputError: the records are intact, or there is no intact copy.
        RecordsFault: the folder cannot be written.
    """
    copy = find_intact_copy(folder)
    if copy is None:
        raise InputError(
            f"bench folder {folder}: has no intact copy of its records; import an export"
        )
    path = folder / DATABASE_FILE
    with explain_errors(path):
        if _is_intact(path, copy):
            raise InputError(f"{path}: is intact, so nothing was restored")
        try:
            aside = _move_aside(folder, copy)
            making = folder / f"making-{DATABASE_FILE}"
            with closing(sqlite3.connect(copy.path, isolation_level=None)) as kept:
                write_copy(kept, making)
            making.replace(path)
        except OSError as error:
            raise RecordsFault(
                f"bench folder {folder}: cannot be written ({error.strerror}); make room, or check "
                "its permissions"
            ) from error
    return RestoreResult(
        copy, aside, 0 if aside is None else _salvage(folder, aside / DATABASE_FILE)
    )


def _is_intact(path: Path, copy: BackupCopy) -> bool:
    """Return True if the records have no damage and no fewer events than the copy."""
    if not path.is_file():
        return False
    with contextlib.suppress(sqlite3.DatabaseError), closing(sqlite3.connect(path)) as connection:
        if find_damage(connection) is None:
            row = connection.execute("SELECT COUNT(*) FROM event").fetchone()
            return int(row[0]) >= copy.events
    return False


def _move_aside(folder: Path, copy: BackupCopy) -> Path | None:
    """Move damaged files, and later copies that are damaged, into a new folder."""
    there = [
        folder / f"{DATABASE_FILE}{side}"
        for side in _FILE_SUFFIXES
        if (folder / f"{DATABASE_FILE}{side}").exists()
    ]
    made = list_copies(folder)
    there += made[made.index(copy.path) + 1 :]
    if not there:
        return None
    taken = {path.name for path in folder.iterdir()}
    number = next(n for n in range(1, len(taken) + 2) if f"damaged-{n}" not in taken)
    aside = folder / f"damaged-{number}"
    aside.mkdir()
    for path in there:
        path.rename(aside / path.name)
    return aside


def _salvage(folder: Path, damaged: Path) -> int:
    """Import what can be read of damaged records, session by session."""
    saved = 0
    with Shelf(folder) as shelf, closing(sqlite3.connect(damaged)) as connection:
        for row, unit in _readable_sessions(connection):
            events = _readable_events(connection, row)
            with contextlib.suppress(InputError, RecordsFault):  # skip what does not fit
                saved += shelf.import_records([(row, unit, events)])
    return saved


def _readable_sessions(connection: sqlite3.Connection) -> Iterator[tuple[SessionRow, Unit]]:
    query = (
        "SELECT session.id, session.tag, text, started_at, meter, placed_ms, design_name, stage "
        "FROM session JOIN unit ON unit.tag = session.tag "
        "JOIN design ON design.digest = session.design WHERE session.rowid = ?"
    )
    for number in range(1, _last_row(connection) + 1):
        with contextlib.suppress(sqlite3.DatabaseError):
            row = connection.execute(query, (number,)).fetchone()
            if row is not None:
                yield SessionRow(*row[:6]), Unit(row[1], row[6], row[7])


def _last_row(connection: sqlite3.Connection) -> int:
    with contextlib.suppress(sqlite3.DatabaseError):
        (last,) = connection.execute("SELECT MAX(rowid) FROM session").fetchone()
        return last or 0
    return 0


def _readable_events(connection: sqlite3.Connection, row: SessionRow) -> list[Event]:
    """Return events from the first to the last before one that is unreadable or changed."""
    design, placed_ms = design_checksum(row.design_text), row.placed_ms or 0
    key = (row.id, row.tag, design, row.started_at, row.meter, placed_ms)
    events: list[Event] = []
    with contextlib.suppress(sqlite3.DatabaseError):
        for number in itertools.count(1):
            found = connection.execute(
                "SELECT at, kind, data, digest FROM event WHERE session = ? AND seq = ?",
                (row.id, number),
            ).fetchone()
            if found is None or event_checksum(key, (number, *found[:3])) != found[3]:
                break
            events.append(Event(number, found[0], found[1], decode_data(found[1], found[2])[0]))
    return events
