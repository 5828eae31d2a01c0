"""Marks of props near the end of their headroom, where a healthy unit is warm in places."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import norm

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.tolerance import FROM_MANY_REELS
from benchtest.diagnosis import Engine
from benchtest.diagnosis.inference.cache import ConditionalCache
from benchtest.diagnosis.inference.posterior import FaultHypothesis
from benchtest.diagnosis.likelihood.marks import Appearance, appearance, strand_looks
from benchtest.diagnosis.likelihood.unit_marks import LEVEL_STEP_SD, UnitMarkLikelihood
from benchtest.diagnosis.model.fault_response import OPEN_COLUMN, DesignResponse
from benchtest.diagnosis.model.faults import fault_space
from benchtest.diagnosis.solve_budget import SolveBudget
from benchtest.evidence.marks import Mark
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit

SEEN_AS = {Appearance.RIGHT: "ok", Appearance.WARM: "warm", Appearance.DIM: "dim"}


@pytest.fixture(scope="module")
def long_fan(make_fan: Callable[..., Design]) -> Design:
    """Strands whose far nodes lose a little of their white: from 3.6 V down to 3.4 V."""
    fan = make_fan(3, 12, crown=False, wire="28 AWG", feed_mm=4000.0)
    strands = tuple(dataclasses.replace(strand, pitch_mm=300.0) for strand in fan.strands)
    feeds = tuple(dataclasses.replace(feed, volts=3.75) for feed in fan.feeds)
    return dataclasses.replace(fan, strands=strands, feeds=feeds)


def _marks(design: Design, off_v: float) -> Iterator[Mark]:
    """The marks of a person with good eyes, of a unit whose nodes have `off_v` more headroom."""
    lit = all_lit(design)
    node_v = solve(Circuit(design), lit.duty(design)).node_v + off_v
    looks = appearance(design.node, node_v, lit)
    for strand in design.strands:
        start = design.index(strand.number, 1)
        own = looks[start : start + strand.nodes]
        edges = [0, *(np.flatnonzero(np.diff(own)) + 1).tolist(), strand.nodes]
        for low, high in pairwise(edges):
            yield Mark(lit, strand.number, low + 1, high, SEEN_AS[Appearance(own[low])])  # type: ignore[arg-type]


@pytest.mark.parametrize("off_v", [-0.3, -0.15, 0.0, 0.15, 0.3])
def test_no_joint_is_named_by_shades_of_a_unit_with_other_headroom(
    long_fan: Design, off_v: float
) -> None:
    """Forward voltages differ by ±0.2 V within one kind (WS2812B data sheet: 3.0 to 3.4 V)."""
    marks = list(_marks(long_fan, off_v))
    finding = Engine(long_fan).diagnose(marks=marks)
    assert finding.healthy > 0.5
    assert max((one.probability for one in finding.suspects), default=0.0) < 0.1


def test_one_strand_warmer_than_its_neighbours_is_still_suspected(long_fan: Design) -> None:
    lit = all_lit(long_fan)
    kept = [mark for mark in _marks(long_fan, 0.15) if mark.strand != 2]
    finding = Engine(long_fan).diagnose(marks=[*kept, Mark(lit, 2, 1, 12, "dim")])
    assert {"2A+", "2A-"} == {one.where for one in finding.suspects[:2]}
    assert finding.suspects[1].probability > 0.1


def test_levels_have_the_probability_of_a_normal_distribution(long_fan: Design) -> None:
    space = fault_space(long_fan)
    responses = DesignResponse(long_fan, space)
    looks = strand_looks(long_fan, list(_marks(long_fan, 0.0)))
    budget = SolveBudget.of(long_fan)
    levels = UnitMarkLikelihood(responses, looks, budget, (), FROM_MANY_REELS).levels
    shares = np.exp([one.level.log_weight for one in levels])
    half = LEVEL_STEP_SD / 2.0
    assert shares == pytest.approx(np.diff(norm.cdf([-np.inf, -half, half, np.inf])))


def test_a_prop_with_enough_headroom_has_one_level(make_fan: Callable[..., Design]) -> None:
    design = make_fan(4, 10)
    plain = dataclasses.replace(design, name="Plain")
    responses = DesignResponse(plain, fault_space(plain))
    looks = strand_looks(plain, [Mark(all_lit(plain), 1, 1, 10, "ok")])
    unit = UnitMarkLikelihood(responses, looks, SolveBudget.of(plain), (), FROM_MANY_REELS)
    assert len(unit.levels) == 1


def test_a_joint_of_unchanged_resistance_looks_like_no_fault_next_to_a_given_one(
    long_fan: Design,
) -> None:
    """A given open joint leaves nodes without voltage that may pass their data on."""
    given = (FaultHypothesis("2A-", "open", OPEN_COLUMN),)
    cache = ConditionalCache(long_fan, fault_space(long_fan), FROM_MANY_REELS)
    lit = all_lit(long_fan)
    shades = [("warm", 1), ("flicker", 2), ("warm", 3)]
    looks = strand_looks(long_fan, [Mark(lit, number, 1, 12, seen) for seen, number in shades])  # type: ignore[arg-type]
    marks = UnitMarkLikelihood(
        cache.responses(given), looks, SolveBudget.of(long_fan), given, FROM_MANY_REELS
    )
    names = [joint.name for joint in cache.responses(given).space.joints]
    found = marks.joints()[names.index("1A+"), 0]  # 30 mΩ changes no shade
    assert found == pytest.approx(marks.healthy(), abs=0.1)
