"""The bench's shelf: designs, units, sessions and their events. All SQL is here."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from uuid import uuid4

import platformdirs

from benchtest.errors import InputError, NameFault, RecordsFault, did_you_mean
from benchtest.formatting import epoch_ms
from benchtest.input_files import printable
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.checksums import SessionKey, design_checksum, event_checksum
from benchtest.records.database import (
    check_file_unchanged,
    checkpoint,
    explain_errors,
    file_identity,
    is_writable,
    open_database,
    transaction,
)
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
    """Another program has gone on with the same session."""


def default_folder() -> Path:
    """Where records are kept unless told otherwise: the platform's user data folder."""
    return Path(platformdirs.user_data_dir("benchtest", appauthor=False))


class Shelf:
    """The records in one bench folder. Use it from the thread that opened it."""

    def __init__(self, folder: Path) -> None:
        """Open the shelf.

        Raises:
            RecordsFault: the folder cannot be used, and what to do.
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
        """One transaction, kept where the next start looks for it."""
        check_file_unchanged(self.path, self._opened)
        with explain_errors(self.path), transaction(self._db):
            yield
        check_file_unchanged(self.path, self._opened)  # nothing is said to be kept that is not
        self._written_s = time.monotonic()

    def checkpoint(self, quiet_s: float = 0.0) -> None:
        """Bring the database file up to date, where something was written and then nothing more.

        Args:
            quiet_s: only where the last write is at least so long ago. [s]
        """
        if self._written_s is not None and time.monotonic() - self._written_s >= quiet_s:
            checkpoint(self._db)
            self._written_s = None

    # -- units ---------------------------------------------------------------------------------

    def units(self) -> list[Unit]:
        """Every unit, retired ones too, in the order of their tags."""
        return list(self._units().values())

    def _units(self) -> dict[str, Unit]:
        """Units by the tag that their records are kept under, in the order of their tags now."""
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
            # benches that merge may have given one tag to two units: both are found all the same
            tag = key if tags.get(key, key) in taken else tags[key]
            taken.add(tag)
            was = key if tag != key else None
            units.append(Unit(tag, design_name, stage, retired.get(key, False), was))
        return {unit.key: unit for unit in sorted(units, key=lambda unit: tag_sort_key(unit.tag))}

    def _key_of(self, tag: str) -> str:
        """The tag that a unit's record is kept under, by the tag it has now; else the same."""
        return next((unit.key for unit in self.units() if unit.tag == tag), tag)

    def unit(self, tag: str) -> Unit:
        """One unit, by the tag it has or the one that it was begun with.

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
        """Put units of a design on the shelf, bare and untested: all of them or none.

        A unit of that design that is there already stays as it is.

        Raises:
            InputError: a tag is none, or belongs to a unit of another design.
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
        """Keep a prop file as it is now."""
        digest = design_checksum(text)
        self._db.execute("INSERT OR IGNORE INTO design VALUES (?, ?, ?)", (digest, name, text))
        # an untested unit is built to the file that came last, be it one that was here before
        self._db.execute(
            "UPDATE design SET rowid = (SELECT MAX(rowid) + 1 FROM design) WHERE digest = ?",
            (digest,),
        )

    def design_text(self, tag: str) -> str:
        """The prop file of a unit: that of its last session, or the last kept of its design.

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
        """Begin a session, and put its unit on the shelf if it is new. Returns the session's id.

        Raises:
            InputError: the tag is none, or belongs to a unit of another design.
        """
        check_tag(tag)
        self._check_designs([tag], design_name)
        tag = self._key_of(tag)
        if tag in self._units() and self._units()[tag].retired:
            raise InputError(f"unit {tag}: is retired; bring it back onto the shelf first")
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
        """Add a session with its unit and design, as far as they are not here."""
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
        """Sessions of a unit, or of all; earliest first."""
        key = None if tag is None else self._key_of(tag)
        return self._with_current_tags(self._sessions("? IS NULL OR tag = ?", (key, key)))

    def session(self, session: str) -> SessionRow:
        """One session.

        Raises:
            RecordsFault: there is none of that id.
        """
        for row in self._with_current_tags(self._sessions("session.id = ?", (session,))):
            return row
        raise RecordsFault(f"session {session[:40]}: not on this bench")

    def _with_current_tags(self, rows: Sequence[SessionRow]) -> list[SessionRow]:
        """Sessions with the tags that their units have now."""
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
        """Return a session with a time and a place that records can have, in either's stead."""
        if (fault := find_time_fault(row.started_at)) is not None:
            self._omitted[row.id, 0] = f'{row.tag}: the start "{row.started_at:.40}" {fault}'
            row = replace(row, started_at=EPOCH)
        if row.placed_ms is None or not 0 <= row.placed_ms <= MAX_PLACED_MS:
            self._omitted[row.id, 0] = (
                f"{row.tag}: place {row.placed_ms} among its tests is no time"
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
        """Add an event; when this returns, it is on disk.

        Args:
            session: the session's id.
            kind: sort of event.
            data: what happened, as JSON has it.
            at: when; ISO 8601, UTC.
            stage: where the event moves the unit to; kept with the event or not at all.
            seq: the number that it must get; None for the next.

        Raises:
            InputError: a text or number in it cannot be kept, or is beyond the limits.
            SessionConflict: another program has added that number before.
            RecordsFault: it could not be kept; nothing was changed.
        """
        if (fault := find_data_fault(kind, data)) is not None:
            raise InputError(f"cannot be kept: {fault}")
        encode_event_data(data)
        with self._transaction():
            key = self._key(session)
            (last,) = self._db.execute(
                "SELECT COALESCE(MAX(seq), 0) FROM event WHERE session = ?", (session,)
            ).fetchone()
            if seq is not None and seq != last + 1:
                raise SessionConflict(
                    f"another program has gone on with this session of {key[1]}; what it kept is "
                    "shown now: look, then do your step again"
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
        """Events of a session, in the order they happened; `beyond_limits` has those left out."""
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
        """Return what this bench keeps and cannot use, as far as it has been read.

        Args:
            session: of one session alone; None for all of them.
        """
        tags = {row.id: row.tag for row in self.sessions()}
        return [
            f"{tags.get(id_, id_[:40])}, {words}" if seq else words
            for (id_, seq), words in sorted(self._omitted.items())
            if session in (None, id_)
        ]

    def last_target(self, tag: str | None = None) -> str | None:
        """Return the target of the last event that has one, of a unit or of the whole bench."""
        query = (
            "SELECT substr(json_extract(data, '$.target'), 1, 200) FROM event WHERE session = ? "
            "AND json_type(data, '$.target') = 'text' ORDER BY seq DESC LIMIT 1"
        )
        with explain_errors(self.path):
            for row in reversed(self.sessions(tag)):
                found = self._db.execute(query, (row.id,)).fetchone()
                if found is not None:
                    return str(found[0])
        return None

    def kinds(self, session: str) -> set[str]:
        """Kinds of event that a session has."""
        with explain_errors(self.path):
            rows = self._db.execute("SELECT DISTINCT kind FROM event WHERE session = ?", (session,))
            return {kind for (kind,) in rows}

    # -- exchange ------------------------------------------------------------------------------

    def import_records(
        self,
        sessions: Sequence[tuple[SessionRow, Unit, Sequence[Event]]],
        units: Sequence[tuple[Unit, str]] = (),
    ) -> int:
        """Take in records of another bench: all of them or, where one cannot be taken, none.

        Args:
            sessions: with their units and events.
            units: those without a session, each with its prop file; one that is here stays as
                it is, and where the design is known, what it is built to is what is kept here.

        Returns:
            How many events were new.

        Raises:
            InputError: what is here under the same id is something else.
            RecordsFault: they could not be kept; nothing was changed.
        """
        with self._transaction():
            new = sum(self._import_session(row, unit, events) for row, unit, events in sessions)
            for unit, text in units:
                self._import_unit(unit, text)
        return new

    def _import_unit(self, unit: Unit, text: str) -> None:
        row = (design_checksum(text), unit.design_name, text)
        # before all others: it is kept, but untested units here go on by the file of this bench
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
        """How a session of another bench differs from the one of that id here; None if it fits."""
        known = next(iter(self._sessions("session.id = ?", (row.id,))), None)
        if known is None:
            return None
        if replace(known, placed_ms=None) != replace(row, placed_ms=None):
            return f"session {row.id[:40]}: is another one on this bench, of unit {known.tag}"
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
                f"{why}; two records of one session cannot both be kept (`benchtest import "
                "--leave-differing` takes all the others)"
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
        """Set a unit's stage to the last that any session set, whichever bench it came from."""
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
