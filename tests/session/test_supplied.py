"""Supplies that were measured before power stand in for the design's where there are several."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest

from benchtest.circuit.network import Circuit
from benchtest.diagnosis import Engine
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.lit import parse_lit
from benchtest.prop.names import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.records.exchange import export_lines
from benchtest.records.shelf import Shelf
from benchtest.session.checks import Key, judge
from benchtest.session.events import CheckMade, ReadingTaken
from benchtest.session.exported import exported_evidence
from benchtest.session.live import Session
from benchtest.session.supplied import as_supplied
from tests.bench.diagnosis import new_unit, read
from tests.diagnosis.conftest import Bench

TEXT = files("benchtest.virtual").joinpath("gull-wing.toml").read_text("utf-8")
WING = parse_design(TEXT, "gull-wing")
LEFT: Key = ("supply", "left")
RIGHT: Key = ("supply", "right")


def _checks(left: str, right: str) -> dict[Key, CheckMade]:
    made = [judge(WING, LEFT, left), judge(WING, RIGHT, right)]
    return {(one.check, one.feed): one for one in made}


def _bench(left_v: float, right_v: float, times: dict[str, float]) -> Bench:
    """A unit as designed, but for its supplies and what some joints have of their resistance."""
    bench = Bench(WING, {}, seed=1)
    feeds = [replace(f, volts=v) for f, v in zip(WING.feeds, (left_v, right_v), strict=True)]
    bench.truth = replace(WING, feeds=tuple(feeds))
    ohms = {joint.name: joint.ohm * times.get(joint.name, 1.0) for joint in power_joints(WING)}
    bench.circuit, bench.gain = Circuit(bench.truth, ohms), 1.0
    return bench


@pytest.fixture(scope="module")
def supplied() -> Design:
    return as_supplied(WING, _checks("5.05", "4.92"))


def test_measured_volts_stand_in_for_the_designs(supplied: Design) -> None:
    assert [feed.volts for feed in supplied.feeds] == [5.05, 4.92]
    assert as_supplied(WING, {}) is WING
    one = judge(WING, LEFT, "5.05")
    assert [feed.volts for feed in as_supplied(WING, {LEFT: one}).feeds] == [5.05, 5.0]


def test_what_failed_was_left_out_or_only_seen_does_not() -> None:
    failed = judge(WING, LEFT, "4.1")
    assert failed.passed is False
    for made in (failed, CheckMade("supply", "left", None), CheckMade("supply", "left", True)):
        assert as_supplied(WING, {LEFT: made}) is WING


def test_one_supply_alone_stays_as_designed() -> None:
    fan = parse_design(
        files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8"), "willow-fan"
    )
    key: Key = ("supply", fan.feeds[0].name)
    assert as_supplied(fan, {key: judge(fan, key, "4.93")}) is fan


def test_a_sound_joint_between_unequal_supplies_is_accused_only_unmeasured() -> None:
    # supplies 0.1 V apart and a joint of 7 milliohm, all else off as well; as the engine asked
    unit = new_unit(WING, (), 805945080)
    assert unit.built.joint_ohm["2A~3A-"] < 0.008
    shown = [f"{f.volts * unit.built.meter_gain:.2f}" for f in unit.built.design.feeds]
    readings = [
        read(unit, parse_lit(lit, WING), parse_probe(probe, WING))
        for lit, probe in (
            ("all", "2A+>3A+"), ("4", "2A+>3A+"), ("4", "2A->3A-"), ("4", "2A->3A-"),
            ("3", "2A->3A-"), ("3 4", "2A->3A-"), ("all", "2A->3A-"), ("all", "right+>4A+"),
            ("all", "right->4A-"),
        )
    ]  # fmt: skip
    unmeasured = Engine(WING).diagnose(readings)
    assert unmeasured.suspects[0].where == "2A~3A-"
    assert unmeasured.healthy < 0.1
    measured = Engine(as_supplied(WING, _checks(*shown))).diagnose(readings)
    assert measured.looks_healthy
    assert measured.healthy > 0.9


@pytest.mark.parametrize("where", ["2A~3A+", "right-"])
def test_a_bad_joint_is_named_all_the_same(supplied: Design, where: str) -> None:
    finding = _bench(5.05, 4.92, {where: 60.0}).find(Engine(supplied))
    assert finding.suspects[0].where == where
    assert finding.suspects[0].probability > 0.9


def test_a_session_weighs_by_them_and_so_does_whoever_gets_it(tmp_path: Path) -> None:
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
        # 130 mV drive amperes through a link, of which the design knows none
        assert own.readings[0].expected > 0.0005
        other = exported_evidence(list(export_lines(shelf)), "records.jsonl").diagnose()
        assert other.as_json(WING) == own.as_json(WING)
        session.undo()
        session.undo()
        assert [feed.volts for feed in session.engine.design.feeds] == [5.05, 5.0]
