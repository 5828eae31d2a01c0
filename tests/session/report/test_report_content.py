"""Content of a report: the session as it is, without undone events."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime

import pytest

from benchtest.diagnosis import Finding, NextReading, Ohms, Suspect
from benchtest.records.report import render_report
from benchtest.session.log.events import (
    Concluded,
    MarkMade,
    NoteMade,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    StageSet,
    Struck,
    VerdictGiven,
)
from benchtest.session.report.report_content import report_content
from benchtest.session.session import Session

SETTLED = NextReading(None, None, 0.0, settled=True)
CLEAR = Finding(0.97, (), (), SETTLED, (), 0.04)
ALL_PASS: list[SessionEvent] = [VerdictGiven(strand, passed=True) for strand in (1, 2, 3, 4)]


@pytest.fixture
def session(begin: Callable[..., Session]) -> Session:
    """A session in which nothing has happened."""
    return begin()


def _record(session: Session, *whats: SessionEvent) -> None:
    for what in whats:
        session.record(what)


def test_an_empty_session_has_a_report(session: Session) -> None:
    content = report_content(session)
    assert (content.tag, content.design.name, content.stage) == ("WF-03", "Small fan", "bare")
    assert (content.verdict, content.good, content.healthy) == ("Not yet", False, None)
    assert [line.verdict for line in content.strands] == ["not looked at"] * 4
    assert "look at strands 1, 2, 3, 4" in content.waits_for
    assert "WF-03" in render_report(content)


def test_strands_show_verdicts_and_marks(session: Session) -> None:
    _record(
        session, VerdictGiven(1, passed=True), VerdictGiven(2, passed=False),
        MarkMade("2", 2, "7", "dark"), MarkMade("2", 2, "8-10", "warm"),
    )  # fmt: skip
    lines = report_content(session, CLEAR).strands
    assert [(line.number, line.nodes, line.verdict, line.marks) for line in lines[:3]] == [
        (1, 10, "passed", ""),
        (2, 10, "failed", "7 dark, 8-10 warm"),
        (3, 10, "not looked at", ""),
    ]


def test_readings_have_the_value_expected_of_a_healthy_unit(session: Session) -> None:
    _record(
        session, *ALL_PASS, ReadingTaken("1 3", "4B", 4.9), ReadingTaken("all", "main", None, 1.4)
    )
    content = report_content(session)
    volts, amps = content.readings
    assert (volts.lit, volts.probe, volts.value, volts.unit) == ("1 3", "4B", 4.9, "V")
    assert (amps.probe, amps.value, amps.unit) == ("main", 1.4, "A")
    assert amps.expected == pytest.approx(1.47, abs=0.1)
    assert volts.z == pytest.approx((volts.value - volts.expected) / volts.sd, rel=0.05)
    assert content.healthy is not None


def test_readings_before_a_repair_are_old_and_stay_on_the_page(session: Session) -> None:
    _record(
        session, *ALL_PASS, ReadingTaken("4", "4A", 3.9), ReadingTaken("1", "1A", 4.9),
        RepairDone("4A+", "reflowed"), ReadingTaken("4", "4A", 4.95),
    )  # fmt: skip
    content = report_content(session)
    assert [(line.probe, line.value, line.stale) for line in content.readings] == [
        ("4A", 3.9, True), ("1A", 4.9, False), ("4A", 4.95, False),
    ]  # fmt: skip
    ((_, where, what),) = content.repairs
    assert (where, what) == ("4A+", "reflowed")


def test_readings_that_no_longer_count_keep_their_number_and_show_why(session: Session) -> None:
    _record(
        session, *ALL_PASS, ReadingTaken("all", "4A", 3.9), ReadingTaken("all", "1A", 4.9),
        ReadingTaken("all", "2A", 4.9), Struck(6), ReadingTaken("all", "4A", 4.9, again=5),
    )  # fmt: skip
    content = report_content(session)
    rows = [(line.number, line.probe, line.stale, line.why) for line in content.readings]
    assert rows == [
        (1, "4A", True, "retaken"), (2, "1A", True, "struck out"), (3, "2A", False, ""),
        (4, "4A", False, ""),
    ]  # fmt: skip
    # 3.9 V is as far from a healthy unit's on the page, whether it counts or not
    assert content.readings[0].z == pytest.approx(-1.0 / content.readings[0].sd, rel=0.15)
    assert "<small>struck out</small>" in render_report(content)


def test_undone_events_are_not_on_the_page(session: Session) -> None:
    _record(session, RepairDone("4A+"))
    session.undo()
    _record(session, NoteMade("slip"))
    session.undo()
    _record(session, NoteMade("rain"), SignedOff("Ada"))
    session.undo()
    content = report_content(session, CLEAR)
    assert (content.repairs, content.notes) == ([], ("rain",))
    assert (content.signed_by, content.signed_at) == (None, None)


def test_the_sign_off_on_the_page_is_the_one_that_counts(session: Session) -> None:
    _record(session, SignedOff("Ada", "fine"))
    for _ in range(600):
        session.clock()  # ten minutes later
    _record(session, SignedOff("Ben"))
    session.undo()
    content = report_content(session, CLEAR)
    assert (content.signed_by, content.comment) == ("Ada", "fine")
    local = datetime.fromisoformat(session.events[0].at).astimezone()
    assert content.signed_at == local.strftime("%Y-%m-%d %H:%M")


def test_only_suspects_that_keep_a_unit_indoors_are_named(session: Session) -> None:
    suspects = (
        Suspect("4A+", "resistive", 0.8, Ohms(0.4, 0.6, 0.9)),
        Suspect("2B-", "open", 0.05),
    )
    content = report_content(session, Finding(0.1, suspects, (), SETTLED, (), 0.04))
    (line,) = content.suspects
    assert (line.where, line.ohms, line.probability) == ("4A+", 0.6, 0.8)
    assert "4A+" in line.repair
    assert content.cleared_mohm is None  # nothing is cleared while something is wrong
    assert report_content(session, CLEAR).cleared_mohm == pytest.approx(40.0)


def test_the_verdict_follows_the_sign_off_and_the_stage(session: Session) -> None:
    read = ReadingTaken("all", "4B", 4.6)
    _record(session, *ALL_PASS, read, Concluded(0.97, settled=True))
    told = [report_content(session, CLEAR)]
    session.record(SignedOff("Ada"))
    told.append(report_content(session, CLEAR))
    assert [(content.verdict, content.good) for content in told] == [
        ("Not yet", False),
        ("Passed on the bench", True),
    ]
    assert told[-1].waits_for == ["seal it, then retest"]
    _record(session, StageSet("sealed"))
    assert report_content(session, CLEAR).waits_for == ["a test after sealing"]


def test_a_sealed_unit_that_is_tested_may_go_out(session: Session) -> None:
    _record(
        session, StageSet("sealed"), *ALL_PASS, ReadingTaken("all", "4B", 4.6),
        Concluded(0.97, settled=True), SignedOff("Ada"),
    )  # fmt: skip
    content = report_content(session, CLEAR)
    assert (content.verdict, content.good, content.waits_for) == ("May go outdoors", True, [])


def test_a_report_has_the_stage_set_by_a_later_session(session: Session) -> None:
    read = ReadingTaken("all", "4B", 4.6)
    _record(session, *ALL_PASS, read, Concluded(0.97, settled=True), SignedOff("Ada"))
    text, meter = session.row.design_text, session.meter
    later = Session.start(session.shelf, text, session.tag, meter, session.clock)
    later.record(StageSet("sealed"))
    content = report_content(session, CLEAR)
    assert (content.verdict, content.stage) == ("Passed on the bench", "sealed")
    assert content.waits_for == ["a test after sealing"]


def test_a_signed_unit_with_something_open_is_not_called_good(session: Session) -> None:
    _record(session, *ALL_PASS[:3], VerdictGiven(4, passed=False), SignedOff("Ada"))
    content = report_content(session, CLEAR)
    assert not content.good
    assert content.verdict == "Signed off with work left"
    assert "strand 4 failed" in content.waits_for


def test_times_are_written_for_people(session: Session) -> None:
    _record(session, NoteMade("rain"))
    content = report_content(session, CLEAR)
    for stamp in (content.started_at, content.ended_at):
        assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d", stamp)
