"""Supply volts measured before power replace the design's if a prop has several supplies."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest

from benchtest.circuit.network import Circuit
from benchtest.comparison.gather import compare_unit, gather_tests
from benchtest.diagnosis import Engine
from benchtest.diagnosis.batch.learn import learn
from benchtest.diagnosis.batch.model import UnitReadings
from benchtest.diagnosis.model.faults import Priors
from benchtest.errors import InputError
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.records.json_lines import export_lines
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import CheckMade, ReadingTaken
from benchtest.session.log.power_checks import (
    CheckKey,
    judge_check,
    measured_supplies,
    parse_supplies,
    with_measured_supplies,
)
from benchtest.session.report.export_tables import exported_evidence
from benchtest.session.session import Session
from benchtest.wording import finding_json
from tests.diagnosis.conftest import Bench

TEXT = files("benchtest.virtual").joinpath("gull-wing.toml").read_text("utf-8")
WING = parse_design(TEXT, "gull-wing")
LEFT: CheckKey = ("supply", "left")
RIGHT: CheckKey = ("supply", "right")


def _checks(left: str, right: str) -> dict[CheckKey, CheckMade]:
    made = [judge_check(WING, LEFT, left), judge_check(WING, RIGHT, right)]
    return {(one.check, one.feed): one for one in made}


def _bench(left_v: float, right_v: float, times: dict[str, float]) -> Bench:
    """Return a unit as designed, except for supply volts and the factors of joint resistance."""
    bench = Bench(WING, {}, seed=1)
    feeds = [replace(f, volts=v) for f, v in zip(WING.feeds, (left_v, right_v), strict=True)]
    bench.truth = replace(WING, feeds=tuple(feeds))
    ohms = {joint.name: joint.ohm * times.get(joint.name, 1.0) for joint in power_joints(WING)}
    bench.circuit, bench.gain = Circuit(bench.truth, ohms), 1.0
    return bench


@pytest.fixture(scope="module")
def supplied() -> Design:
    return with_measured_supplies(WING, _checks("5.05", "4.92"))


def test_measured_volts_replace_those_of_the_design(supplied: Design) -> None:
    assert [feed.volts for feed in supplied.feeds] == [5.05, 4.92]
    assert with_measured_supplies(WING, {}) is WING
    one = judge_check(WING, LEFT, "5.05")
    assert [feed.volts for feed in with_measured_supplies(WING, {LEFT: one}).feeds] == [5.05, 5.0]


def test_a_failed_skipped_or_unmeasured_supply_keeps_the_designs_volts() -> None:
    failed = judge_check(WING, LEFT, "4.1")
    assert failed.passed is False
    for made in (failed, CheckMade("supply", "left", None), CheckMade("supply", "left", True)):
        assert with_measured_supplies(WING, {LEFT: made}) is WING


def test_one_supply_alone_has_its_measured_volts_too() -> None:
    fan = parse_design(
        files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8"), "willow-fan"
    )
    key: CheckKey = ("supply", fan.feeds[0].name)
    measured = with_measured_supplies(fan, {key: judge_check(fan, key, "4.93")})
    assert [feed.volts for feed in measured.feeds] == [4.93]


DROPS = (
    ("all", "2A->3A-"), ("4", "2A->3A-"), ("3", "2A->3A-"), ("3 4", "2A->3A-"),
    ("all", "2A+>3A+"), ("4", "2A+>3A+"), ("all", "right+>4A+"), ("all", "right->4A-"),
)  # fmt: skip


def _apart(count: int = len(DROPS)) -> tuple[list[Reading], dict[str, float]]:
    """Return readings of a sound unit with supplies 0.25 V apart, and the supplies' volts."""
    unit = _bench(5.15, 4.9, {"2A~3A-": 3.0})
    asked = [(parse_lit_set(lit, WING), parse_probe(probe, WING)) for lit, probe in DROPS[:count]]
    readings = [unit.read(*ask) for ask in asked]
    return readings, measured_supplies(WING, _checks("5.15", "4.9"))


def test_a_sound_unit_on_unequal_supplies_is_accused_only_unmeasured() -> None:
    """The link carries more current on both rails than the nodes draw, as a short would.

    One joint explains only its own rail. Drops alone do not settle it: rail volts are requested.
    """
    readings, volts = _apart()
    unmeasured = Engine(WING).diagnose(readings)
    assert unmeasured.suspects[0].fault == "short"
    assert unmeasured.healthy < 0.1
    assert not unmeasured.next.settled
    assert unmeasured.next.probe is not None
    assert unmeasured.next.probe.is_rail
    known = Engine(WING.with_supply_volts(volts)).diagnose(readings)
    assert known.looks_healthy
    assert known.healthy > 0.9


@pytest.mark.parametrize("count", [2, len(DROPS)])
def test_volts_at_the_feeds_clear_a_sound_unit_on_unequal_supplies(count: int) -> None:
    """With all requested readings, supplies 3.5 standard deviations apart explain everything."""
    readings, _ = _apart(count)
    unit, engine = _bench(5.15, 4.9, {"2A~3A-": 3.0}), Engine(WING)
    finding = engine.diagnose(readings)
    while finding.next.probe is not None:
        assert finding.next.lit is not None
        readings.append(unit.read(finding.next.lit, finding.next.probe))
        assert len(readings) <= count + 6
        finding = engine.diagnose(readings)
    assert finding.next.settled
    assert finding.healthy > 0.9
    # still judged by the design's supplies: one is off by more than its tolerance
    at_left = next(row for row in finding.readings if str(row.reading.probe) == "left")
    assert at_left.z > 2.0


def test_drops_on_one_rail_accuse_the_feed_that_gives_too_little() -> None:
    """Without the other feed's fuse, the amperes in this link would flow the other way."""
    readings, volts = _apart(2)
    unmeasured = Engine(WING).diagnose(readings)
    assert {suspect.where for suspect in unmeasured.suspects[:3]} == {"right", "right+", "right-"}
    of_right = [s.probability for s in unmeasured.suspects if s.where.startswith("right")]
    assert sum(of_right) > 0.7
    of_left = [
        s.probability for s in unmeasured.suspects if s.where == "left" and s.fault == "open"
    ]
    assert sum(of_left) < 0.02
    assert Engine(WING.with_supply_volts(volts)).diagnose(readings).looks_healthy


def test_measured_supplies_do_not_raise_the_learned_fault_rate() -> None:
    readings, volts = _apart(2)
    unmeasured = learn(WING, [UnitReadings("GW-01", readings)])
    known = learn(WING, [UnitReadings("GW-01", readings, supply_v=volts)])
    assert unmeasured.priors.resistive > Priors().resistive > known.priors.resistive
    # the volts are that unit's own: the next one has the design's, until it is measured
    assert [feed.volts for feed in known.design.feeds] == [5.0, 5.0]


def test_an_exchanged_supply_is_not_reported_as_a_joint_change(shelf: Shelf) -> None:
    """One sound unit in two years, on other supplies and with another meter."""
    years: tuple[tuple[str, str, str], ...] = (
        ("5.01", "5.03", "all 2A 4.831, 3-4 3A 4.922, 1 3 3A 4.929"),
        ("4.96", "4.98", "all 2A 4.785, all 1B 4.813, 1-2 1B 4.868, all 4B 4.815, "
         "3-4 3B+>4B+ -0.0013, 1-2 3B 4.909, 1-2 1B->2B- -0.0025, 3-4 1B->2B- -0.0091, "
         "3-4 2A+>3A+ 0.0032, 3-4 left+>1A+ 0.0025"),
    )  # fmt: skip
    for left, right, readings in years:
        for tag in ("GW-01", "GW-02"):
            session = Session.start(shelf, TEXT, tag, DEFAULT_METER)
            if tag == "GW-01":
                for made in _checks(left, right).values():
                    session.record(made)
            for words in readings.split(", "):
                lit, probe, volts = words.rsplit(" ", 2)
                session.record(ReadingTaken(lit, probe, float(volts)))
    for tag in ("GW-01", "GW-02"):  # measured before power, and not
        assert compare_unit(gather_tests(shelf, tag)).changes == []


def test_typed_supplies_are_accepted_or_refused_with_a_remedy() -> None:
    assert parse_supplies(WING, ["left=5.05", " right = 4.92 V"]) == {"left": 5.05, "right": 4.92}
    assert parse_supplies(WING, []) == {}
    for texts, words in (
        (["5.05"], "write feed=volts, such as left=5.00"),
        (["lef=5.05"], 'feed "lef": the prop has none of that name; did you mean "left"'),
        (
            ["left=5,05"],
            'feed left: volts: "5,05" is not a number; write it with a decimal point: 5.05',
        ),
        (
            ["left=50.5"],
            "feed left: .50.5. must be within 5 % of 5 V, and at most 5.3 V; measure again",
        ),
        (["left=5", "left=5.1"], "feed left: is given twice"),
    ):
        with pytest.raises(InputError, match=words):
            parse_supplies(WING, texts)


@pytest.mark.parametrize("where", ["2A~3A+", "right-"])
def test_a_bad_joint_is_named_on_unequal_measured_supplies(supplied: Design, where: str) -> None:
    finding = _bench(5.05, 4.92, {where: 60.0}).find(Engine(supplied))
    assert finding.suspects[0].where == where
    assert finding.suspects[0].probability > 0.9


def test_a_session_and_its_export_use_the_measured_supplies(tmp_path: Path) -> None:
    with Shelf(tmp_path) as shelf:
        session = Session.start(shelf, TEXT, "GW-02", DEFAULT_METER)
        before = session.engine
        for made in _checks("5.05", "4.92").values():
            session.record(made)
        assert [feed.volts for feed in session.engine.design.feeds] == [5.05, 4.92]
        assert session.engine is not before
        assert session.engine is session.engine
        session.record(ReadingTaken("all", "2A+>3A+", 0.0015))
        own = session.diagnose()
        # 130 mV drive amperes through a link, which the design's volts do not
        assert own.readings[0].expected > 0.0005
        other = exported_evidence(list(export_lines(shelf)), "records.jsonl").diagnose()
        assert finding_json(other, WING) == finding_json(own, WING)
        session.undo()
        session.undo()
        assert [feed.volts for feed in session.engine.design.feeds] == [5.05, 5.0]
