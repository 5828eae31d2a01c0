"""The supply's volts: used as typed, doubted where all rail volts are off alike, measured again."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchtest.circuit.prediction import predict
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.records.report import render_report
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.next_step import next_step
from benchtest.session.guidance.release import release_blockers
from benchtest.session.guidance.supply_doubt import supply_doubt
from benchtest.session.log.events import CheckMade, NotTaken, ReadingTaken, SignedOff, VerdictGiven
from benchtest.session.report.report_content import label_content, report_content
from benchtest.session.session import Session
from tests.props import SMALL_FAN
from tests.session.conftest import record_passed_checks

ASKED = [("1", "1A"), ("2 3", "2B"), ("2 3", "3A"), ("4", "4B"), ("1 4", "1B")]
Begin = Callable[..., Session]


def _tested(
    session: Session, supply_v: float, joint_ohm: dict[str, float] | None = None
) -> Session:
    """Record readings of a unit whose supply has the given volts."""
    fed = session.design.with_supply_volts({"main": supply_v})
    for strand in session.design.strands:
        session.record(VerdictGiven(strand.number, passed=True))
    for lit_text, probe_text in ASKED:
        lit, probe = parse_lit_set(lit_text, fed), parse_probe(probe_text, fed)
        volts = predict(fed, lit, [probe], joint_ohm).probes[0].volts
        session.record(ReadingTaken(lit_text, probe_text, round(volts, 3)))
    return session


@pytest.fixture
def typed(begin: Begin) -> Session:
    """A session whose supply was typed as 4.95 V."""
    session = record_passed_checks(begin())
    session.record(CheckMade("supply", "main", True, volts=4.95))
    return session


def test_a_typed_supply_is_what_healthy_volts_are_predicted_from(
    typed: Session, fan: Design
) -> None:
    lit, probe = parse_lit_set("1", fan), parse_probe("1A", fan)
    by_file = predict(fan, lit, [probe]).probes[0].volts
    # with one strand lit next to nothing is lost: 5.00 V of the file against 4.95 V as typed
    assert typed.healthy_volts(lit, probe)[0] == pytest.approx(by_file - 0.05, abs=0.002)
    _tested(typed, 4.95)
    finding = typed.diagnose()
    assert [round(row.z, 1) + 0.0 for row in finding.readings] == [0.0] * len(ASKED)
    assert supply_doubt(typed.state, finding) is None


def test_volts_that_are_all_as_low_name_the_supply_and_it_is_measured_again_under_load(
    typed: Session,
) -> None:
    _tested(typed, 4.86)
    finding = typed.diagnose()
    doubt = supply_doubt(typed.state, finding)
    assert doubt is not None
    # the readings are rounded to a millivolt, so the middle of them lies within half of one
    start, end = (
        "All 5 readings of rail volts lie ",
        " mV lower than the supply typed as 4.95 V allows",
    )
    assert (doubt.words[: len(start)], doubt.words[-len(end) :]) == (start, end)
    assert float(doubt.words[len(start) : -len(end)]) == pytest.approx(90.0, abs=1.0)
    advice = next_step(typed.state, finding)
    assert (advice.task, advice.check, advice.may_skip) == ("check", ("supply", "main"), True)
    assert "measure the supply again under load" in advice.text
    typed.record(CheckMade("supply", "main", True, volts=4.86, lit="2 3"))
    assert typed.state.concluded is None
    again = typed.diagnose()
    assert supply_doubt(typed.state, again) is None
    assert max(abs(row.z) for row in again.readings) < 0.2
    assert next_step(typed.state, again).check is None


def test_a_supply_is_asked_for_once(typed: Session) -> None:
    _tested(typed, 4.86)
    typed.record(NotTaken("2-3", "main"))
    finding = typed.diagnose()
    assert supply_doubt(typed.state, finding) is not None
    assert next_step(typed.state, finding).check is None


def test_a_bad_joint_of_a_feed_raises_no_supply_doubt(typed: Session) -> None:
    # its drop follows the current, from one strand's to two strands'
    _tested(typed, 4.95, {"main+": 0.3})
    assert supply_doubt(typed.state, typed.diagnose()) is None


def test_a_unit_whose_volts_are_below_what_a_node_needs_is_not_called_passed(
    begin: Begin,
) -> None:
    session = _tested(begin(), 4.4)
    session.record(SignedOff("Ada"))
    content = report_content(session)
    assert not content.good
    assert not content.verdict.startswith(("Passed", "May go"))
    assert any("where a node needs 4.5 V" in words for words in content.waits_for)
    assert "where a node needs" in render_report(content)


def test_low_volts_are_on_the_label_and_keep_a_unit_indoors(begin: Begin) -> None:
    """They used to be in the report only."""
    session = _tested(begin(), 4.4)
    session.conclude(session.diagnose(), 4.2)
    session.record(SignedOff("Ada"))
    low = "volts: only 4.20 V at full white, where a node needs 4.5 V"
    assert low in release_blockers(session.state, "sealed")
    label = label_content(session.shelf, session.tag)
    assert not label.good
    assert label.result.startswith("Signed off with")
    session.conclude(session.diagnose(), 4.6)
    assert low not in release_blockers(session.state, "sealed")


RIGHT = """
[[feed]]
name = "right"
at = "foot:4"
volts = 5.0
wire = "16 AWG"
length_mm = 1500.0
fuse_a = 1.0
supply_a = 10.0
"""
HALVES = SMALL_FAN.replace(
    '''name = "foot"
joins = "A"''',
    """name = "foot"
joins = ["1A", "2A"]""",
).replace(
    '''name = "crown"
joins = "B"''',
    """name = "crown"
joins = ["3A", "4A"]""",
)
TWO_FEEDS = {"one copper": SMALL_FAN + RIGHT, "halves": HALVES + RIGHT.replace("foot:4", "crown:4")}
ENDS = [("1", "1A"), ("2 3", "2B"), ("2 3", "3A"), ("4", "4B"), ("1 4", "1B"), ("all", "4A"),
        ("all", "2A"), ("3", "3B")]  # fmt: skip


def _two_fed(
    shelf: Shelf, design_text: str, supply_v: dict[str, float], joint_ohm: dict[str, float]
) -> Session:
    """Record readings of a unit with two supplies, typed as 5 V each, that have the given volts."""
    session = record_passed_checks(Session.start(shelf, design_text, "WF-03", DEFAULT_METER))
    for name in ("main", "right"):
        session.record(CheckMade("supply", name, True, volts=5.0))
    fed = session.design.with_supply_volts(supply_v)
    for strand in session.design.strands:
        session.record(VerdictGiven(strand.number, passed=True))
    for lit_text, probe_text in ENDS:
        lit, probe = parse_lit_set(lit_text, fed), parse_probe(probe_text, fed)
        volts = predict(fed, lit, [probe], joint_ohm).probes[0].volts
        session.record(ReadingTaken(lit_text, probe_text, round(volts, 3)))
    return session


@pytest.mark.parametrize("wrong", ["main", "right"])
@pytest.mark.parametrize("shape", list(TWO_FEEDS))
def test_of_two_supplies_the_one_that_explains_all_readings_is_measured_again(
    shelf: Shelf, shape: str, wrong: str
) -> None:
    session = _two_fed(shelf, TWO_FEEDS[shape], {wrong: 4.85}, {})
    finding = session.diagnose()
    doubt = supply_doubt(session.state, finding)
    assert doubt is not None
    assert doubt.feed == wrong
    assert f" fit a supply of 4.85 V at feed {wrong}, lower than typed as 5 V" in doubt.words
    advice = next_step(session.state, finding)
    assert (advice.task, advice.check) == ("check", ("supply", wrong))
    assert f"measure the supply of feed {wrong} again under load" in advice.text
    session.record(CheckMade("supply", wrong, True, volts=4.85, lit="all"))
    again = session.diagnose()
    assert supply_doubt(session.state, again) is None
    assert max(abs(row.z) for row in again.readings) < 0.5


@pytest.mark.parametrize(
    "joint_ohm", [{}, {"main+": 0.3}, {"2A+": 0.5}], ids=["sound", "feed", "strand"]
)
@pytest.mark.parametrize("shape", list(TWO_FEEDS))
def test_sound_supplies_of_a_prop_with_two_feeds_are_not_doubted(
    shelf: Shelf, shape: str, joint_ohm: dict[str, float]
) -> None:
    session = _two_fed(shelf, TWO_FEEDS[shape], {}, joint_ohm)
    assert supply_doubt(session.state, session.diagnose()) is None
