"""Records as JSON lines, one session a line; a repeated import changes nothing.

The JSON schema of a line is published next to this module: `session.schema.json`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, get_args

from benchtest.errors import FileFaults, InputError
from benchtest.evidence.meter import Meter
from benchtest.formatting import epoch_ms
from benchtest.prop.reader import parse_design
from benchtest.records.models import Event, SessionRow, Stage, Unit, check_tag, encode_event_data
from benchtest.records.record_limits import (
    MAX_DEPTH,
    MAX_PLACED_MS,
    find_data_fault,
    find_time_fault,
    is_too_deep,
)
from benchtest.records.shelf import Shelf

_FORMAT = 1
_SESSION_KEYS = {"session", "started_at", "placed_ms", "meter", "events"}
"""Keys of a session's line; the line of a unit without a session has none of them."""
_UNLIMITED_TEXT_KEYS = ("design", "tag")
"""Keys of texts with checks of their own."""
_MAX_TEXT_LENGTH = 80
"""Most characters of an id, a time, a meter or a kind of event; our own ids have 36."""
MAX_LINE_FAULTS = 20
"""Most faults reported at once; a file of another format has one a line."""


_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)", re.ASCII)


@dataclass(frozen=True, slots=True)
class ImportResult:
    """Result of an import."""

    sessions: int
    """Number of sessions read."""
    new_sessions: int
    new_events: int
    left_out: tuple[str, ...] = ()
    """Sessions left out because this bench has a different record of them, with the difference."""
    new_units: int = 0
    """Number of units new to this bench, with sessions or without."""


@dataclass(frozen=True, slots=True)
class ExportedSession:
    """One exported session."""

    row: SessionRow
    unit: Unit
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class ExportedUnit:
    """An exported unit without a session."""

    unit: Unit
    design_text: str


@dataclass(frozen=True, slots=True)
class ExportedFile:
    """Content of an exported file."""

    sessions: tuple[ExportedSession, ...]
    units: tuple[ExportedUnit, ...] = ()

    @property
    def all_units(self) -> list[Unit]:
        """The unit of every line."""
        return [*(one.unit for one in self.sessions), *(one.unit for one in self.units)]


def schema_text() -> str:
    """Return the published JSON schema of a line."""
    return files("benchtest.records").joinpath("session.schema.json").read_text("utf-8")


def export_lines(shelf: Shelf, tag: str | None = None) -> Iterator[str]:
    """Yield every session, of one unit or of all, as a line of JSON; earliest first.

    Units without a session follow, so that a whole batch can be moved.

    Raises:
        NameFault: the bench has no such unit.
    """
    tested = {unit.tag: unit for unit in ([shelf.unit(tag)] if tag else shelf.units())}
    untested = dict(tested)
    for row in shelf.sessions(tag):
        unit = tested[row.tag]
        events = [
            {"seq": event.seq, "at": event.at, "kind": event.kind, "data": event.data}
            for event in shelf.events(row.id)
        ]
        session = {
            "format": _FORMAT,
            "session": row.id,
            "tag": unit.key,  # the same on every bench; a new tag is among the events
            "stage": unit.stage,
            "started_at": row.started_at,
            "placed_ms": row.placed_ms,
            "meter": row.meter,
            "design": row.design_text,
            "events": events,
        }
        yield json.dumps(session, allow_nan=False)  # ASCII: safe in any pipe or terminal
        untested.pop(row.tag, None)
    for unit in untested.values():
        text = shelf.design_text(unit.tag)
        line = {"format": _FORMAT, "tag": unit.key, "stage": unit.stage, "design": text}
        yield json.dumps(line, allow_nan=False)


def import_lines(
    shelf: Shelf, lines: Iterable[str], file: str, leave_differing: bool = False
) -> ImportResult:
    """Import exported sessions; import nothing from a file with a fault.

    Args:
        shelf: destination of the records.
        lines: lines of the file.
        file: its name, for faults.
        leave_differing: leave out sessions of which this bench has a different record, as after
            two benches continued the same session, and import the others.

    Raises:
        FileFaults: some lines are not exported sessions; each with its number.
        InputError: this bench has a different unit or session of that name.
    """
    read = read_lines(lines, file)
    left: dict[str, str] = {}
    if leave_differing:
        found = ((one.row.id, shelf.find_conflict(one.row, one.events)) for one in read.sessions)
        left = {session: why for session, why in found if why is not None}
    _check_places(shelf, read.sessions)
    taken = [one for one in read.sessions if one.row.id not in left]
    units = [one.unit for one in taken] + [one.unit for one in read.units]
    _check_designs(shelf, units)
    known = {row.id for row in shelf.sessions()}
    tags = {unit.key for unit in shelf.units()}
    new = shelf.import_records(
        [(one.row, one.unit, one.events) for one in taken],
        [(one.unit, one.design_text) for one in read.units],
    )
    new_sessions = len({one.row.id for one in taken} - known)
    new_units = len({unit.tag for unit in units} - tags)
    return ImportResult(len(read.sessions), new_sessions, new, tuple(left.values()), new_units)


def read_lines(lines: Iterable[str], file: str) -> ExportedFile:
    """Decode exported sessions and units, without a bench.

    Raises:
        FileFaults: some lines are neither; each with its number.
    """
    read: list[ExportedSession | ExportedUnit] = []
    faults = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            read.append(_decode_line(line))
        except InputError as fault:
            faults.append(f"line {number}: {fault}")
        if len(faults) >= MAX_LINE_FAULTS:
            break
    if faults:
        raise FileFaults(file, faults)
    return ExportedFile(
        tuple(one for one in read if isinstance(one, ExportedSession)),
        tuple(one for one in read if isinstance(one, ExportedUnit)),
    )


def _check_places(shelf: Shelf, sessions: Iterable[ExportedSession]) -> None:
    """Check that each test is placed at its start or just after the test before it."""
    starts_ms: dict[str, list[int]] = {}
    keys = {unit.tag: unit.key for unit in shelf.units()}
    here = [(keys[row.tag], row) for row in shelf.sessions()]
    for key, row in (*here, *((one.row.tag, one.row) for one in sessions)):
        starts_ms.setdefault(key, []).append(epoch_ms(row.started_at) or 0)
    for one in sessions:
        row, of_unit = one.row, starts_ms[one.row.tag]
        if row.placed_ms is not None and row.placed_ms > max(of_unit) + len(of_unit):
            raise InputError(
                f"session {row.id[:40]} of {row.tag}: placed_ms is {row.placed_ms}, after the "
                "start of every test of that unit; export the unit again, with all its tests"
            )


def _check_designs(shelf: Shelf, units: Iterable[Unit]) -> None:
    """Check that each tag has one unit, and each unit one design."""
    designs = {unit.key: unit.design_name for unit in shelf.units()}
    for unit in units:
        here = designs.setdefault(unit.tag, unit.design_name)
        if here != unit.design_name:
            raise InputError(
                f"unit {unit.tag}: is a {here} here and a {unit.design_name} in the file; "
                "one of the two needs another tag"
            )


def _decode_line(line: str) -> ExportedSession | ExportedUnit:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise InputError(f"is not JSON: {error}") from None
    if not isinstance(found, dict):
        raise InputError("is not an exported session")
    _check_depth(found)
    encode_event_data(found)
    if found.get("format") != _FORMAT:
        raise InputError(f"format is {found.get('format')!r:.20}; this version reads {_FORMAT}")
    text = _text(found, "design")
    tag = check_tag(_text(found, "tag"))
    if not found.keys() & _SESSION_KEYS:
        return ExportedUnit(Unit(tag, _design_name(text), _stage(found)), text)
    meter = _text(found, "meter")
    Meter.parse(meter)  # a session without a valid meter could not be continued
    row = SessionRow(
        _text(found, "session"), tag, text, _time(found, "started_at"), meter, _placed(found)
    )
    unit = Unit(tag, _design_name(text), _stage(found))
    return ExportedSession(row, unit, _events(found))


def _check_depth(found: Mapping[str, Any]) -> None:
    """Reject data nested so deeply that later code would fail on it."""
    events = found.get("events")
    for number, row in enumerate(events if isinstance(events, list) else (), 1):
        if is_too_deep(row, MAX_DEPTH + 1):
            raise InputError(f"event {number}: nested more than {MAX_DEPTH} deep")
    if is_too_deep(found, MAX_DEPTH + 3):
        raise InputError(f"nested more than {MAX_DEPTH} deep")


def _design_name(text: str) -> str:
    try:
        return parse_design(text, "design").name
    except FileFaults as faults:
        raise InputError(f"its design has faults, the first: {faults.faults[0]}") from None


def _text(found: Mapping[str, Any], key: str) -> str:
    value = found.get(key)
    if not isinstance(value, str) or not value:
        raise InputError(f"{key} is missing or is not text")
    if key not in _UNLIMITED_TEXT_KEYS and not (
        value.isprintable() and len(value) <= _MAX_TEXT_LENGTH
    ):
        raise InputError(
            f"{key} is longer than {_MAX_TEXT_LENGTH} characters, or not one line of plain text"
        )
    return value


def _time(found: Mapping[str, Any], key: str) -> str:
    value = _text(found, key)
    if not _TIME.fullmatch(value) or epoch_ms(value) is None:
        raise InputError(
            f'{key} is "{value:.40}"; write date, time and offset, such as '
            "2026-11-25T18:00:00.000+00:00"
        )
    if (fault := find_time_fault(value)) is not None:
        raise InputError(f'{key} is "{value}" and {fault}')
    return value


def _placed(found: Mapping[str, Any]) -> int | None:
    """Return the place among the unit's sessions; None for lines of earlier versions."""
    placed_ms = found.get("placed_ms")
    if placed_ms is None:
        return None
    if not isinstance(placed_ms, int) or isinstance(placed_ms, bool):
        raise InputError("placed_ms is not a whole number of milliseconds")
    if not 0 <= placed_ms <= MAX_PLACED_MS:
        raise InputError(f"placed_ms is {placed_ms}; give 0 to {MAX_PLACED_MS} ms")
    return placed_ms


def _stage(found: Mapping[str, Any]) -> Stage:
    for stage in get_args(Stage):
        if found.get("stage") == stage:
            known: Stage = stage
            return known
    raise InputError(f"stage is {found.get('stage')!r:.20}; give one of {get_args(Stage)}")


def _events(found: Mapping[str, Any]) -> tuple[Event, ...]:
    rows = found.get("events")
    if not isinstance(rows, list):
        raise InputError("events is missing or is not a list")
    events = tuple(_event(row) for row in rows)
    if [event.seq for event in events] != list(range(1, len(events) + 1)):
        raise InputError("events are not numbered 1, 2, 3 …: some are missing")
    return events


def _event(row: object) -> Event:
    if not isinstance(row, dict) or not isinstance(row.get("data"), dict):
        raise InputError("an event is not an object with data")
    seq = row.get("seq")
    if not isinstance(seq, int):
        raise InputError("an event has no number")
    try:
        event = Event(seq, _time(row, "at"), _text(row, "kind"), row["data"])
        if (fault := find_data_fault(event.kind, event.data)) is not None:
            raise InputError(f"{event.kind}: {fault}")
    except InputError as fault:
        raise InputError(f"event {seq}: {fault}") from None
    return event
