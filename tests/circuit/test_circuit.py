"""Special circuits: zero resistance, open joints, islands, several feeds."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.prediction import predict
from benchtest.circuit.solution import Solution, solve
from benchtest.errors import CircuitFault, InputError, NameFault
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_probe

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]


def _lit(
    design: Design, lit: str = "all", joint_ohm: Mapping[str, float] | None = None
) -> Solution:
    return solve(Circuit(design, joint_ohm), parse_lit_set(lit, design).duty(design))


def _read(solution: Solution, probe: str) -> float:
    return solution.volts(parse_probe(probe, solution.circuit.design))


def test_a_healthy_prop_draws_the_currents_of_its_nodes(make_fan: MakeFan) -> None:
    design = make_fan(12, 30)
    # 360 nodes of 3 channels at 12 mA and 0.8 mA: every one has its headroom
    assert _lit(design).feed_a["feed1"] == pytest.approx(360 * 36.8e-3, rel=1e-9)
    assert _lit(design, "none").feed_a["feed1"] == pytest.approx(360 * 0.8e-3, rel=1e-9)
    assert _lit(design, "4").feed_a["feed1"] == pytest.approx(360 * 0.8e-3 + 30 * 36e-3, rel=1e-9)


def test_colours_in_series_draw_the_current_of_the_largest_channel(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    design = make_fan(2, 5, kind=make_kind("series-colours"))
    duty = np.tile([0.2, 1.0, 0.5], (design.node_count, 1))
    assert solve(Circuit(design), duty).node_a == pytest.approx(12.8e-3, rel=1e-9)


def test_a_resistor_kind_has_its_current_at_its_nominal_volts(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    design = make_fan(1, 1, kind=make_kind("resistor"), feed_mm=1e-6)
    solution = _lit(design)
    across_v = float(solution.node_v[0])
    # a straight line through (dark_v, 0) and (12 V, 12 mA)
    expected_a = sum(12e-3 * (across_v - dark_v) / (12 - dark_v) for dark_v in (6.2, 9.2, 9.3))
    assert solution.node_a[0] == pytest.approx(expected_a + 0.8e-3, rel=1e-12)


def test_a_resistive_joint_drops_its_current_times_its_resistance(make_fan: MakeFan) -> None:
    """With one bus, the whole current of a strand passes one joint on each rail."""
    design = make_fan(4, 10, crown=False)
    strand_a = 10 * 36.8e-3
    assert _read(_lit(design, "all", {"3A+": 0.8}), "foot:3+>3A+") == pytest.approx(0.8 * strand_a)
    assert _read(_lit(design), "3A->foot:3-") == pytest.approx(0.002 * strand_a)


def test_an_open_joint_has_the_whole_supply_across_it(make_fan: MakeFan) -> None:
    """The strand is fed from its other end, so that both sides of the open joint have volts."""
    design = make_fan(4, 10)
    healthy, cut = _lit(design), _lit(design, "all", {"3A+": math.inf})
    assert _read(cut, "3B") > 4.5
    assert _read(cut, "3A") < _read(healthy, "3A")
    assert cut.feed_a["feed1"] == pytest.approx(healthy.feed_a["feed1"], rel=1e-9)
    assert not cut.circuit.floating.any()


# 1.4 to 4.4 V behind an open joint at 5 V, through the data line: common practice, no source.
@pytest.mark.parametrize("rail", ["+", "-"])
@pytest.mark.parametrize("lit", ["all", "2", "none"])
def test_the_data_line_holds_the_volts_of_a_strand_cut_off(
    make_fan: MakeFan, rail: str, lit: str
) -> None:
    design = make_fan(4, 10)
    solution = _lit(design, lit, {f"2A{rail}": math.inf, f"2B{rail}": math.inf})
    probe = parse_probe("2A", design)
    assert solution.is_floating(probe)
    assert not solution.is_floating(parse_probe("1A", design))
    assert 1.4 <= solution.volts(probe) <= 4.4
    assert _read(solution, "1A") > 4.5


def test_a_prop_cut_off_at_its_feed_draws_almost_no_current(make_fan: MakeFan) -> None:
    """The only current is that of the controller's data line through one diode."""
    solution = _lit(make_fan(4, 10), "all", {"feed1+": math.inf})
    assert solution.feed_a["feed1"] == 0.0
    assert 0.0 < solution.node_v.max() < 4.4


def test_a_prop_cut_off_on_both_rails_of_a_feed_still_solves(make_fan: MakeFan) -> None:
    solution = _lit(make_fan(4, 10), "all", {"feed1+": math.inf, "feed1-": math.inf})
    assert solution.feed_a["feed1"] == 0.0
    assert np.isfinite(solution.point_v).all()


def test_zero_resistance_merges_two_points(make_fan: MakeFan) -> None:
    design = make_fan(4, 10)
    exact = _lit(design, "all", {"default": 0.0})
    for joint in power_joints(design):
        assert exact.volts(joint.probe) == 0.0
    nearly = _lit(design, "all", {"default": 1e-9})
    assert exact.point_v == pytest.approx(nearly.point_v, abs=1e-7)
    assert exact.feed_a["feed1"] == pytest.approx(40 * 36.8e-3, rel=1e-9)


@pytest.mark.parametrize("ohm", [1e-308, 5e-324, 1e-12, 1e-9, 1e-7])
def test_a_tiny_resistance_counts_as_zero(make_fan: MakeFan, ohm: float) -> None:
    """The reciprocal of the smallest numbers overflows."""
    fan = make_fan(3, 10)
    lit = parse_lit_set("all", fan).duty(fan)
    none = solve(Circuit(fan, {"2A+": 0.0}), lit).node_v
    assert solve(Circuit(fan, {"2A+": ohm}), lit).node_v == pytest.approx(none, abs=1e-6)
    assert solve(Circuit(fan).changed({"2A+": ohm}), lit).node_v == pytest.approx(none, abs=1e-6)


def test_leads_of_zero_length_have_no_drop(make_fan: MakeFan) -> None:
    design = make_fan(2, 3)
    strands = tuple(dataclasses.replace(strand, lead_mm=(0.0, 0.0)) for strand in design.strands)
    solution = _lit(dataclasses.replace(design, strands=strands))
    assert _read(solution, "1A+>1.1+") == 0.0


def test_a_feed_without_resistance_gives_the_whole_current(make_fan: MakeFan) -> None:
    design = make_fan(3, 5, feed_mm=0.0)
    drawn_a = 15 * 36.8e-3
    assert _lit(design).feed_a["feed1"] == pytest.approx(drawn_a, rel=1e-9)
    stiff = _lit(design, "all", {"feed1+": 0.0, "feed1-": 0.0})
    assert stiff.feed_a["feed1"] == pytest.approx(drawn_a, rel=1e-9)
    assert _read(stiff, "foot:1") == 5.0


def test_two_feeds_share_the_load_and_raise_the_lowest_node(make_fan: MakeFan) -> None:
    one, two = make_fan(12, 30), make_fan(12, 30, feeds=("foot:1", "foot:12"))
    single, double = _lit(one), _lit(two)
    assert sum(double.feed_a.values()) == pytest.approx(single.feed_a["feed1"], rel=1e-9)
    # the fan is symmetric
    assert double.feed_a["feed1"] == pytest.approx(double.feed_a["feed2"], rel=1e-9)
    assert double.lowest_node[1] > single.lowest_node[1]


def test_a_ring_raises_the_pad_next_to_its_start(make_fan: MakeFan) -> None:
    open_bus, ring = _lit(make_fan(8, 20)), _lit(make_fan(8, 20, ring=True))
    assert _read(ring, "foot:8") > _read(open_bus, "foot:8")
    # both directions of the ring are equal
    straight = _lit(make_fan(8, 20, ring=True, crown=False))
    assert _read(straight, "foot:2") == pytest.approx(_read(straight, "foot:8"), abs=1e-12)


def test_feeds_of_different_volts_joined_by_zero_resistance_are_rejected(make_fan: MakeFan) -> None:
    design = make_fan(2, 3, feeds=("foot:1", "foot:1"), feed_mm=0.0)
    high = dataclasses.replace(design.feeds[1], volts=5.2)
    design = dataclasses.replace(design, feeds=(design.feeds[0], high))
    with pytest.raises(CircuitFault, match="feed1, feed2"):
        Circuit(design, {"default": 0.0})


@pytest.mark.parametrize(
    ("name", "ohm", "fault", "words"),
    [
        ("9A+", 0.1, NameFault, "9A"),
        ("2Ad", 0.1, InputError, "carries data"),
        ("2A+", -0.1, InputError, "0 or more"),
        ("2A+", math.nan, InputError, "0 or more"),
    ],
)
def test_invalid_joints_are_named(
    make_fan: MakeFan, name: str, ohm: float, fault: type[InputError], words: str
) -> None:
    with pytest.raises(fault, match=words):
        Circuit(make_fan(3, 4), {name: ohm})


def test_prediction_reads_every_strand_end_by_default(make_fan: MakeFan) -> None:
    design = make_fan(3, 4)
    found = predict(design, all_lit(design)).as_json(design)
    assert [row["probe"] for row in found["probes"]] == ["1A", "1B", "2A", "2B", "3A", "3B"]
    assert found["lit"] == "all"
    assert found["feeds"][0]["feed"] == "feed1"
    assert all(0.0 < row["sd"] < 0.2 for row in found["probes"])


def test_equal_input_gives_equal_output_to_the_last_digit(make_fan: MakeFan) -> None:
    design = make_fan(5, 20)
    first, second = (predict(design, all_lit(design)).as_json(design) for _ in range(2))
    assert first == second
