"""Strands to retest and readings that remain valid after a repair."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from importlib.resources import files

import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.diagnosis import Engine, still_valid, strands_to_retest
from benchtest.errors import NameFault
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from tests.diagnosis.conftest import Bench


def _reading(design: Design, lit: str, probe: str) -> Reading:
    return Reading(parse_lit_set(lit, design), parse_probe(probe, design), 4.8)


def test_power_joint_affects_its_strand_and_feed_joint_all_strands(fan: Design) -> None:
    assert strands_to_retest(fan, "4A+") == {4}
    assert strands_to_retest(fan, f"{fan.feeds[0].name}-") == set(range(1, 13))


def test_power_joint_affects_failed_strands_that_it_leaves_without_data(
    make_fan: Callable[..., Design],
) -> None:
    comb = make_fan(6, 8, crown=False)  # each strand is fed at its A end alone
    assert strands_to_retest(comb, "3A+") == {3}
    assert strands_to_retest(comb, "3A+", [1, 3, 4, 5]) == {3, 4, 5}  # 1 comes before it
    assert strands_to_retest(comb, "6A+", [3]) == {6}


def test_power_joint_between_strands_affects_failed_strands_that_it_feeds() -> None:
    text = (files("benchtest.virtual") / "gull-wing.toml").read_text("utf-8")
    wing = parse_design(text, "gull-wing.toml")
    every = [strand.number for strand in wing.strands]
    assert strands_to_retest(wing, "2A~3A+") == {2, 3}
    lone = dataclasses.replace(wing, feeds=wing.feeds[:1])
    assert strands_to_retest(lone, "2A~3A+", every) > {2, 3}


def test_power_joint_of_a_strand_fed_from_both_ends_affects_no_other(fan: Design) -> None:
    assert strands_to_retest(fan, "4A+", [7, 8]) == {4}


def test_data_joint_affects_its_strands_and_all_after_them(fan: Design) -> None:
    assert strands_to_retest(fan, "9Bd") == {9, 10, 11, 12}
    assert strands_to_retest(fan, "11.3") == {11, 12}
    assert strands_to_retest(fan, "1Ad") == set(range(1, 13))


def test_readings_that_the_joint_changed_are_invalid_and_others_valid(fan: Design) -> None:
    readings = [
        _reading(fan, "all", "foot:4+>4A+"),
        _reading(fan, "4", "4B"),
        _reading(fan, "9", "foot:9+>9A+"),
        _reading(fan, "9", "crown:9->9B-"),
    ]
    assert still_valid(fan, "4A+", readings) == [False, False, True, True]


def test_readings_with_dark_strands_after_a_data_joint_remain_valid(fan: Design) -> None:
    readings = [_reading(fan, "1-3", "2A"), _reading(fan, "all", "2A")]
    assert still_valid(fan, "9Bd", readings) == [True, False]


def test_unknown_joint_is_rejected(fan: Design) -> None:
    with pytest.raises(NameFault, match="no joint"):
        strands_to_retest(fan, "44A+")


def test_reversed_strand_affects_itself_and_all_after_it(fan: Design) -> None:
    # zigzag through strands 1 to 12 in order
    assert strands_to_retest(fan, "9") == {9, 10, 11, 12}
    assert strands_to_retest(fan, "9 10") == {9, 10, 11, 12}
    assert strands_to_retest(fan, "12") == {12}


def test_feed_and_colour_order_affect_every_strand(fan: Design) -> None:
    every = set(range(1, 13))
    assert strands_to_retest(fan, "colour_order") == every
    assert strands_to_retest(fan, fan.feeds[0].name) == every


def test_readings_across_the_joints_of_a_reversed_strand_are_invalid(fan: Design) -> None:
    readings = [
        _reading(fan, "1-8", "foot:9+>9A+"),  # soldered again with it
        _reading(fan, "9", "2A"),
        _reading(fan, "1-3", "foot:2+>2A+"),
    ]
    assert still_valid(fan, "9", readings) == [False, False, True]
    assert still_valid(fan, "9 10", readings) == [
        True,
        False,
        True,
    ]  # data wires alone


def test_colour_order_leaves_readings_under_white_valid(fan: Design) -> None:
    white, red = parse_lit_set("4", fan), parse_lit_set("4", fan, colour="red")
    probe = parse_probe("4A", fan)
    readings = [Reading(white, probe, 4.8), Reading(red, probe, 4.9)]
    assert still_valid(fan, "colour_order", readings) == [True, False]
    assert still_valid(fan, fan.feeds[0].name, readings) == [False, False]


@pytest.mark.parametrize("where", ["13", "9 13", "0", "", "4 x", "colour"])
def test_unknown_strand_is_rejected(fan: Design, where: str) -> None:
    with pytest.raises(NameFault):
        strands_to_retest(fan, where)


def test_readings_taken_while_strands_had_no_data_are_invalid(
    make_fan: Callable[..., Design],
) -> None:
    """On one bus, an open joint leaves a strand without volts, and all after it without data."""
    comb = make_fan(5, 20, crown=False)
    lit = parse_lit_set("all", comb)
    probes = [parse_probe(text, comb) for text in ("2B", "4B", "5A")]

    def still(ohm: float, stopped: int) -> list[bool]:
        circuit = Circuit(comb, {"2A+": ohm})
        duty = lit.duty(comb)
        duty[stopped:] = 0.0
        solution = solve(circuit, duty)
        readings = [Reading(lit, probe, solution.volts(probe)) for probe in probes]
        return still_valid(comb, "2A+", readings)

    # at any resistance: a reading that the repair may have changed is invalid
    assert still(0.5, comb.node_count) == [False, False, False]
    assert still(math.inf, comb.first_index[1]) == [False, False, False]


def test_joint_in_the_middle_of_a_symmetric_design_changes_readings_of_real_units() -> None:
    """No current crosses the middle of the design; with unequal supplies some does."""
    text = files("benchtest.virtual").joinpath("gull-wing.toml").read_text("utf-8")
    wing = parse_design(text, "gull-wing")
    readings = [_reading(wing, "all", "2A"), _reading(wing, "all", "1B")]
    assert still_valid(wing, "2A~3A+", readings) == [False, False]


@pytest.mark.parametrize("seed", [1, 3])
def test_finding_is_not_settled_before_a_repaired_joint_is_proved_good(
    fan: Design, fan_engine: Engine, seed: int
) -> None:
    """A repaired joint is seldom bad still, but the person expects a proof."""
    bad = Bench(fan, {"7B+": 0.21}, seed)
    bad.find(fan_engine)
    valid = still_valid(fan, "7B+", bad.readings)
    readings = [reading for reading, ok in zip(bad.readings, valid, strict=True) if ok]
    repaired_bench = Bench(fan, {}, seed, readings)
    finding = fan_engine.diagnose(readings, repaired=["7B+"])
    while not finding.next.settled:
        assert finding.next.lit is not None
        assert finding.next.probe is not None
        readings.append(repaired_bench.read(finding.next.lit, finding.next.probe))
        finding = fan_engine.diagnose(readings, repaired=["7B+"])
    (band,) = [band for band in finding.joints if band.name == "7B+"]
    assert band.cleared_ohm is not None
    assert band.cleared_ohm <= 0.1
