"""Joints that are intermittent, or grow, while readings are taken."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files

import pytest

from benchtest.diagnosis import Engine
from benchtest.evidence.readings import Reading, parse_readings
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.wording import finding_json, reason_text, repair_text
from tests.diagnosis.conftest import Bench


@pytest.fixture(scope="module")
def small(make_fan: Callable[..., Design]) -> Design:
    return make_fan(5, 20)


@pytest.fixture(scope="module")
def engine(small: Design) -> Engine:
    return Engine(small)


def _read(design: Design, ohm: float, *probes: str) -> list[Reading]:
    bench = Bench(design, {"3A+": ohm}, seed=31)
    return [bench.read(all_lit(design), parse_probe(probe, design)) for probe in probes]


def test_contradicting_repeats_name_an_intermittent_joint_and_no_short() -> None:
    design = parse_design(
        (files("benchtest") / "virtual" / "willow-fan.toml").read_text("utf-8"), "willow-fan.toml"
    )
    rows = ["all,4A,4.579", "all,4B,4.570", "all,foot:4+>4A+,0.0705", "all,foot:4->4A-,-0.0023"]
    rows += ["all,crown:4+>4B+,0.0034", "all,foot:4+>4A+,0.005", "all,4A,4.66"]
    readings = parse_readings("\n".join(["lit,probe,volts", *rows]), "r.csv", design).rows
    finding = Engine(design).diagnose(readings)
    top = finding.suspects[0]
    assert (top.where, top.fault, top.intermittent) == ("4A+", "resistive", True)
    assert "intermittent" in repair_text(top, design)
    assert "70.5 mV, then 5.0 mV" in reason_text(top, design)
    assert not [s for s in finding.suspects if s.fault == "short"]
    shown = finding_json(finding, design)["suspects"][0]
    assert (shown["intermittent"], shown["growing"]) == (True, False)


def test_a_joint_that_was_bad_and_then_good_is_intermittent(small: Design, engine: Engine) -> None:
    bad = _read(small, 0.4, "3A", "foot:3+>3A+", "2A")
    good = _read(small, 0.002, "foot:3+>3A+", "3A")
    for readings in ([*bad, *good], [*good, *bad]):
        top = engine.diagnose(readings).suspects[0]
        assert (top.where, top.intermittent) == ("3A+", True)
        assert top.probability > 0.5


def test_a_drop_that_grows_with_each_reading_names_a_growing_joint(
    small: Design, engine: Engine
) -> None:
    readings = _read(small, 0.002, "3A", "2A")
    for ohm in (0.05, 0.08, 0.11, 0.14):
        readings += _read(small, ohm, "foot:3+>3A+")
    finding = engine.diagnose(readings)
    top = finding.suspects[0]
    assert (top.where, top.growing, top.intermittent) == ("3A+", True, False)
    assert "grows" in repair_text(top, small)


def test_a_drifting_supply_makes_no_joint_suspect(small: Design, engine: Engine) -> None:
    (first,) = _read(small, 0.002, "3A")
    assert first.volts is not None
    readings = [Reading(first.lit, first.probe, first.volts - 0.012 * n) for n in range(4)]
    finding = engine.diagnose(readings)
    assert max((s.probability for s in finding.suspects), default=0.0) < 0.1


def test_a_misread_digit_with_a_correct_repeat_makes_no_joint_suspect(
    small: Design, engine: Engine
) -> None:
    readings = _read(small, 0.002, *(f"{n}A" for n in range(1, 6)), "3A")
    wrong = readings[2]
    assert wrong.volts is not None
    readings[2] = Reading(wrong.lit, wrong.probe, wrong.volts - 3.0)
    finding = engine.diagnose(readings)
    assert finding.healthy > 0.5
    assert not any(
        suspect.intermittent for suspect in finding.suspects if suspect.probability > 0.1
    )
