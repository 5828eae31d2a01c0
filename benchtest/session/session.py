"""A session in progress: every event is on disk before the state shows it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from benchtest.diagnosis import Engine, Finding, healthy_volts, possible_volts
from benchtest.errors import FileFaults, InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import check_volts
from benchtest.formatting import epoch_ms
from benchtest.input_files import strip_control_chars
from benchtest.prop.design import Design, Probe
from benchtest.prop.lit_set import LitSet
from benchtest.prop.reader import parse_design
from benchtest.records.models import Event, SessionRow, Stage, Unit
from benchtest.records.shelf import SessionConflict, Shelf
from benchtest.session.guidance.release import release_blockers
from benchtest.session.log.events import (
    Concluded,
    MarkMade,
    ReadingTaken,
    Renamed,
    RepairDone,
    Retired,
    SessionEvent,
    SignedOff,
    StageSet,
    Undone,
    VerdictGiven,
    from_data,
    to_data,
)
from benchtest.session.log.evidence import diagnose_state, odd_readings
from benchtest.session.log.heard_sources import (
    HeardSource,
    sources_from_data,
    sources_to_data,
)
from benchtest.session.log.power_checks import with_measured_supplies
from benchtest.session.log.state import LoggedEvent, State, apply_event, changes_earlier, fold

Clock = Callable[[], datetime]
MAX_RECORDED_SUSPECTS = 8
MAX_GAP_MIN = 10
"""Longest time between two answers that counts as time of a test. [min]"""
TEST_EVENTS = (VerdictGiven, MarkMade, ReadingTaken, RepairDone, SignedOff)
"""Events that make a session a test."""


def decode_events(events: Sequence[Event]) -> list[LoggedEvent]:
    """Return the events of a record, decoded."""
    return [
        LoggedEvent(
            event.seq,
            event.at,
            from_data(event.kind, event.data),
            same_key_as=_first_of_key(event),
            target=_target(event),
            others=sources_from_data(event.data.get("others")),
        )
        for event in events
    ]


def _target(event: Event) -> str | None:
    target = event.data.get("target")
    return strip_control_chars(target) if isinstance(target, str) else None


def _first_of_key(event: Event) -> int | None:
    """Return the number of an earlier event of the same key; None without one on record."""
    first = event.data.get("same_key_as")
    return first if type(first) is int and 0 < first < event.seq else None


def utc_now() -> datetime:
    """Return the time for records."""
    return datetime.now(UTC)


class Session:
    """One test session of one unit, on record."""

    def __init__(self, shelf: Shelf, row: SessionRow, design: Design, clock: Clock) -> None:
        self.shelf = shelf
        self.row = row
        self.design = design
        self.meter = Meter.parse(row.meter)
        self.clock = clock
        self.target: str | None = None
        """Target of the unit as written for `--to`; None while it is not on the bench."""
        self._read()
        self._engine = self.state.checks, Engine(with_measured_supplies(design, self.state.checks))

    def _read(self) -> None:
        """Read the session from disk."""
        self.events = decode_events(self.shelf.events(self.row.id))
        self.state = fold(self.events, self.design)

    @classmethod
    def start(
        cls,
        shelf: Shelf,
        design_text: str,
        tag: str,
        meter: Meter,
        clock: Clock = utc_now,
        file: str = "prop file",
    ) -> Session:
        """Begin a session of a unit.

        Raises:
            FileFaults: the design's text has faults.
            InputError: the tag is invalid, or belongs to a unit of another design.
            RecordsFault: the session could not be saved.
        """
        design = parse_design(design_text, file)
        session = shelf.start_session(tag, design.name, design_text, _stamp(clock), str(meter))
        return cls(shelf, shelf.session(session), design, clock)

    @classmethod
    def resume(cls, shelf: Shelf, session: str, clock: Clock = utc_now) -> Session:
        """Resume a session.

        Raises:
            RecordsFault: there is no session of that id.
        """
        row = shelf.session(session)
        return cls(shelf, row, parse_design(row.design_text, f"record of {row.tag}"), clock)

    @property
    def tag(self) -> str:
        """Tag of the unit."""
        return self.row.tag

    def place_on_shelf(self) -> str:
        """Return which of its design's units this is, such as `unit 2 of 7`; empty for one alone.

        Retired units do not count.
        """
        tags = [
            unit.tag
            for unit in self.shelf.units()
            if unit.design_name == self.design.name and not unit.retired
        ]
        if len(tags) < 2 or self.tag not in tags:
            return ""
        return f"unit {tags.index(self.tag) + 1} of {len(tags)}"

    @property
    def left_out(self) -> list[str]:
        """Events of this session that exceed the limits of records, and are ignored."""
        return self.shelf.beyond_limits(self.row.id)

    @property
    def engine(self) -> Engine:
        """The diagnosis engine of the design, with its supplies as they were measured."""
        checks, engine = self._engine
        if checks is not self.state.checks:
            checks = self.state.checks
            design = with_measured_supplies(self.design, checks)
            self._engine = checks, engine if design == engine.design else Engine(design)
        return self._engine[1]

    def release_engine(self) -> None:
        """Let go of all that the engine keeps: the unit leaves the bench."""
        checks, engine = self._engine
        self._engine = checks, Engine(engine.design)

    def record(
        self,
        what: SessionEvent,
        same_key_as: int | None = None,
        others: tuple[HeardSource, ...] = (),
    ) -> State:
        """Record an event; afterwards it is on disk and part of the state.

        Args:
            what: the event.
            same_key_as: number of the first event of the same key, so that one undo takes back
                both.
            others: other sources that are heard now, for an event that depends on the light.

        Raises:
            InputError: a reading is beyond the meter's range.
            SessionConflict: another program has continued this session; the state is read again.
            RecordsFault: the event could not be saved; the state is as before.
        """
        if isinstance(what, ReadingTaken) and what.volts is not None:
            check_volts(what.volts, Meter.parse(what.meter) if what.meter else self.meter)
        if isinstance(what, StageSet):
            what = dataclasses.replace(what, was=self.shelf.unit(self.tag).stage)
        happened = LoggedEvent(
            self.next_seq,
            _stamp(self.clock),
            what,
            same_key_as=same_key_as,
            target=self.target,
            others=others,
        )
        # an invalid event must fail before it is saved, not at every later start
        after = apply_event(self.state, happened)
        self._keep(happened)
        self.events.append(happened)
        again = changes_earlier(what)
        self.state = fold(self.events, self.design) if again else after
        return self.state

    @property
    def next_seq(self) -> int:
        """Number of the next event."""
        return len(self.events) + 1

    def _keep(self, happened: LoggedEvent) -> None:
        what, stage = happened.what, self._stage_after(happened.what)
        data = to_data(what)
        if happened.same_key_as is not None:
            data["same_key_as"] = happened.same_key_as
        if happened.target is not None:
            data["target"] = happened.target
        if happened.others:
            data["others"] = sources_to_data(happened.others)
        try:
            self.shelf.append(self.row.id, what.kind, data, happened.at, stage, happened.seq)
        except SessionConflict:
            self._read()
            raise

    def _stage_after(self, what: SessionEvent) -> Stage | None:
        """Return the unit's stage after an event; None if it stays."""
        if isinstance(what, Undone):
            undone = next((h.what for h in self.events if h.seq == what.seq), None)
            return undone.was if isinstance(undone, StageSet) else None
        return what.stage if isinstance(what, StageSet) else None

    def undo(self) -> list[SessionEvent]:
        """Undo the last key; return its events, none if there is nothing to undo."""
        taken = self.state.last_key
        if taken:
            self.record(Undone(taken[-1].seq, [one.seq for one in taken[:-1]]))
        return [one.what for one in taken]

    def diagnose(self, state: State | None = None) -> Finding:
        """Return the finding of a state. Slow: call it from a worker thread."""
        return diagnose_state(self.engine, state or self.state, self.meter)

    def conclude(self, finding: Finding, lowest_v: float | None = None) -> None:
        """Record a finding, for the report and the shelf.

        Args:
            finding: finding of the present evidence.
            lowest_v: lowest volts along the strands at full white; None if not known. [V]
        """
        suspects = [
            {
                "where": s.where,
                "fault": s.fault,
                "probability": round(s.probability, 4),
                "ohms": None if s.ohms is None else round(s.ohms.best, 4),
            }
            for s in finding.suspects[:MAX_RECORDED_SUSPECTS]
        ]
        ohm = finding.cleared_ohm
        self.record(
            Concluded(
                round(finding.healthy, 4),
                finding.next.settled,
                suspects,
                None if ohm is None else round(ohm, 4),
                [one.number for one in odd_readings(self.state, finding)],
                None if lowest_v is None else round(lowest_v, 3),
            )
        )

    def healthy_volts(self, lit: LitSet, probe: Probe) -> tuple[float, float]:
        """Return the volts of a healthy unit at a probe and their standard deviation. [V]

        Raises:
            CircuitFault: the prop has no solution with these strands lit.
        """
        return healthy_volts(self.engine, lit, probe)

    def possible_volts(self, lit: LitSet, probe: Probe) -> tuple[float, float]:
        """Return the lowest and highest volts that a probe shows under any fault. [V]

        Uses the engine: do not call this during a diagnosis.

        Raises:
            CircuitFault: the prop has no solution with these strands lit.
        """
        return possible_volts(self.engine, lit, probe, self.meter)


def _stamp(clock: Clock) -> str:
    return clock().astimezone(UTC).isoformat(timespec="milliseconds")


def unfinished_sessions(shelf: Shelf) -> list[SessionRow]:
    """Return sessions that can be resumed: the last of each unit that is not signed off."""
    retired = {unit.tag for unit in shelf.units() if unit.retired}
    last: dict[str, SessionRow] = {}
    for row in shelf.sessions():
        if row.tag not in retired and not _only_of_the_shelf(shelf, row):
            last[row.tag] = row
    return [row for row in last.values() if _can_go_on(shelf, row)]


def _only_of_the_shelf(shelf: Shelf, row: SessionRow) -> bool:
    """Return True for a session that only renames or retires its unit."""
    kinds = shelf.kinds(row.id)
    return bool(kinds) and kinds <= {Renamed.kind, Retired.kind}


def _can_go_on(shelf: Shelf, row: SessionRow) -> bool:
    try:
        if SignedOff.kind in shelf.kinds(row.id):
            return _state_of(shelf, row).signed is None  # a sign-off can be undone
        parse_design(row.design_text, f"record of {row.tag}")
    except InputError:  # its prop file can no longer be read; others must still be listed
        return False
    return True


def _state_of(shelf: Shelf, row: SessionRow) -> State:
    design = parse_design(row.design_text, f"record of {row.tag}")
    return fold(decode_events(shelf.events(row.id)), design)


def last_test(shelf: Shelf, tag: str) -> tuple[SessionRow, State] | None:
    """Return a unit's last session with a test, and the state of the unit now.

    Sessions after it that only moved the unit to another stage are applied to the state. Without
    any test it is the last session; None without any session.

    Raises:
        FileFaults: the prop file of a session can no longer be read.
    """
    stages: list[LoggedEvent] = []
    newest = None
    for row in reversed(shelf.sessions(tag)):
        if _only_of_the_shelf(shelf, row):
            continue
        state = _state_of(shelf, row)
        newest = newest or (row, state)
        if any(isinstance(happened.what, TEST_EVENTS) for happened in state.undoable):
            for moved in stages:
                state = apply_event(state, moved)
            return row, state
        stages = [h for h in state.undoable if isinstance(h.what, StageSet)] + stages
    return newest


@dataclass(frozen=True)
class ShelvedUnit:
    """One unit of the shelf.

    Attributes:
        unit: the unit.
        row: its last test; None without one.
        state: its state; None without a test, or if its prop file can no longer be read.
        waits_for: what it waits for before it may go outdoors.
    """

    unit: Unit
    row: SessionRow | None
    state: State | None
    waits_for: list[str]

    @property
    def minutes(self) -> int | None:
        """Minutes of its test, without pauses of over `MAX_GAP_MIN`; None without a test. [min]"""
        if self.state is None:
            return None
        times_ms = [time for one in self.state.undoable if (time := epoch_ms(one.at)) is not None]
        gaps = (after - before for before, after in pairwise(times_ms))
        return round(sum(gap for gap in gaps if 0 < gap <= MAX_GAP_MIN * 60_000) / 60_000)


def shelved_units(shelf: Shelf) -> list[ShelvedUnit]:
    """Return every unit with its last test and what it waits for before it may go outdoors."""
    return [_shelved(shelf, unit) for unit in shelf.units()]


def shelf_rows(shelf: Shelf) -> list[tuple[Unit, SessionRow | None, list[str]]]:
    """Return every unit with its last test and what it waits for before it may go outdoors."""
    return [(one.unit, one.row, one.waits_for) for one in shelved_units(shelf)]


def _shelved(shelf: Shelf, unit: Unit) -> ShelvedUnit:
    try:
        tested = last_test(shelf, unit.tag)
    except FileFaults as faults:
        words = f"a prop file that can be read ({faults.faults[0]})"
        return ShelvedUnit(unit, shelf.sessions(unit.tag)[-1], None, [words])
    if tested is None:
        return ShelvedUnit(unit, None, None, ["a test"])
    row, state = tested
    return ShelvedUnit(unit, row, state, release_blockers(state, unit.stage))
