"""The bench's shelf: designs, units, sessions and their events; all SQL of the records is here."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal
from uuid import uuid4

import platformdirs

from benchtest.errors import InputError, NameFault, RecordsFault, did_you_mean
from benchtest.formatting import epoch_ms
from benchtest.input_files import printable
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.database import (
    check_file_unchanged,
    checkpoint,
    explain_errors,
    file_identity,
    is_writable,
    open_database,
    transaction,
)
from benchtest.records.integrity import SessionKey, design_checksum, event_checksum
from benchtest.records.models import (
    STAGES,
    Event,
    SessionRow,
    Stage,
    Unit,
    check_tag,
    encode_event_data,
    is_valid_tag,
    tag_sort_key,
)
from benchtest.records.record_limits import (
    EPOCH,
    MAX_PLACED_MS,
    OMITTED_DATA,
    decode_data,
    find_data_fault,
    find_time_fault,
)


class SessionConflict(RecordsFault):
    """Another program has continued the same session."""


def default_folder() -> Path:
    """Return the default bench folder: the platform's user data folder."""
    return Path(platformdirs.user_data_dir("benchtest", appauthor=False))


class Shelf:
    """The records in one bench folder, to be used in the thread that opened it."""

    def __init__(self, folder: Path) -> None:
        """Open the shelf.

        Raises:
            RecordsFault: the folder cannot be used; the text has the remedy.
        """
        self.folder = folder
        self.path = folder / DATABASE_FILE
        self._db: sqlite3.Connection = open_database(folder)
        self._omitted: dict[tuple[str, int], str] = {}
        self._opened = file_identity(self.path)
        self.is_writable = is_writable(self.path)
        self._written_s: float | None = None
        self._cached_units: tuple[tuple[int, int], dict[str, Unit]] | None = None

    def close(self) -> None:
        self._db.close()

    def __enter__(self) -> Shelf:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """Run one transaction, in the file that the next start will open."""
        check_file_unchanged(self.path, self._opened)
        with explain_errors(self.path), transaction(self._db):
            yield
        check_file_unchanged(self.path, self._opened)  # report only what is really stored
        self._written_s = time.monotonic()

    def checkpoint(self, quiet_s: float = 0.0) -> None:
        """Move the log into the database file after writes, once no more follow.

        Args:
            quiet_s: shortest time since the last write; nothing is done before. [s]
        """
        if self._written_s is not None and time.monotonic() - self._written_s >= quiet_s:
            checkpoint(self._db)
            self._written_s = None

    # -- units ---------------------------------------------------------------------------------

    def units(self) -> list[Unit]:
        """Return every unit, retired ones too, in the order of their tags."""
        return list(self._units().values())

    def _units(self) -> dict[str, Unit]:
        """Return units by their original tag, in the order of their present tags."""
        with explain_errors(self.path):
            if self._db.in_transaction:  # what is read now may be rolled back
                return self._read_units()
            (others,) = self._db.execute("PRAGMA data_version").fetchone()
            version = (others, self._db.total_changes)
            if self._cached_units is None or self._cached_units[0] != version:
                self._cached_units = version, self._read_units()
        return self._cached_units[1]

    def _read_units(self) -> dict[str, Unit]:
        rows = self._db.execute("SELECT tag, design_name, stage FROM unit ORDER BY tag").fetchall()
        changes = self._db.execute(
            "SELECT tag, kind, data FROM event JOIN session ON session.id = event.session "
            "WHERE kind IN ('renamed', 'retired') ORDER BY placed_ms, started_at, session.id, seq"
        )
        tags: dict[str, str] = {}
        retired: dict[str, bool] = {}
        for key, kind, text in changes:
            data, _ = decode_data(kind, text)
            if kind == "renamed" and is_valid_tag(data.get("tag")):
                tags[key] = data["tag"]
            elif kind == "retired" and isinstance(data.get("retired"), bool):
                retired[key] = data["retired"]
        taken = {key for key, _, _ in rows}
        units = []
        for key, design_name, stage in rows:
            # merged benches may have the same tag for two units: both must be found
            tag = key if tags.get(key, key) in taken else tags[key]
            taken.add(tag)
            was = key if tag != key else None
            units.append(Unit(tag, design_name, stage, retired.get(key, False), was))
        return {unit.key: unit for unit in sorted(units, key=lambda unit: tag_sort_key(unit.tag))}

    def _key_of(self, tag: str) -> str:
        """Return the original tag of a unit by its present tag; an unknown tag unchanged."""
        return next((unit.key for unit in self.units() if unit.tag == tag), tag)

    def unit(self, tag: str) -> Unit:
        """Return one unit by its present or original tag.

        Raises:
            NameFault: no unit has that tag.
        """
        units = self.units()
        if (unit := self._units().get(self._key_of(tag))) is not None:
            return unit
        near = did_you_mean(tag, [unit.tag for unit in units])
        raise NameFault(
            f'unit "{printable(tag)}": not on this bench{near}; `benchtest shelf` lists them'
        )

    def add_units(self, tags: Sequence[str], design_name: str, design_text: str) -> None:
        """Add units of a design to the shelf, bare and untested, all of them or none.

        An existing unit of that design is not changed.

        Raises:
            InputError: a tag is invalid, or belongs to a unit of another design.
            RecordsFault: they could not be kept; nothing was changed.
        """
        for tag in tags:
            check_tag(tag)
        with self._transaction():
            self._check_designs(tags, design_name)
            self._add_design(design_name, design_text)
            self._db.executemany(
                "INSERT OR IGNORE INTO unit (tag, design_name) VALUES (?, ?)",
                [(tag, design_name) for tag in tags],
            )

    def _check_designs(self, tags: Sequence[str], design_name: str) -> None:
        known = {unit.tag: unit for unit in self.units()}
        for tag in tags:
            if tag not in known and (renamed := self._units().get(tag)) is not None:
                raise InputError(
                    f"unit {tag}: is called {renamed.tag} now, and its record keeps that tag; "
                    "give another one"
                )
            if tag in known and known[tag].design_name != design_name:
                raise InputError(
                    f"unit {tag}: is a {known[tag].design_name}, not a {design_name}; "
                    "give another tag"
                )

    def _add_design(self, name: str, text: str) -> None:
        """Store a prop file as the latest of its design."""
        digest = design_checksum(text)
        self._db.execute("INSERT OR IGNORE INTO design VALUES (?, ?, ?)", (digest, name, text))
        # an untested unit follows the latest file, even if that was stored before
        self._db.execute(
            "UPDATE design SET rowid = (SELECT MAX(rowid) + 1 FROM design) WHERE digest = ?",
            (digest,),
        )

    def design_text(self, tag: str) -> str:
        """Return the prop file of a unit: that of its last session, or the latest of its design.

        Raises:
            NameFault: no unit has that tag.
        """
        if rows := self.sessions(tag):
            return rows[-1].design_text
        name = self.unit(tag).design_name
        query = "SELECT text FROM design WHERE name = ? ORDER BY rowid DESC LIMIT 1"
        with explain_errors(self.path):
            (text,) = self._db.execute(query, (name,)).fetchone()
        return str(text)

    # -- sessions ------------------------------------------------------------------------------

    def start_session(
        self, tag: str, design_name: str, design_text: str, started_at: str, meter: str
    ) -> str:
        """Start a session, and add its unit to the shelf if it is new; return the session's id.

        Raises:
            InputError: the tag is invalid, or belongs to a unit of another design.
        """
        check_tag(tag)
        self._check_designs([tag], design_name)
        tag = self._key_of(tag)
        if tag in self._units() and self._units()[tag].retired:
            raise InputError(f"unit {tag}: is retired; first `benchtest shelf --bring-back {tag}`")
        session = str(uuid4())
        with self._transaction():
            last = max(
                (row.placed_ms or 0 for row in self._sessions("tag = ?", (tag,))), default=-1
            )
            placed_ms = max(epoch_ms(started_at) or 0, last + 1)
            self._add_design(design_name, design_text)
            self._put_session(
                SessionRow(session, tag, design_text, started_at, meter, placed_ms),
                Unit(tag, design_name, "bare"),
            )
        return session

    def _put_session(self, row: SessionRow, unit: Unit) -> None:
        """Add a session with its unit and design, as far as they are missing."""
        digest = design_checksum(row.design_text)
        placed_ms = row.placed_ms
        if placed_ms is None:
            placed_ms = epoch_ms(row.started_at) or 0
        for statement, values in (
            ("design VALUES (?, ?, ?)", (digest, unit.design_name, row.design_text)),
            ("unit VALUES (?, ?, ?)", (check_tag(unit.tag), unit.design_name, unit.stage)),
            (
                "session VALUES (?, ?, ?, ?, ?, ?)",
                (row.id, row.tag, digest, row.started_at, row.meter, placed_ms),
            ),
        ):
            self._db.execute(f"INSERT OR IGNORE INTO {statement}", values)

    def sessions(self, tag: str | None = None) -> list[SessionRow]:
        """Return the sessions of a unit, or of all units; earliest first."""
        key = None if tag is None else self._key_of(tag)
        return self._with_current_tags(self._sessions("? IS NULL OR tag = ?", (key, key)))

    def session(self, session: str) -> SessionRow:
        """Return one session.

        Raises:
            RecordsFault: there is no session of that id.
        """
        for row in self._with_current_tags(self._sessions("session.id = ?", (session,))):
            return row
        raise RecordsFault(f"session {session[:40]}: not on this bench")

    def _with_current_tags(self, rows: Sequence[SessionRow]) -> list[SessionRow]:
        """Replace the tags of sessions by their units' present tags."""
        units = self._units()
        return [replace(row, tag=units[row.tag].tag) for row in rows]

    def _sessions(self, where: str, values: tuple[str | None, ...]) -> list[SessionRow]:
        query = (
            "SELECT session.id, tag, text, started_at, meter, placed_ms FROM session "
            f"JOIN design ON design.digest = session.design WHERE {where}"
        )
        with explain_errors(self.path):
            rows = [
                self._within_limits(SessionRow(*row)) for row in self._db.execute(query, values)
            ]
        return sorted(rows, key=lambda row: (row.placed_ms or 0, row.started_at, row.id))

    def _within_limits(self, row: SessionRow) -> SessionRow:
        """Replace a session's time and place if they are outside the limits of records."""
        if (fault := find_time_fault(row.started_at)) is not None:
            self._omitted[row.id, 0] = f'{row.tag}: the start "{row.started_at:.40}" {fault}'
            row = replace(row, started_at=EPOCH)
        if row.placed_ms is None or not 0 <= row.placed_ms <= MAX_PLACED_MS:
            self._omitted[row.id, 0] = (
                f"{row.tag}: place {row.placed_ms} among its tests is out of range"
            )
            row = replace(row, placed_ms=epoch_ms(row.started_at))
        return row

    def _find_key(self, session: str) -> SessionKey | None:
        row: SessionKey | None = self._db.execute(
            "SELECT id, tag, design, started_at, meter, placed_ms FROM session WHERE id = ?",
            (session,),
        ).fetchone()
        return row

    def _key(self, session: str) -> SessionKey:
        if (row := self._find_key(session)) is None:
            raise RecordsFault(f"session {session[:40]}: not on this bench")
        return row

    # -- events --------------------------------------------------------------------------------

    def append(
        self,
        session: str,
        kind: str,
        data: Mapping[str, Any],
        at: str,
        stage: Stage | None = None,
        seq: int | None = None,
    ) -> Event:
        """Add an event; it is on disk on return.

        Args:
            session: the session's id.
            kind: kind of the event.
            data: content of the event, as JSON values.
            at: time of the event; ISO 8601, UTC.
            stage: new stage of the unit; stored with the event or not at all.
            seq: expected number of the event; None for the next.

        Raises:
            InputError: a text or number in it cannot be stored, or is outside the limits.
            SessionConflict: another program has added an event of that number.
            RecordsFault: it could not be stored; nothing was changed.
        """
        if (fault := find_data_fault(kind, data)) is not None:
            raise InputError(f"cannot be stored: {fault}")
        encode_event_data(data)
        with self._transaction():
            key = self._key(session)
            (last,) = self._db.execute(
                "SELECT COALESCE(MAX(seq), 0) FROM event WHERE session = ?", (session,)
            ).fetchone()
            if seq is not None and seq != last + 1:
                raise SessionConflict(
                    f"another program has continued this session of {key[1]}; its events are "
                    "shown now; look at them, then repeat your step"
                )
            event = Event(last + 1, at, kind, data)
            self._put_event(key, event)
            if stage is not None:
                self._db.execute("UPDATE unit SET stage = ? WHERE tag = ?", (stage, key[1]))
        return event

    def _put_event(self, key: SessionKey, event: Event) -> None:
        row = (event.seq, event.at, event.kind, encode_event_data(event.data))
        self._db.execute(
            "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)", (key[0], *row, event_checksum(key, row))
        )

    def events(self, session: str) -> list[Event]:
        """Return the events of a session in order; `beyond_limits` lists those left out."""
        query = "SELECT seq, at, kind, data FROM event WHERE session = ? ORDER BY seq"
        with explain_errors(self.path):
            rows = self._db.execute(query, (session,)).fetchall()
        return [self._read_event(session, *row) for row in rows]

    def _read_event(self, session: str, seq: int, at: str, kind: str, text: str) -> Event:
        data, fault = decode_data(kind, text)
        if data == OMITTED_DATA and fault is None:
            fault = "was left out by the bench that it came from"
        if (late := find_time_fault(at)) is not None:
            at, fault = EPOCH, fault or f'its time "{at:.40}" {late}'
        if fault is not None:
            self._omitted[session, seq] = f"event {seq} ({printable(kind)}): {fault}"
        return Event(seq, at, kind, data)

    def beyond_limits(self, session: str | None = None) -> list[str]:
        """Return the stored data that this bench cannot use, as far as they have been read.

        Args:
            session: id of one session; None for all sessions.
        """
        tags = {row.id: row.tag for row in self.sessions()}
        return [
            f"{tags.get(id_, id_[:40])}, {words}" if seq else words
            for (id_, seq), words in sorted(self._omitted.items())
            if session in (None, id_)
        ]

    def last_target(self, tag: str | None = None) -> str | None:
        """Return the target of the last event that has one, of a unit or of the whole bench."""
        return self._last_text("target", tag)

    def last_signer(self) -> str | None:
        """Return the name below the last sign-off of the bench; None without any."""
        return self._last_text("by", None)

    def _last_text(self, field: Literal["target", "by"], tag: str | None) -> str | None:
        """Return a text of the last event that has it, of a unit or of the whole bench."""
        query = (
            f"SELECT substr(json_extract(data, '$.{field}'), 1, 200) FROM event WHERE session = ? "
            f"AND json_type(data, '$.{field}') = 'text' ORDER BY seq DESC LIMIT 1"
        )
        with explain_errors(self.path):
            for row in reversed(self.sessions(tag)):
                found = self._db.execute(query, (row.id,)).fetchone()
                if found is not None:
                    return str(found[0])
        return None

    def kinds(self, session: str) -> set[str]:
        """Return the kinds of event in a session."""
        with explain_errors(self.path):
            rows = self._db.execute("SELECT DISTINCT kind FROM event WHERE session = ?", (session,))
            return {kind for (kind,) in rows}

    # -- exchange ------------------------------------------------------------------------------

    def import_records(
        self,
        sessions: Sequence[tuple[SessionRow, Unit, Sequence[Event]]],
        units: Sequence[tuple[Unit, str]] = (),
    ) -> int:
        """Import records of another bench, all of them or, if one is invalid, none.

        Args:
            sessions: sessions with their units and events.
            units: units without a session, each with its prop file; existing units are not
                changed, and a known design keeps the file of this bench.

        Returns:
            Number of new events.

        Raises:
            InputError: this bench has a different record of the same id.
            RecordsFault: the records could not be stored; nothing was changed.
        """
        with self._transaction():
            new = sum(self._import_session(row, unit, events) for row, unit, events in sessions)
            for unit, text in units:
                self._import_unit(unit, text)
        return new

    def _import_unit(self, unit: Unit, text: str) -> None:
        row = (design_checksum(text), unit.design_name, text)
        # before all others: the file is stored, but untested units here keep this bench's file
        self._db.execute(
            "INSERT OR IGNORE INTO design (rowid, digest, name, text) "
            "VALUES ((SELECT COALESCE(MIN(rowid), 1) - 1 FROM design), ?, ?, ?)",
            row,
        )
        self._db.execute(
            "INSERT OR IGNORE INTO unit VALUES (?, ?, ?)",
            (check_tag(unit.tag), unit.design_name, unit.stage),
        )

    def find_conflict(self, row: SessionRow, events: Sequence[Event]) -> str | None:
        """Return how a session of another bench differs from this bench's; None if it fits."""
        known = next(iter(self._sessions("session.id = ?", (row.id,))), None)
        if known is None:
            return None
        if replace(known, placed_ms=None) != replace(row, placed_ms=None):
            return f"session {row.id[:40]}: is another session on this bench, of unit {known.tag}"
        here = {event.seq: event for event in self.events(row.id)}
        for event in events:
            if event.seq in here and here[event.seq] != event:
                return (
                    f"session {row.id} of {row.tag}, event {event.seq}: differs from the one here"
                )
        return None

    def _import_session(self, row: SessionRow, unit: Unit, events: Sequence[Event]) -> int:
        self._put_session(row, unit)
        if (why := self.find_conflict(row, events)) is not None:
            raise InputError(
                f"{why}; a session can have only one record (`benchtest import "
                "--leave-differing` imports all others)"
            )
        key = self._key(row.id)
        here = {event.seq for event in self.events(row.id)}
        new = [event for event in events if event.seq not in here]
        for event in new:
            self._put_event(key, event)
        if new:
            self._update_stage(row.tag)
        return len(new)

    def _update_stage(self, tag: str) -> None:
        """Set a unit's stage to the last one set in any session, of whichever bench."""
        rows = self._db.execute(
            "SELECT session.id, seq, kind, data FROM event "
            "JOIN session ON session.id = event.session "
            "WHERE tag = ? AND kind IN ('stage', 'undone')",
            (tag,),
        ).fetchall()
        rows_here = self._sessions("tag = ?", (tag,))
        place = {row.id: number for number, row in enumerate(rows_here)}
        rows.sort(key=lambda row: (place[row[0]], row[1]))
        read = [(id_, seq, kind, decode_data(kind, data)[0]) for id_, seq, kind, data in rows]
        undone = {
            (id_, data["seq"])
            for id_, _, kind, data in read
            if kind == "undone" and isinstance(data.get("seq"), int)
        }
        moves = [(id_, seq, data) for id_, seq, kind, data in read if kind == "stage"]
        counted = [data.get("stage") for id_, seq, data in moves if (id_, seq) not in undone]
        first = [data.get("was") for _, _, data in moves[:1]]
        known = [stage for stage in [*first, *counted] if stage in STAGES]
        if known:
            self._db.execute("UPDATE unit SET stage = ? WHERE tag = ?", (known[-1], tag))
