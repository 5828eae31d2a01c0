"""Sessions: each event is on disk before it is shown, and a session resumes where it stopped."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchtest.circuit.solution import solve
from benchtest.diagnosis import repair_scope
from benchtest.errors import FileFaults, InputError, RecordsFault
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.records.shelf import SessionConflict, Shelf
from benchtest.session.log.events import (
    Concluded,
    MarkMade,
    NoteMade,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    StageSet,
    VerdictGiven,
)
from benchtest.session.session import Session, shelf_rows, unfinished_sessions

Begin = Callable[..., Session]

EVENING: list[SessionEvent] = [
    *(VerdictGiven(strand, passed=strand != 4) for strand in (1, 2, 3, 4)),
    MarkMade("4", 4, "5-10", "warm"),
    ReadingTaken("all", "4B", 4.1),
    RepairDone("4A+", "reflowed"),
    VerdictGiven(4, passed=True),
    NoteMade("rain"),
]


def test_a_session_goes_on_where_it_stopped(begin: Begin, shelf: Shelf) -> None:
    session = begin()
    for what in EVENING:
        session.record(what)
        with Shelf(shelf.folder) as other:  # as another program sees the disk at this moment
            assert Session.resume(other, session.row.id).state == session.state
    again = Session.resume(shelf, session.row.id)
    assert again.events == session.events
    assert again.tag == "WF-03"
    assert again.meter == DEFAULT_METER


def test_times_are_kept_in_universal_time_and_in_order(begin: Begin) -> None:
    session = begin()
    for what in EVENING:
        session.record(what)
    stamps = [session.row.started_at, *(happened.at for happened in session.events)]
    times = [datetime.fromisoformat(stamp) for stamp in stamps]
    assert times == sorted(times)
    assert all(time.utcoffset() is not None and not time.utcoffset() for time in times)


def test_undo_takes_back_one_step_at_a_time(begin: Begin, shelf: Shelf) -> None:
    session = begin()
    states = [session.state]
    for what in EVENING:
        states.append(session.record(what))
    for what, before in zip(reversed(EVENING), reversed(states[:-1]), strict=True):
        assert session.undo() == [what]
        assert session.state == before
    assert session.undo() == []
    # nothing is forgotten: what was taken back is still in the record
    assert len(shelf.events(session.row.id)) == 2 * len(EVENING)


def test_undo_of_a_stage_takes_the_unit_back(begin: Begin, shelf: Shelf) -> None:
    session = begin()
    session.record(StageSet("soldered"))
    session.record(StageSet("sealed"))
    assert shelf.unit("WF-03").stage == "sealed"
    assert session.undo() == [StageSet("sealed", "soldered")]
    assert shelf.unit("WF-03").stage == "soldered"
    Session.resume(shelf, session.row.id).undo()
    assert shelf.unit("WF-03").stage == "bare"


@pytest.mark.parametrize(
    "what",
    [
        VerdictGiven(5, passed=True),
        MarkMade("1", 1, "11", "dark"),
        ReadingTaken("all", "9B", 4.0),
        ReadingTaken("all", "1B", 4000.0),
        ReadingTaken("all", "1B", float("nan")),
        RepairDone("9A+"),
        NoteMade("half \ud800"),
        Concluded(float("nan"), settled=True),
    ],
    ids=lambda what: what.kind,
)
def test_an_invalid_event_is_refused_and_not_kept(
    begin: Begin, shelf: Shelf, what: SessionEvent
) -> None:
    session = begin()
    before = session.record(VerdictGiven(1, passed=True))
    with pytest.raises(InputError):
        session.record(what)
    assert session.state == before
    assert len(shelf.events(session.row.id)) == len(session.events) == 1


def test_an_event_that_cannot_be_stored_leaves_the_state_unchanged(
    begin: Begin, shelf: Shelf
) -> None:
    session = begin()
    before = session.record(VerdictGiven(1, passed=True))
    with closing(sqlite3.connect(shelf.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(RecordsFault, match="another program"):
            session.record(VerdictGiven(2, passed=True))
        assert session.state == before
        assert len(session.events) == 1
        other.execute("ROLLBACK")
    assert session.record(VerdictGiven(2, passed=True)).verdicts == {1: True, 2: True}


def test_two_programs_in_one_session_get_a_conflict_and_lose_nothing(
    begin: Begin, shelf: Shelf
) -> None:
    session = begin()
    session.record(VerdictGiven(1, passed=True))
    with Shelf(shelf.folder) as elsewhere:
        other = Session.resume(elsewhere, session.row.id)
        other.record(VerdictGiven(2, passed=False))
        with pytest.raises(SessionConflict, match=r"another program .* WF-03"):
            session.record(VerdictGiven(2, passed=True))
        assert session.state == other.state
        session.record(VerdictGiven(3, passed=True))
        with pytest.raises(SessionConflict):
            other.undo()
        assert other.state == session.state
    assert [event.seq for event in shelf.events(session.row.id)] == [1, 2, 3]


def test_a_clock_that_was_set_back_does_not_make_an_old_session_the_last(
    shelf: Shelf, design_text: str
) -> None:
    evening = datetime(2026, 11, 25, 18, 0, tzinfo=UTC)
    clocks = [evening, evening - timedelta(days=400), evening - timedelta(days=200)]
    begun = [
        Session.start(shelf, design_text, "WF-03", DEFAULT_METER, clock=lambda now=now: now)  # type: ignore[misc]
        for now in clocks
    ]
    assert [row.id for row in shelf.sessions("WF-03")] == [session.row.id for session in begun]
    begun[-1].record(VerdictGiven(1, passed=True))
    assert [row.id for row in unfinished_sessions(shelf)] == [begun[-1].row.id]
    assert shelf_rows(shelf)[0][1] == begun[-1].row
    assert begun[1].row.started_at.startswith("2025-10-21")  # the time by that clock is kept


def test_a_repair_is_worked_out_once(begin: Begin, monkeypatch: pytest.MonkeyPatch) -> None:
    solved = []
    monkeypatch.setattr(
        repair_scope,
        "solve",
        lambda circuit, duty: solved.append(1) or solve(circuit, duty),  # type: ignore[func-returns-value]
    )
    session = begin()
    session.record(ReadingTaken("all", "4B", 4.1))
    session.record(RepairDone("4A+", "reflowed"))
    # the lit set of the one reading, with the joint good and as bad as it may have been, three ways
    assert len(solved) == 4


_KILLED = """
import os, signal, sys
from pathlib import Path
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import VerdictGiven
from benchtest.session.session import Session

with Shelf(Path(sys.argv[1])) as shelf:
    session = Session.start(shelf, sys.stdin.read(), "WF-03", DEFAULT_METER)
    state = session.record(VerdictGiven(1, passed=True))
    state = session.record(VerdictGiven(2, passed=False))
    print(sorted(state.verdicts.items()), flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_killed_programs_last_shown_state_is_on_disk(tmp_path: Path, design_text: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", _KILLED, str(tmp_path)],
        input=design_text, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == -9
    with Shelf(tmp_path) as shelf:
        (row,) = unfinished_sessions(shelf)
        state = Session.resume(shelf, row.id).state
    assert str(sorted(state.verdicts.items())) == done.stdout.strip()
    assert state.unmarked == [2]


def test_an_invalid_start_of_a_session_is_refused(
    begin: Begin, shelf: Shelf, design_text: str
) -> None:
    with pytest.raises(FileFaults, match=r"fan\.toml"):
        Session.start(shelf, "format = 1", "WF-03", DEFAULT_METER, file="fan.toml")
    with pytest.raises(InputError, match="write 1 to 40"):
        begin("../WF")
    assert shelf.units() == []
    begin("WF-03")
    other = design_text.replace("Small fan", "Tide arch")
    with pytest.raises(InputError, match="not a Tide arch"):
        Session.start(shelf, other, "WF-03", DEFAULT_METER)
    with pytest.raises(RecordsFault, match="not on this bench"):
        Session.resume(shelf, "none")


def test_a_finding_is_kept_in_words_and_numbers(begin: Begin) -> None:
    session = begin()
    session.record(VerdictGiven(1, passed=True))
    session.record(ReadingTaken("all", "4B", 2.9))
    finding = session.diagnose()
    session.conclude(finding)
    kept = session.state.concluded
    assert kept is not None
    assert kept.healthy == pytest.approx(finding.healthy, abs=1e-4)
    assert kept.settled == finding.next.settled
    assert [row["where"] for row in kept.suspects] == [s.where for s in finding.suspects][:8]
    assert kept.suspects
    assert session.undo() == [ReadingTaken("all", "4B", 2.9)]  # a finding is no step of a person


def test_a_prediction_agrees_with_the_diagnosis(begin: Begin) -> None:
    session = begin()
    lit, probe = all_lit(session.design), parse_probe("4B", session.design)
    expected_v, sd_v = session.healthy_volts(lit, probe)
    session.record(ReadingTaken("all", "4B", round(expected_v, 3)))
    (row,) = session.diagnose().readings
    assert row.expected == pytest.approx(expected_v, abs=1e-6)
    assert abs(row.z) < 0.1
    assert 0.0 < sd_v < 0.5


def test_only_the_last_session_of_a_unit_is_unfinished(begin: Begin, shelf: Shelf) -> None:
    first, second, other = begin("WF-03"), begin("WF-03"), begin("WF-04")
    assert {row.id for row in unfinished_sessions(shelf)} == {second.row.id, other.row.id}
    second.record(SignedOff("Ada"))
    assert {row.id for row in unfinished_sessions(shelf)} == {other.row.id}
    second.record(ReadingTaken("all", "4B", 4.6))  # work after a sign-off opens it again
    assert {row.id for row in unfinished_sessions(shelf)} == {second.row.id, other.row.id}
    assert first.row.id not in {row.id for row in unfinished_sessions(shelf)}


def test_the_shelf_shows_the_next_work_on_each_unit(begin: Begin, shelf: Shelf) -> None:
    begin("WF-04")
    session = begin("WF-03")
    for strand in (1, 2, 3, 4):
        session.record(VerdictGiven(strand, passed=True))
    session.record(ReadingTaken("all", "4B", 4.6))
    session.record(Concluded(0.98, settled=True))
    session.record(SignedOff("Ada"))
    rows = {unit.tag: items for unit, _, items in shelf_rows(shelf)}
    assert rows["WF-03"] == ["seal it, then retest"]
    assert rows["WF-04"][0] == "look at strands 1, 2, 3, 4"
    assert "sign-off" in rows["WF-04"]


def _tested(session: Session) -> None:
    for strand in (1, 2, 3, 4):
        session.record(VerdictGiven(strand, passed=True))
    session.record(ReadingTaken("all", "4B", 4.6))
    session.record(Concluded(0.98, settled=True))
    session.record(SignedOff("Ada"))


def test_a_unit_that_went_out_waits_for_nothing_until_it_is_back(
    begin: Begin, shelf: Shelf
) -> None:
    session = begin()
    session.record(StageSet("sealed"))
    _tested(session)
    waits = [shelf_rows(shelf)[0][2]]
    begin().record(StageSet("outdoors"))  # in a session of its own, as on another day
    waits.append(shelf_rows(shelf)[0][2])
    begin().record(StageSet("back"))
    waits.append(shelf_rows(shelf)[0][2])
    assert waits == [[], [], ["a test since it came back"]]
    assert shelf_rows(shelf)[0][1] == session.row
    _tested(again := begin())
    assert shelf_rows(shelf)[0][1:] == (again.row, [])


def test_sealing_in_a_session_of_its_own_asks_for_a_test_after_it(
    begin: Begin, shelf: Shelf
) -> None:
    _tested(session := begin())
    begin().record(StageSet("sealed"))
    assert shelf_rows(shelf)[0][1:] == (session.row, ["a test after sealing"])
    undone = begin()
    undone.record(VerdictGiven(1, passed=False))
    undone.undo()  # what was taken back tested nothing
    assert shelf_rows(shelf)[0][1:] == (session.row, ["a test after sealing"])


def test_a_prop_file_that_can_no_longer_be_read_hides_no_other_unit(
    begin: Begin, shelf: Shelf, design_text: str
) -> None:
    kept = begin("WF-03")
    odd = design_text.replace("format = 1", "format = 9")
    shelf.start_session("WF-04", "Small fan", odd, "2026-11-25T18:00:00+00:00", "0.5%+3/6000")
    rows = {unit.tag: waits for unit, _, waits in shelf_rows(shelf)}
    assert rows["WF-03"][0] == "look at strands 1, 2, 3, 4"
    assert rows["WF-04"][0].startswith("a prop file that can be read (format")
    assert [row.id for row in unfinished_sessions(shelf)] == [kept.row.id]


def test_the_shelf_opens_despite_invalid_events_of_another_bench(
    begin: Begin, shelf: Shelf
) -> None:
    session = begin()
    session.record(VerdictGiven(1, passed=True))
    for kind, data in (
        ("verdict", {"strand": 99, "passed": True}),
        ("mark", {"lit": "1", "strand": "x", "nodes": "1", "seen": "dark"}),
        ("finding", {"healthy": 1.0, "settled": True, "suspects": [{}]}),
        ("flexed", {"joint": "4A+"}),
    ):
        shelf.append(session.row.id, kind, data, "2026-11-25T18:00:00+00:00")
    assert Session.resume(shelf, session.row.id).state.verdicts == {1: True}
    assert len(shelf_rows(shelf)) == len(unfinished_sessions(shelf)) == 1


def test_a_copied_folder_is_a_whole_bench(begin: Begin, shelf: Shelf, tmp_path: Path) -> None:
    session = begin()
    for what in EVENING:
        session.record(what)
    shelf.close()
    shutil.copytree(shelf.folder, tmp_path / "copy")
    with Shelf(tmp_path / "copy") as copy:
        assert Session.resume(copy, session.row.id).state == session.state
