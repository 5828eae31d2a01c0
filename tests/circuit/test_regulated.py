"""Regulated nodes: two solutions or none, and the state that the prop takes."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution, solve
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Design, Feed, Strand, StrandEnd
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import NodeKind, catalogue

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]


def _one_node(make_kind: MakeKind, watts: float) -> Design:
    """One regulated node at the end of cables without resistance."""
    volts = {"red": 2.0, "green": 2.0, "blue": 2.0}
    dark = {"red": 1.0, "green": 1.0, "blue": 1.0}
    kind = make_kind(
        "regulated",
        channel_ma=watts / 12.0 / 3.0 * 1e3,
        quiescent_ma=0.0,
        full_v=volts,
        dark_v=dark,
    )
    end = StrandEnd(1, "A")
    wire = parse_wire("22 AWG")
    strand = Strand(1, 1, 30.0, (0.0, 0.0), wire)
    return Design("One", kind, (strand,), (end,), (), (), (Feed("main", end, 12.0, wire, 0.0),))


def _solved(design: Design, ohm: float) -> Solution:
    circuit = Circuit(design, {"default": 0.0, "main+": ohm})
    return solve(circuit, all_lit(design).duty(design))


@pytest.mark.parametrize("watts", [1.0, 6.0, 20.0, 30.0, 35.0, 35.9])
def test_one_node_behind_a_resistance_in_closed_form(make_kind: MakeKind, watts: float) -> None:
    """(V + sqrt(V² - 4PR)) / 2: the quadratic of a constant-power load, any text on feeders."""
    solution = _solved(_one_node(make_kind, watts), 1.0)
    assert solution.node_v[0] == pytest.approx((12 + math.sqrt(144 - 4 * watts)) / 2, abs=1e-7)
    assert solution.starts


def test_six_watts_through_an_ohm_leave_the_published_volts(make_kind: MakeKind) -> None:
    """12 V, 6 W, 1 Ω: 11.47723 V."""
    assert _solved(_one_node(make_kind, 6.0), 1.0).node_v[0] == pytest.approx(11.47723, abs=1e-5)


@pytest.mark.parametrize("watts", [36.5, 40.0, 200.0])
def test_beyond_the_fold_the_prop_does_not_start(make_kind: MakeKind, watts: float) -> None:
    """No load behind R takes more than V²/4R (maximum power transfer): 36 W here."""
    solution = _solved(_one_node(make_kind, watts), 1.0)
    assert not solution.starts
    assert 0.0 < solution.node_v[0] < 2.0
    # in the state that it fell to, currents still sum to zero
    drawn_a = node_loads(solution.circuit.design.node, solution.node_v, solution.duty).node_a[0]
    assert (12.0 - solution.node_v[0]) / 1.0 == pytest.approx(drawn_a, rel=1e-6)


def test_a_strand_takes_the_upper_of_two_solutions(make_fan: MakeFan) -> None:
    design = make_fan(3, 20, kind=catalogue()["buck-12v"], wire="26 AWG")
    solution = solve(Circuit(design), all_lit(design).duty(design))
    assert solution.starts
    assert solution.node_v.min() > 10.0
    # each node takes the same power at any volts
    channels_w = solution.channel_a.sum(axis=1) * solution.node_v
    assert channels_w == pytest.approx(np.full(60, 3 * 8e-3 * 12.0), rel=1e-9)


@pytest.mark.parametrize("rail_ohm", [5.0, 12.0, 40.0])
def test_a_prop_with_a_bad_feed_has_an_operating_point(make_fan: MakeFan, rail_ohm: float) -> None:
    design = make_fan(3, 20, kind=catalogue()["buck-12v"])
    solution = solve(Circuit(design, {"feed1+": rail_ohm}), all_lit(design).duty(design))
    assert not solution.starts
    assert solution.node_v.min() > 0.0
    (drawn_a,) = solution.feed_a.values()
    assert drawn_a == pytest.approx(solution.node_a.sum(), rel=1e-6)
    assert drawn_a * rail_ohm < 12.0


@pytest.mark.parametrize("level", [0.0, 1.0])
@pytest.mark.parametrize("rail_ohm", [1e4, 1e6])
def test_a_prop_behind_a_blown_fuse_has_an_operating_point(
    make_fan: MakeFan, rail_ohm: float, level: float
) -> None:
    """A blown fuse leaks through a megohm; Newton's method jumped across 0 V without end.

    The balance of currents (Kirchhoff) and Ohm's law along the leak hold in the state found.
    """
    design = make_fan(3, 20, kind=catalogue()["buck-12v"])
    duty = level * all_lit(design).duty(design)
    solution = solve(Circuit(design, {"feed1+": rail_ohm}), duty)
    assert 0.0 < solution.node_v.min() < 1.0
    (fed_a,) = solution.feed_a.values()
    drawn_a = node_loads(design.node, solution.node_v, duty).node_a.sum()
    assert fed_a == pytest.approx(drawn_a, rel=1e-3)
    assert fed_a == pytest.approx((12.0 - solution.node_v.mean()) / rail_ohm, rel=1e-2)
