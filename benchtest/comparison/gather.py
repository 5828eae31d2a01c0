"""Comparison of the tests of one unit, or of the last tests of all units of a design.

The tests are gathered from the shelf first. Comparing them takes some tenths of a second each and
no shelf, so that a worker thread can do it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from benchtest.comparison.report import (
    BatchComparison,
    ComparedChange,
    ComparedTest,
    JointResistance,
    JointRow,
    OutlierLine,
    UnitComparison,
)
from benchtest.diagnosis import Engine
from benchtest.diagnosis.batch import (
    JointChange,
    JointOhms,
    UnitReadings,
    changes_between,
    ohms_of_sessions,
    outlier_joints,
)
from benchtest.diagnosis.thresholds import MIN_UNITS_FOR_OUTLIERS
from benchtest.errors import FileFaults, InputError
from benchtest.input_files import printable
from benchtest.prop.design import Design
from benchtest.prop.reader import parse_design
from benchtest.records.models import SessionRow
from benchtest.records.shelf import Shelf
from benchtest.session.log.power_checks import with_measured_supplies
from benchtest.session.log.reading_list import describe_odd_reading
from benchtest.session.log.state import State, fold
from benchtest.session.report.unit_history import local_time, unit_readings, units_of, wiring_key
from benchtest.session.session import decode_events

MAX_TESTS = 8
"""Number of tests of one unit in a comparison, unless some are chosen: the first and the last."""


@dataclass(frozen=True)
class Gathered:
    """Tests that can be compared, read from the shelf.

    Attributes:
        name: name of the unit or of the design.
        design: the design of the newest test.
        tests: the tests; of one unit, earliest first.
        sessions: their sessions, each with its last state.
        left_out: tests that cannot be compared, each with the reason.
    """

    name: str
    design: Design
    tests: tuple[ComparedTest, ...]
    sessions: tuple[tuple[SessionRow, State], ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Read:
    row: SessionRow
    state: State


def gather_tests(shelf: Shelf, tag: str, chosen: Sequence[str] = (), upto: str = "") -> Gathered:
    """Gather the tests of a unit for a comparison.

    Args:
        shelf: the records.
        tag: the unit.
        chosen: tests, each by its date or by the first letters of its record's id; empty for all.
        upto: id of the last session to consider; empty for all.

    Raises:
        NameFault: no unit has that tag.
        InputError: a chosen test does not exist, or fewer than two tests have readings.
    """
    shelf.unit(tag)
    read, left_out = _read_all(shelf, shelf.sessions(tag), upto)
    repaired = _repairs(read)
    tests = [one for one in read if one.state.readings]
    if chosen:
        tests = _chosen(tests, tag, chosen)
        left_out = []
    if not tests:
        raise InputError(f"unit {tag}: no test of it has readings yet, so nothing can be compared")
    design = tests[-1].state.design
    fit = [one for one in tests if wiring_key(one.state.design) == wiring_key(design)]
    left_out += [f"{_day(one)}: the prop was wired differently" for one in tests if one not in fit]
    if len(fit) > MAX_TESTS and not chosen:
        left_out.append(f"{len(fit) - MAX_TESTS} tests between the first and the last ones")
        fit = [fit[0], *fit[len(fit) - MAX_TESTS + 1 :]]
    if len(fit) < 2:
        raise InputError(
            f"unit {tag}: only one test with readings of this wiring so far; comparing needs two"
            + "".join(f". Left out: {why}" for why in left_out)
        )
    done = [repaired[one.row.id] for one in fit]
    since = [(), *(now[len(before) :] for before, now in pairwise(done))]
    compared = [_compared(one, new) for one, new in zip(fit, since, strict=True)]
    return Gathered(tag, design, tuple(compared), tuple(map(_session, fit)), tuple(left_out))


def gather_units(shelf: Shelf, design_name: str) -> Gathered:
    """Gather the last test with readings of every unit of a design.

    Raises:
        NameFault: the bench has no unit of that design.
        InputError: no unit has readings.
    """
    last: list[_Read] = []
    left_out = []
    for unit in units_of(shelf, design_name):
        read, why = _read_all(shelf, shelf.sessions(unit.tag))
        with_readings = [one for one in read if one.state.readings]
        if with_readings:
            last.append(with_readings[-1])
        left_out += [f"{unit.tag}, {words}" for words in why]
        if not with_readings:
            left_out.append(f"{unit.tag}: has no readings")
    if not last:
        raise InputError(f'design "{design_name}": none of its units has readings yet')
    design = max(last, key=lambda one: one.row.started_at).state.design
    fit = [one for one in last if wiring_key(one.state.design) == wiring_key(design)]
    left_out += [f"{one.row.tag}: is wired differently" for one in last if one not in fit]
    tests = tuple(_compared(one) for one in fit)
    return Gathered(design_name, design, tests, tuple(map(_session, fit)), tuple(left_out))


def _read_all(
    shelf: Shelf, rows: Sequence[SessionRow], upto: str = ""
) -> tuple[list[_Read], list[str]]:
    """Return the sessions that can be read, and a line about each that cannot."""
    read, left_out = [], []
    for row in rows:
        try:
            design = parse_design(row.design_text, f"record of {row.tag}")
        except FileFaults:
            left_out.append(f"{local_time(row.started_at)}: its prop file can no longer be read")
        else:
            read.append(_Read(row, fold(decode_events(shelf.events(row.id)), design)))
        if row.id == upto:
            break
    return read, left_out


def _repairs(read: Sequence[_Read]) -> dict[str, tuple[str, ...]]:
    """Return the repairs up to the end of each session, by its id, in order."""
    done: tuple[str, ...] = ()
    upto = {}
    for one in read:
        done = (*done, *(repair.where for repair in one.state.repairs))
        upto[one.row.id] = done
    return upto


def _chosen(tests: Sequence[_Read], tag: str, names: Sequence[str]) -> list[_Read]:
    """Return the tests that are named, earliest first."""
    listed = ", ".join(f"{local_time(one.row.started_at)} ({one.row.id[:8]})" for one in tests)
    picked = []
    for name in names:
        fit = [one for one in tests if _is_named(one, name)]
        if len(fit) != 1:
            many = f"names {len(fit)} tests" if fit else "names no test with readings"
            raise InputError(
                f'unit {tag}: "{printable(name)}" {many}; give a date, or the first letters of '
                f"a record, of: {listed or 'none yet'}"
            )
        picked += fit
    if len({one.row.id for one in picked}) < len(picked):
        raise InputError(f"unit {tag}: the same test is named twice; give two of: {listed}")
    return [one for one in tests if one in picked]


def _is_named(one: _Read, name: str) -> bool:
    day = len(name) >= len("2026-11-25") and local_time(one.row.started_at).startswith(name)
    return day or (len(name) >= 4 and one.row.id.startswith(name.lower()))


def _day(one: _Read) -> str:
    return local_time(one.row.started_at)[:10]


def _session(one: _Read) -> tuple[SessionRow, State]:
    return one.row, one.state


def _accepted(gathered: Gathered) -> tuple[list[UnitReadings], tuple[ComparedTest, ...], list[str]]:
    """Return the accepted readings of each test, the tests, and a line about each rejected one."""
    engines: list[Engine] = []
    seen, tests, aside = [], [], []
    for (row, state), test in zip(gathered.sessions, gathered.tests, strict=True):
        design = with_measured_supplies(state.design, state.checks)
        engine = next((one for one in engines if one.design == design), None)
        if engine is None:
            engine = Engine(design)
            engines.append(engine)
        unit = unit_readings(row, state, engine)
        seen.append(unit)
        tests.append(replace(test, readings=len(unit.readings)))
        gone = [
            one
            for one in state.taken
            if one.counts and not any(one.reading is kept for kept in unit.readings)
        ]
        aside += [f"{test.tag}, {test.date}: {describe_odd_reading(one)}" for one in gone]
    return seen, tuple(tests), aside


def _compared(one: _Read, repaired: Sequence[str] = ()) -> ComparedTest:
    row = one.row
    when = local_time(row.started_at)
    count = len(one.state.readings)
    return ComparedTest(
        row.id, when, row.started_at, count, row.tag, tuple(dict.fromkeys(repaired))
    )


def compare_unit(gathered: Gathered) -> UnitComparison:
    """Compare the tests of one unit.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    seen, tests, aside = _accepted(gathered)
    ohms = ohms_of_sessions(gathered.design, seen)
    changes = _Trend(ohms, [test.repaired for test in tests]).changes()
    return UnitComparison(
        gathered.name,
        gathered.design.name,
        tests,
        _rows(ohms),
        sorted(changes, key=_worst_first),
        (*gathered.left_out, *aside),
    )


def compare_batch(gathered: Gathered) -> BatchComparison:
    """Compare the units of one design.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    seen, tests, aside = _accepted(gathered)
    ohms = ohms_of_sessions(gathered.design, seen)
    by_tag = {test.tag: rows for test, rows in zip(tests, ohms, strict=True)}
    unlike = [
        OutlierLine(
            odd.tag, odd.where, _band(_named(by_tag[odd.tag], odd.where)), odd.usual_ohm,
            odd.probability,
        )
        for odd in outlier_joints(by_tag)
    ]  # fmt: skip
    return BatchComparison(
        gathered.name,
        tests,
        _rows(ohms),
        unlike,
        MIN_UNITS_FOR_OUTLIERS,
        (*gathered.left_out, *aside),
    )


class _Trend:
    """Changes over the tests of a unit, from pairs of tests, without a fitted line.

    The last test is compared with every test since the joint was last repaired; growth beyond noise
    in any pair is a change. The effect of a repair comes from the tests before and after it alone.
    """

    def __init__(
        self, ohms: Sequence[Sequence[JointOhms]], repaired: Sequence[Sequence[str]]
    ) -> None:
        self.ohms = ohms
        self.repaired = repaired
        self._pairs: dict[tuple[int, int], dict[str, JointChange]] = {}

    def changes(self) -> list[ComparedChange]:
        """Return the changes of all joints, in the order of the prop file."""
        names = [row.where for row in self.ohms[0]]
        found = [self._change(place, name) for place, name in enumerate(names)]
        return [change for change in found if change is not None]

    def _change(self, place: int, where: str) -> ComparedChange | None:
        last = len(self.ohms) - 1
        works = [test for test, names in enumerate(self.repaired) if where in names]
        start = works[-1] if works else 0
        moved = [
            (test, change)
            for test in range(start, last)
            if (change := self._between(test, last, where)).beyond_noise
        ]
        grown = [(test, change) for test, change in moved if change.grown > 0.5]
        if grown:
            running = self._running(where, start)
            return self._shown(place, grown[0][0], last, grown[0][1], running)
        if moved:
            return self._shown(place, moved[-1][0], last, moved[-1][1])
        if start > 0 and (change := self._between(start - 1, start, where)).beyond_noise:
            return self._shown(place, start - 1, start, change, remade=True)
        return None

    def _running(self, where: str, start: int) -> int:
        """Return the number of consecutive tests with growth, up to the last."""
        running = 0
        for test in range(len(self.ohms) - 1, start, -1):
            change = self._between(test - 1, test, where)
            if not (change.beyond_noise and change.grown > 0.5):
                break
            running += 1
        return max(running, 1)

    def _between(self, earlier: int, later: int, where: str) -> JointChange:
        key = (earlier, later)
        if key not in self._pairs:
            changes = changes_between(self.ohms[earlier], self.ohms[later])
            self._pairs[key] = {change.where: change for change in changes}
        return self._pairs[key][where]

    def _shown(
        self,
        place: int,
        earlier: int,
        later: int,
        change: JointChange,
        running: int = 1,
        remade: bool = False,
    ) -> ComparedChange:
        before, after = (_band(self.ohms[test][place]) for test in (earlier, later))
        return ComparedChange(
            change.where, earlier, later, before, after, change.factor, change.grown, running,
            remade,
        )  # fmt: skip


def _worst_first(change: ComparedChange) -> tuple[bool, float, float]:
    return change.direction == "fell", -change.after.at_fault, -change.factor[1]


def _rows(ohms: Sequence[Sequence[JointOhms]]) -> list[JointRow]:
    return [
        JointRow(rows[0].where, [_band(row) for row in rows]) for rows in zip(*ohms, strict=True)
    ]


def _named(rows: Sequence[JointOhms], where: str) -> JointOhms:
    return next(row for row in rows if row.where == where)


def _band(row: JointOhms) -> JointResistance:
    return JointResistance(
        row.ohms.low, row.ohms.best, row.ohms.high, row.shown_ohm, row.raised, row.at_fault
    )
