"""Properties of any prop, checked on random ones."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchtest.circuit.backfeed import backfeed_paths, live_paths
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution, solve
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Design, Feed, Link, StrandEnd
from benchtest.prop.joints import power_joints
from benchtest.prop.node_kinds import NodeKind

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]

few = settings(
    max_examples=60,
    deadline=None,  # the duration of one example is measured by the benchmarks
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)


RISING = ("sink", "resistor", "series-colours")
"""Families whose current never falls when the volts rise."""


@st.composite
def _recipes(
    draw: st.DrawFn, families: tuple[str, ...] = (*RISING, "regulated")
) -> dict[str, object]:
    return {
        "strands": draw(st.integers(1, 5)),
        "nodes": draw(st.integers(1, 12)),
        "family": draw(st.sampled_from(families)),
        "channel_ma": draw(st.sampled_from([5.0, 12.0, 60.0, 400.0])),
        "quiescent_ma": draw(st.sampled_from([0.0, 0.8, 3.0])),
        "crown": draw(st.booleans()),
        "ring": draw(st.booleans()),
        "linked": draw(st.booleans()),
        "second_feed": draw(st.booleans()),
        "wire": draw(st.sampled_from(["16 AWG", "22 AWG", "30 AWG CCA"])),
        "ohms": draw(st.lists(st.sampled_from([0.0, 0.002, 0.8, 30.0, math.inf]), max_size=6)),
        "seed": draw(st.integers(0, 2**32 - 1)),
    }


def _cook(
    recipe: dict[str, object], make_fan: MakeFan, make_kind: MakeKind
) -> tuple[Design, dict[str, float], FloatArray]:
    """A design, unhealthy joints, and the channels lit."""
    figures = {key: recipe[key] for key in ("channel_ma", "quiescent_ma")}
    shape = {key: recipe[key] for key in ("strands", "nodes", "crown", "ring", "wire")}
    design = make_fan(**shape, kind=make_kind(recipe["family"], **figures))
    if recipe["linked"]:
        design = _linked(design)
    if recipe["second_feed"]:
        last = StrandEnd(len(design.strands), "B")
        volts = design.feeds[0].volts * 1.02
        more = Feed("more", last, volts, parse_wire("18 AWG"), 800.0)
        design = dataclasses.replace(design, feeds=(*design.feeds, more))
    chance = np.random.default_rng(int(str(recipe["seed"])))
    names = [joint.name for joint in power_joints(design)]
    ohms = recipe["ohms"]
    assert isinstance(ohms, list)
    bad = dict(zip(chance.permutation(names).tolist(), ohms, strict=False))
    duty = chance.choice([0.0, 0.3, 1.0], (design.node_count, design.node.channels))
    return design, bad, duty


def _linked(design: Design) -> Design:
    """Strands joined wire to wire, in addition to any buses at their A ends."""
    wire = parse_wire("20 AWG")
    links = tuple(
        Link(before.other, after, 50.0 * (number % 2), wire)
        for number, (before, after) in enumerate(pairwise(design.data_path))
    )
    return dataclasses.replace(design, links=links)


def _leaving_a(solution: Solution) -> FloatArray:
    """Sum of all currents that leave each point, from volts and ohms alone, shape (points,)."""
    circuit = solution.circuit
    netlist, volts = circuit.netlist, solution.point_v
    supply_v = np.append(circuit.supply_v, 0.0)[netlist.feed]
    nodes, total = circuit.design.node_count, np.zeros(netlist.point_count)
    conducts = np.isfinite(netlist.ohm)
    branch_a = np.zeros(len(netlist.ohm))
    across_v = volts[netlist.tail] - volts[netlist.head] + supply_v
    branch_a[conducts] = across_v[conducts] / netlist.ohm[conducts]
    np.add.at(total, netlist.tail, branch_a)
    np.add.at(total, netlist.head, -branch_a)
    node_a = node_loads(circuit.design.node, solution.node_v, solution.duty).node_a
    total[:nodes] += node_a
    total[nodes : 2 * nodes] -= node_a
    paths = live_paths(backfeed_paths(netlist), circuit.floating)
    path_a, _ = paths.current(volts[paths.tail] - volts[paths.head] + paths.push_v)
    np.add.at(total, paths.tail, path_a)
    np.add.at(total, paths.head, -path_a)
    # supplies joined by loads only are assumed to have one return
    sources = list(netlist.sources)
    total[sources[0]] = total[sources].sum()
    total[sources[1:]] = 0.0
    return total


@given(recipe=_recipes())
@few
def test_currents_of_any_prop_sum_to_zero_at_every_point(
    make_fan: MakeFan, make_kind: MakeKind, recipe: dict[str, object]
) -> None:
    """Kirchhoff's current law, with every current computed again from the volts."""
    design, bad, duty = _cook(recipe, make_fan, make_kind)
    # the law cannot be checked with volts across zero resistance
    exact = {name: max(ohm, 1e-4) for name, ohm in bad.items()}
    solution = solve(Circuit(design, exact), duty)
    drawn_a = solution.node_a.sum()
    assert np.abs(_leaving_a(solution)).max() <= 1e-7 * max(1.0, drawn_a)


@given(recipe=_recipes())
@few
def test_volts_of_any_prop_are_within_its_supplies(
    make_fan: MakeFan, make_kind: MakeKind, recipe: dict[str, object]
) -> None:
    """Copper and loads only lose volts: no node has more than the highest supply."""
    design, bad, duty = _cook(recipe, make_fan, make_kind)
    solution = solve(Circuit(design, bad), duty)
    highest = max(feed.volts for feed in design.feeds)
    assert solution.node_v.max() <= max(highest, 5.0) + 1e-6
    assert np.isfinite(solution.point_v).all()
    if not solution.circuit.floating.any():
        assert solution.node_v.min() >= -1e-6
        drawn_a = sum(solution.feed_a.values())
        assert abs(drawn_a - solution.node_a.sum()) <= 1e-6 * max(1.0, drawn_a)


@given(recipe=_recipes(RISING), pick=st.integers(0, 10**6))
@few
def test_raising_a_joint_never_raises_the_current_through_it(
    make_fan: MakeFan, make_kind: MakeKind, recipe: dict[str, object], pick: int
) -> None:
    design, bad, duty = _cook(recipe, make_fan, make_kind)
    joints = power_joints(design)
    joint = joints[pick % len(joints)]
    amps = []
    for ohm in (0.002, 0.05, 0.8, 12.0):
        solution = solve(Circuit(design, {**bad, joint.name: ohm}), duty)
        branch = solution.circuit.netlist.joint[joint.name]
        (row,) = np.flatnonzero(solution.circuit.kept == branch).tolist() or (-1,)
        amps.append(0.0 if row < 0 else abs(float(solution.branch_a[row])))
    tolerance = 1e-7 * max(1.0, amps[0])
    assert all(after <= before + tolerance for before, after in pairwise(amps)), amps


@given(recipe=_recipes(("regulated",)))
@few
def test_regulated_nodes_hold_their_power_or_the_prop_does_not_start(
    make_fan: MakeFan, make_kind: MakeKind, recipe: dict[str, object]
) -> None:
    """`I = P / V` at every lit node of a prop that starts, for any joint resistances."""
    design, bad, duty = _cook(recipe, make_fan, make_kind)
    solution = solve(Circuit(design, bad), duty)
    kind, lit = design.node, duty.any(axis=1)
    if not solution.starts:
        fades_v = max(kind.full_v.values())
        assert lit.any()
        assert solution.node_v[lit].min() < fades_v
        return
    power_w = solution.channel_a.sum(axis=1) * solution.node_v
    asked_w = duty.sum(axis=1) * kind.channel_ma * 1e-3 * kind.volts
    np.testing.assert_allclose(power_w, asked_w, rtol=1e-7, atol=1e-12)


@given(recipe=_recipes(), pick=st.integers(0, 10**6), now=st.sampled_from([0.03, 4.0, math.inf]))
@few
def test_a_circuit_with_a_changed_joint_equals_one_built_from_scratch(
    make_fan: MakeFan, make_kind: MakeKind, recipe: dict[str, object], pick: int, now: float
) -> None:
    """To the last digit; and a start from the earlier operating point gives the same volts."""
    design, bad, duty = _cook(recipe, make_fan, make_kind)
    joints = power_joints(design)
    name = joints[pick % len(joints)].name
    before = Circuit(design, bad)
    settled = solve(before, duty)
    changed = before.changed({name: now})
    anew = solve(Circuit(design, {**bad, name: now}), duty)
    assert np.array_equal(solve(changed, duty).point_v, anew.point_v)
    if changed.shares_unknowns(before) and not changed.floating.any():
        near = solve(changed, duty, settled)
        assert np.abs(near.point_v - anew.point_v).max() < 1e-6
