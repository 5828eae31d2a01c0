"""Lines with a known solution in closed form."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution, solve
from benchtest.prop.conductors import COPPER_OHM_M, Conductor, parse_wire
from benchtest.prop.design import Design, Feed, NodeName, Strand, StrandEnd, rail_probe
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import NodeKind

MakeKind = Callable[..., NodeKind]
NO_WIRE_MM = 0.0


def _line(
    kind: NodeKind,
    nodes: int,
    wire: Conductor,
    *,
    pitch_mm: float,
    lead_mm: tuple[float, float] = (NO_WIRE_MM, NO_WIRE_MM),
    fed: Sequence[StrandEnd] = (StrandEnd(1, "A"),),
) -> Design:
    """One strand with its supplies directly at its ends."""
    return Design(
        name="Line",
        node=kind,
        strands=(Strand(1, nodes, pitch_mm, lead_mm, wire),),
        data_path=(StrandEnd(1, "A"),),
        feeds=tuple(
            Feed(f"feed{number}", end, kind.volts, wire, NO_WIRE_MM)
            for number, end in enumerate(fed, 1)
        ),
    )


def _solve(design: Design) -> Solution:
    return solve(Circuit(design, {"default": 0.0}), all_lit(design).duty(design))


def _sink(make_kind: MakeKind, ma: float) -> NodeKind:
    """One channel of constant current down to 2.65 V, without quiescent current."""
    return make_kind("sink", "red", channel_ma=ma, quiescent_ma=0.0)


def _wire_of(ohm_per_mm: float) -> Conductor:
    return Conductor("made up", COPPER_OHM_M * 1e3 / ohm_per_mm)


# Ω per 1000 ft of annealed copper at 20 °C: NBS Circular 31, table VI (18 AWG: 6.385).
def test_three_metres_of_18_awg_lose_the_volts_of_the_copper_tables(
    make_kind: MakeKind,
) -> None:
    kind = _sink(make_kind, 5000.0)
    design = _line(kind, 1, parse_wire("18 AWG"), pitch_mm=1.0, lead_mm=(3000.0, 0.0))
    lost_v = kind.volts - _solve(design).node_v[0]
    assert lost_v == pytest.approx(2 * 3.0 * 6.385 / 304.8 * 5.0, rel=2e-4)


# Worked examples from the training of electricians, wire at 75 °C: a run of 100 ft of 16 AWG at 4 A
# loses 4.0 V (NFPA 70, ch. 9, table 8: 4.99 Ω per 1000 ft stranded; solid, as
# wire here is, 4.89, 1.93 and 0.764, from memory);
# one of 12 AWG at 20 A loses 7.9 V, and of 8 AWG 3.1 V (the code's K of 12.9 Ω·cmil/ft, which has
# 2 % for stranding and lay as well).
@pytest.mark.parametrize(
    ("gauge", "amps", "printed_v", "solid_v"),
    [
        ("16 AWG", 4.0, 4.0, 2 * 100.0 * 4.89e-3 * 4.0),
        ("12 AWG", 20.0, 7.9, 2 * 100.0 * 1.93e-3 * 20.0),
        ("8 AWG", 20.0, 3.1, 2 * 100.0 * 0.764e-3 * 20.0),
    ],
)
def test_a_hundred_feet_of_warm_wire_lose_the_volts_of_the_worked_examples(
    make_kind: MakeKind, gauge: str, amps: float, printed_v: float, solid_v: float
) -> None:
    kind = make_kind("sink", "red", volts=12.0, channel_ma=amps * 1e3, quiescent_ma=0.0)
    run = _line(kind, 1, parse_wire(gauge), pitch_mm=1.0, lead_mm=(100.0 * 304.8, 0.0))
    lost_v = kind.volts - _solve(run.at_celsius(75.0)).node_v[0]
    assert lost_v == pytest.approx(solid_v, rel=2e-3)
    assert lost_v == pytest.approx(printed_v, rel=0.03)


# Kersting, Distribution System Modeling and Analysis, ch. 3: equal loads at equal distances.
@pytest.mark.parametrize("nodes", [1, 2, 7, 30, 100])
def test_equal_sinks_fed_at_one_end_lose_the_triangular_sum(
    make_kind: MakeKind, nodes: int
) -> None:
    wire, pitch_mm, amps = parse_wire("22 AWG"), 100.0, 0.01
    design = _line(
        _sink(make_kind, amps * 1e3), nodes, wire, pitch_mm=pitch_mm, lead_mm=(pitch_mm, 0.0)
    )
    one_rail_v = wire.ohm_per_mm * pitch_mm * amps * nodes * (nodes + 1) / 2
    found_v = design.node.volts - _solve(design).node_v[-1]
    assert found_v == pytest.approx(2 * one_rail_v, abs=1e-9)


@pytest.mark.parametrize("nodes", [2, 30, 31])
def test_a_feed_at_the_first_node_saves_one_pitch(make_kind: MakeKind, nodes: int) -> None:
    wire, pitch_mm, amps = parse_wire("22 AWG"), 100.0, 0.04
    design = _line(_sink(make_kind, amps * 1e3), nodes, wire, pitch_mm=pitch_mm)
    one_rail_v = wire.ohm_per_mm * pitch_mm * amps * nodes * (nodes - 1) / 2
    assert design.node.volts - _solve(design).node_v[-1] == pytest.approx(2 * one_rail_v, abs=1e-9)


@pytest.mark.parametrize("nodes", [2, 3, 30, 31])
def test_fed_at_both_ends_the_middle_loses_an_eighth(make_kind: MakeKind, nodes: int) -> None:
    wire, pitch_mm, amps = parse_wire("22 AWG"), 100.0, 0.04
    both = (StrandEnd(1, "A"), StrandEnd(1, "B"))
    design = _line(_sink(make_kind, amps * 1e3), nodes, wire, pitch_mm=pitch_mm, fed=both)
    # by symmetry each half is fed from its own end: r I n'(n'+1)/2 over the nodes of that half
    squares = (nodes - 1) ** 2 if nodes % 2 else nodes * (nodes - 2)
    one_rail_v = wire.ohm_per_mm * pitch_mm * amps * squares / 8
    solution = _solve(design)
    assert design.node.volts - solution.node_v.min() == pytest.approx(2 * one_rail_v, abs=1e-9)
    assert solution.feed_a["feed1"] == pytest.approx(nodes * amps / 2, abs=1e-9)
    assert solution.feed_a["feed2"] == pytest.approx(nodes * amps / 2, abs=1e-9)


# The drop along a uniform load is that of the whole load at half the length: Kersting, ch. 3.
def test_many_small_sinks_are_a_uniformly_spread_load(make_kind: MakeKind) -> None:
    nodes, length_mm, amps = 1000, 5000.0, 2.0
    wire = parse_wire("18 AWG")
    pitch_mm = length_mm / nodes
    design = _line(
        _sink(make_kind, amps / nodes * 1e3), nodes, wire, pitch_mm=pitch_mm, lead_mm=(pitch_mm, 0)
    )
    halfway_v = 2 * wire.ohm_per_mm * length_mm * amps / 2
    found_v = design.node.volts - _solve(design).node_v[-1]
    assert found_v == pytest.approx(halfway_v, rel=2 / nodes)


def _fibonacci(count: int) -> list[int]:
    """F(0) … F(count)."""
    numbers = [0, 1]
    while len(numbers) <= count:
        numbers.append(numbers[-2] + numbers[-1])
    return numbers


# A. M. Morgan-Voyce, Ladder-network analysis using Fibonacci numbers, IRE Transactions on Circuit
# Theory, 1959: k sections of 1 Ω in series and 1 Ω across have F(2k+1)/F(2k) Ω, and pass
# 1/F(2k+1) of their volts to the far end. Citation from memory; the recursion is shown below.
@pytest.mark.parametrize("sections", [1, 2, 3, 5, 10])
def test_a_ladder_of_one_ohm_follows_fibonacci(make_kind: MakeKind, sections: int) -> None:
    # a resistor kind that begins to conduct at 0 V is a resistor: 1 A at 1 V, here 10 kA at 10 kV,
    # so that even the far end is well above the rounded corner of its law
    kind = make_kind(
        "resistor",
        "red",
        volts=1e4,
        channel_ma=1e7,
        quiescent_ma=0.0,
        dark_v={"red": 0.0},
    )
    half_ohm = _wire_of(0.5)  # on each rail: 1 Ω a section
    design = _line(kind, sections, half_ohm, pitch_mm=1.0, lead_mm=(1.0, 0.0))
    solution = _solve(design)
    fibonacci = _fibonacci(2 * sections + 1)
    ratio = fibonacci[-1] / fibonacci[-2]
    by_recursion = 2.0
    for _ in range(sections - 1):
        by_recursion = 1 + by_recursion / (1 + by_recursion)
    assert ratio == pytest.approx(by_recursion, rel=1e-12)
    assert 1e4 / solution.feed_a["feed1"] == pytest.approx(ratio, rel=1e-9)
    assert solution.node_v[-1] / 1e4 == pytest.approx(1 / fibonacci[-1], rel=1e-9)


def test_an_endless_ladder_has_the_golden_ratio(make_kind: MakeKind) -> None:
    kind = make_kind(
        "resistor", "red", volts=1e4, channel_ma=1e7, quiescent_ma=0.0, dark_v={"red": 0.0}
    )
    design = _line(kind, 12, _wire_of(0.5), pitch_mm=1.0, lead_mm=(1.0, 0.0))
    golden_ohm = 1e4 / _solve(design).feed_a["feed1"]
    assert golden_ohm == pytest.approx((1 + 5**0.5) / 2, rel=1e-9)


def test_volts_fall_steadily_away_from_the_only_feed(make_kind: MakeKind) -> None:
    design = _line(_sink(make_kind, 12.0), 30, parse_wire("22 AWG"), pitch_mm=30.0)
    solution = _solve(design)
    assert all(near > far for near, far in pairwise(solution.node_v.tolist()))
    last = rail_probe(NodeName(1, 30))
    assert solution.volts(last) == pytest.approx(float(solution.node_v[-1]), abs=1e-12)
    assert solution.lowest_node[0] == NodeName(1, 30)


def test_an_unfed_end_has_the_volts_of_its_outermost_node(make_kind: MakeKind) -> None:
    """No current flows in the lead to a free end, so that it has no drop."""
    wire = parse_wire("22 AWG")
    design = _line(_sink(make_kind, 12.0), 5, wire, pitch_mm=30.0, lead_mm=(60.0, 60.0))
    solution = _solve(design)
    free = solution.volts(rail_probe(StrandEnd(1, "B")))
    assert free == pytest.approx(float(solution.node_v[-1]), abs=1e-12)
    assert np.argmin(solution.node_v) == 4
