"""The spread of a healthy unit, against sampling and against finite differences."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm, qmc

from benchtest.circuit import tolerance_condensed as deviation
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.prediction import predict
from benchtest.circuit.solution import solve
from benchtest.circuit.tolerance import (
    FROM_MANY_REELS,
    HAND_SOLDERED,
    Tolerances,
    cause_names,
    feed_ohm_sd,
    joint_moments,
    reading_spread,
)
from benchtest.circuit.tolerance_condensed import (
    CondensedSensitivities,
    CondensedSpread,
    standard_deviation_v,
)
from benchtest.diagnosis.planning.candidates import reachable_probes
from benchtest.prop.conductors import Conductor
from benchtest.prop.design import HEALTHY_JOINT_OHM, Design, Feed, Probe
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_probe

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]

PROBES = ["3A", "3B", "1B", "foot:3+>3A+", "foot:1+>foot:4+", "2.4", "2A+>3A+"]
UNITS = 2000
STIFF = dataclasses.replace(HAND_SOLDERED, source_ohm=0.002)
"""Tolerances with a source resistance so small that sampled cables keep positive resistance."""


def _scaled(conductor: Conductor, by: float) -> Conductor:
    return dataclasses.replace(conductor, ratio=conductor.ratio * by)


def _altered(
    design: Design,
    *,
    wire: float = 1.0,
    copper: float = 1.0,
    current: float = 1.0,
    supply: float | Sequence[float] = 1.0,
    fuse: float = 1.0,
    cables: Sequence[float] = (),
) -> Design:
    """The same prop with each material off its nominal by a factor; `cables` of each feed."""
    supplies = [supply] * len(design.feeds) if isinstance(supply, float) else supply
    longer = cables or [1.0] * len(design.feeds)
    return dataclasses.replace(
        design,
        node=dataclasses.replace(
            design.node,
            channel_ma=design.node.channel_ma * current,
            quiescent_ma=design.node.quiescent_ma * current,
        ),
        strands=tuple(
            dataclasses.replace(strand, wire=_scaled(strand.wire, wire))
            for strand in design.strands
        ),
        buses=tuple(
            dataclasses.replace(bus, copper=_scaled(bus.copper, copper)) for bus in design.buses
        ),
        feeds=tuple(
            dataclasses.replace(
                feed,
                volts=feed.volts * own,
                wire=_scaled(feed.wire, cable),
                fuse_mohm=feed.fuse_mohm * fuse,
            )
            for feed, own, cable in zip(design.feeds, supplies, longer, strict=True)
        ),
    )


def _cable_sd(feed: Feed, tolerances: Tolerances | None = None) -> float:
    """Deviation of a supply's series resistance, as a share of that of its cables."""
    ohm = 2.0 * feed.wire.ohm_per_mm * feed.length_mm
    return feed_ohm_sd(feed, STIFF if tolerances is None else tolerances) / ohm


def _fused(make_fan: MakeFan, **figures: object) -> Design:
    design = make_fan(4, 8, **figures)
    feeds = tuple(dataclasses.replace(feed, fuse_mohm=11.0) for feed in design.feeds)
    return dataclasses.replace(design, feeds=feeds)


def _starved_or_not(make_fan: MakeFan, make_kind: MakeKind, starved: bool) -> Design:
    kind = make_kind(channel_ma=45.0 if starved else 12.0)
    return _fused(make_fan, kind=kind, crown=not starved)


def _volts(
    design: Design, probes: list[Probe], duty: FloatArray, joint_ohm: dict[str, float]
) -> FloatArray:
    solution = solve(Circuit(design, joint_ohm), duty)
    return np.array([solution.volts(probe) for probe in probes])


def _sampled_v(design: Design, probes: list[Probe]) -> FloatArray:
    """Return volts of random units within the tolerances, shape (UNITS, probes). [V]

    The draws are spread evenly over each cause (SciPy's Latin hypercube), so that 2 000 units give
    a standard deviation to a percent or two.
    """
    tolerances, names = STIFF, [joint.name for joint in power_joints(design)]
    full = all_lit(design).duty(design)
    materials = ("wire", "copper", "current", "fuse")
    feeds = len(design.feeds)
    parts = np.cumsum([len(materials), feeds, feeds, len(names)])
    size = int(parts[-1]) + design.node_count
    draws = norm.ppf(qmc.LatinHypercube(size, seed=20).random(UNITS))
    read = []
    for draw in draws:
        own, supplies, cables, joints, nodes = np.split(draw, parts)
        scales = [1 + getattr(tolerances, m) * z for m, z in zip(materials, own, strict=True)]
        supply = (1 + tolerances.supply * supplies).tolist()
        longer = [1 + _cable_sd(feed) * z for feed, z in zip(design.feeds, cables, strict=True)]
        made: dict[str, Any] = dict(zip(materials, scales, strict=True))
        unit = _altered(design, supply=supply, cables=longer, **made)
        ohms = HEALTHY_JOINT_OHM * tolerances.joint_factor**joints
        node = 1 + tolerances.node * nodes[:, None]
        read.append(_volts(unit, probes, full * node, dict(zip(names, ohms, strict=True))))
    return np.asarray(read)


@pytest.mark.parametrize("shape", ["one feed", "two feeds"])
def test_sd_is_within_five_percent_of_two_thousand_units_built_at_random(
    make_fan: MakeFan, make_kind: MakeKind, shape: str
) -> None:
    """Sampled units draw no quiescent current: a node's own share is that of its channels."""
    feeds = ("foot:1", "crown:4") if shape == "two feeds" else ("foot:1",)
    design = _fused(make_fan, kind=make_kind(quiescent_ma=0.0), feeds=feeds)
    probes = [parse_probe(text, design) for text in PROBES]
    sampled_sd_v = _sampled_v(design, probes).std(axis=0, ddof=1)
    for row, expected_v in zip(
        predict(design, all_lit(design), probes, tolerances=STIFF).probes,
        sampled_sd_v,
        strict=True,
    ):
        assert row.sd == pytest.approx(expected_v, rel=0.05), row.probe


@pytest.mark.parametrize("joint", ["3A+", "feed1-", "2B-"])
def test_the_effect_of_one_joint_is_integrated_over_its_whole_spread(
    make_fan: MakeFan, joint: str
) -> None:
    """Against solutions of the circuit at many resistances, weighted by the normal law."""
    design = make_fan(4, 8, crown=True)
    probe = next(j for j in power_joints(design) if j.name == joint).probe
    duty = all_lit(design).duty(design)
    steps = np.linspace(-6.0, 6.0, 241)
    volts = np.array(
        [
            _volts(design, [probe], duty, {joint: HEALTHY_JOINT_OHM * 1.8 ** float(step)})[0]
            for step in steps
        ]
    )
    weights = norm.pdf(steps)
    weights /= weights.sum()
    sd_v = math.sqrt(weights @ (volts - weights @ volts) ** 2)
    found = reading_spread(solve(Circuit(design), duty), [probe]).shared[0]
    column = cause_names(design).index(f"joint {joint}")
    assert abs(found[column]) == pytest.approx(sd_v, rel=1e-3)


@pytest.mark.parametrize("starved", [False, True])
def test_full_and_condensed_standard_deviations_agree(
    make_fan: MakeFan, make_kind: MakeKind, starved: bool
) -> None:
    """With an effect of every node and branch, and with the ends of each strand only."""
    design = _starved_or_not(make_fan, make_kind, starved)
    solution = solve(Circuit(design, {"3A+": 1.5}), parse_lit_set("2-4", design).duty(design))
    assert (solution.slope_s.max() > 1e-3) == starved
    probes = [parse_probe(text, design) for text in ("3A", "3B", "2A+>3A+", "foot:3+>3A+")]
    known = frozenset({"3A+"})
    assert standard_deviation_v(solution, probes, known_joints=known) == pytest.approx(
        reading_spread(solution, probes, known_joints=known).sd_v, rel=1e-9
    )


@pytest.mark.parametrize("starved", [False, True])
def test_full_and_condensed_covariances_agree(
    make_fan: MakeFan, make_kind: MakeKind, starved: bool
) -> None:
    """The same sum on the skeleton, and with a row for every node and strand."""
    design = _starved_or_not(make_fan, make_kind, starved)
    tolerances = dataclasses.replace(FROM_MANY_REELS, alike=(0.2, -0.1, 0.3))
    solution = solve(Circuit(design, {"3A+": 1.5}), parse_lit_set("2-4", design).duty(design))
    assert (solution.slope_s.max() > 1e-3) == starved
    probes = [parse_probe(text, design) for text in ("3A", "3B", "2A+>3A+", "foot:3+>3A+")]
    known = frozenset({"3A+"})
    read = reading_spread(solution, probes[1:], tolerances, known)
    back = CondensedSensitivities(solution.circuit, solution.factor, probes)
    short = CondensedSpread(solution, back, tolerances, known)
    whole = reading_spread(solution, probes, tolerances, known)
    assert short.variance == pytest.approx(whole.sd_v**2, rel=1e-9)
    expected = whole.shared @ read.shared.T + whole.nodes @ read.nodes.T
    assert short.covariance_with(read) == pytest.approx(expected, rel=1e-8, abs=1e-14)


def _difference_v(
    design: Design, probes: list[Probe], duty: FloatArray, cause: str, base: dict[str, float]
) -> FloatArray:
    """Change of each probe for one standard deviation of a cause, by a small step either way."""
    step = 1e-4
    if cause.startswith("joint "):
        name = cause.removeprefix("joint ")
        ohm = base.get(name, HEALTHY_JOINT_OHM)
        solution = solve(Circuit(design, base), duty)
        share = float(
            joint_moments(solution, HAND_SOLDERED)[1][
                list(solution.circuit.netlist.joint).index(name)
            ]
        )
        up = _volts(design, probes, duty, {**base, name: ohm * (1 + step)})
        down = _volts(design, probes, duty, {**base, name: ohm * (1 - step)})
    elif cause.startswith("feed "):
        (feed,) = design.feeds
        share = _cable_sd(feed, HAND_SOLDERED)
        up = _volts(_altered(design, cables=[1 + step]), probes, duty, base)
        down = _volts(_altered(design, cables=[1 - step]), probes, duty, base)
    else:
        key = "supply" if cause.startswith("supply") else cause
        share = getattr(HAND_SOLDERED, key)
        more: dict[str, Any] = {key: 1 + step}
        less: dict[str, Any] = {key: 1 - step}
        up = _volts(_altered(design, **more), probes, duty, base)
        down = _volts(_altered(design, **less), probes, duty, base)
    return (up - down) / (2 * step) * share


@pytest.mark.parametrize("starved", [False, True])
def test_every_shared_cause_agrees_with_finite_differences(
    make_fan: MakeFan, make_kind: MakeKind, starved: bool
) -> None:
    """Also where the current of nodes depends on their volts."""
    design = _starved_or_not(make_fan, make_kind, starved)
    base = {"3A+": 1.5} if starved else {}
    duty = all_lit(design).duty(design)
    probes = [parse_probe(text, design) for text in PROBES]
    solution = solve(Circuit(design, base), duty)
    assert (solution.slope_s.max() > 1e-3) == starved
    shared = reading_spread(solution, probes).shared
    for column, cause in enumerate(cause_names(design)):
        by_steps = _difference_v(design, probes, duty, cause, base)
        assert shared[:, column] == pytest.approx(by_steps, rel=1e-3, abs=3e-7), cause


def test_each_nodes_own_current_agrees_with_finite_differences(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    design = make_fan(3, 4, kind=make_kind(quiescent_ma=0.0))
    probes = [parse_probe(text, design) for text in ["2A", "3.2", "foot:1+>foot:3+"]]
    duty = all_lit(design, 0.5).duty(design)
    nodes = reading_spread(solve(Circuit(design), duty), probes).nodes
    for index in range(design.node_count):
        more, less = duty.copy(), duty.copy()
        more[index] *= 1.001
        less[index] *= 0.999
        step = _volts(design, probes, more, {}) - _volts(design, probes, less, {})
        by_steps = step / 0.002 * HAND_SOLDERED.node
        assert nodes[:, index] == pytest.approx(by_steps, rel=1e-3, abs=1e-9)


def test_correlated_causes_add_by_their_covariance(make_fan: MakeFan) -> None:
    """`D C Dᵀ` by numpy, with the effects D of each alone and their correlation C."""
    design = _fused(make_fan)
    solution = solve(Circuit(design), all_lit(design).duty(design))
    probes = [parse_probe(text, design) for text in ("3A", "3B", "2A+>3A+", "foot:1+>foot:4+")]
    first = cause_names(design).index("current")
    alone = reading_spread(solution, probes)
    own = alone.shared[:, first : first + 3]
    correlation = np.array([[1.0, -0.7, 0.2], [-0.7, 1.0, 0.1], [0.2, 0.1, 1.0]])
    expected = alone.covariance() + own @ (correlation - np.eye(3)) @ own.T
    tolerances = dataclasses.replace(HAND_SOLDERED, alike=(-0.7, 0.2, 0.1))
    found = reading_spread(solution, probes, tolerances)
    assert found.covariance() == pytest.approx(expected, rel=1e-9)
    assert found.sd_v == pytest.approx(np.sqrt(np.diag(expected)))
    assert standard_deviation_v(solution, probes, tolerances) == pytest.approx(found.sd_v, rel=1e-9)


def test_a_joint_of_given_resistance_adds_no_spread(make_fan: MakeFan) -> None:
    design = make_fan(3, 4)
    across = [parse_probe("foot:2+>2A+", design)]
    unknown = predict(design, all_lit(design), across).probes[0].sd
    given = predict(design, all_lit(design), across, {"2A+": HEALTHY_JOINT_OHM}).probes[0].sd
    assert given < 0.5 * unknown


def test_a_joint_alone_in_a_feed_spreads_as_the_log_normal(make_fan: MakeFan) -> None:
    """sqrt(exp(s²) - 1) exp(s²/2) with s = ln 1.8: the moments of a log-normal, any handbook."""
    s = math.log(HAND_SOLDERED.joint_factor)
    solution = solve(Circuit(make_fan(3, 4)), all_lit(make_fan(3, 4)).duty(make_fan(3, 4)))
    names = list(solution.circuit.netlist.joint)
    # the current of a single feed does not depend on its joint
    assert joint_moments(solution, HAND_SOLDERED)[1][names.index("feed1+")] == pytest.approx(
        math.sqrt(math.exp(s * s) - 1) * math.exp(s * s / 2), rel=1e-6
    )


def test_covariance_has_the_variances_on_its_diagonal(make_fan: MakeFan) -> None:
    design = make_fan(3, 4)
    probes = [parse_probe(text, design) for text in ["1A", "2A", "3B"]]
    found = reading_spread(solve(Circuit(design), parse_lit_set("2", design).duty(design)), probes)
    covariance = found.covariance()
    assert np.sqrt(np.diag(covariance)) == pytest.approx(found.sd_v)
    assert np.linalg.eigvalsh(covariance).min() > -1e-15
    assert covariance[0, 1] > 0.9 * covariance[0, 0]  # one supply is in both readings


def test_many_probes_are_solved_by_their_points_to_the_same_volts(
    make_fan: MakeFan, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Superposition: a current into red and out of black is the difference of two."""
    design = make_fan(4, 8)
    circuit = Circuit(design, {"2A-": math.inf})
    factor = solve(circuit, all_lit(design).duty(design)).factor
    probes = reachable_probes(design)
    each = CondensedSensitivities(circuit, factor, probes).skeleton
    monkeypatch.setattr(deviation, "MIN_PROBES_BY_POINT", 1)
    assert np.abs(CondensedSensitivities(circuit, factor, probes).skeleton - each).max() < 1e-9


def test_series_resistance_of_a_supply_moves_rail_volts_but_no_drop_across_a_joint(
    make_fan: MakeFan,
) -> None:
    """By hand: current of a single feed times the root of squares of 15 mΩ and a quarter cable."""
    design = make_fan(4, 8)
    (feed,) = design.feeds
    solution = solve(Circuit(design), all_lit(design).duty(design))
    probes = [parse_probe(text, design) for text in ("foot:1", "3B", "feed1+>foot:1+", "feed1")]
    column = cause_names(design).index("feed feed1")
    moved_v = reading_spread(solution, probes).shared[:, column]
    cable_ohm = 2.0 * feed.wire.ohm_per_mm * feed.length_mm
    by_hand_v = -solution.feed_a["feed1"] * math.hypot(0.015, 0.25 * cable_ohm)
    assert moved_v == pytest.approx([by_hand_v, by_hand_v, 0.0, by_hand_v], abs=1e-9)


def test_a_source_resistance_that_was_measured_narrows_the_volts(make_fan: MakeFan) -> None:
    design = make_fan(4, 8)
    feed = dataclasses.replace(design.feeds[0], source_mohm=4.0)
    known = dataclasses.replace(design, feeds=(feed,))
    probe = [parse_probe("foot:1", design)]
    before, after = (predict(d, all_lit(design), probe).probes[0] for d in (design, known))
    amps = solve(Circuit(known), all_lit(design).duty(design)).feed_a["feed1"]
    assert before.volts - after.volts == pytest.approx(4e-3 * amps, rel=1e-6)
    assert after.sd < before.sd
