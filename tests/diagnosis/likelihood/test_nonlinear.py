"""Props that are short of volts everywhere: the work is bounded, and readings count for less."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.solution import solve
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.likelihood.linear import linear_predictions
from benchtest.diagnosis.model import fault_response as response
from benchtest.diagnosis.model.fault_response import (
    COLUMNS,
    GRID_OHM,
    MIN_LARGE_NODES,
    DesignResponse,
)
from benchtest.diagnosis.solve_budget import MAX_UNITS_LARGE, SolveBudget, solve_units
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import parse_probe
from benchtest.virtual.injected_faults import parse_faults
from benchtest.virtual.virtual_prop import VirtualProp
from tests.diagnosis.conftest import Bench

MakeFan = Callable[..., Design]
EXPLAINED = 8
"""Circuits that words about suspects may take beyond the bound, times lit sets."""


@pytest.fixture(scope="module")
def starved(make_fan: MakeFan) -> Design:
    """Large, and all of it on one thin cable: at full white most nodes lack headroom."""
    design = make_fan(36, 30, wire="16 AWG", feed_mm=500.0)
    assert design.node_count >= MIN_LARGE_NODES
    return design


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Nodes of every circuit that is solved for a fault, as it happens."""
    found: list[int] = []
    solve = DesignResponse._solve_changed

    def without_duplicates(self: DesignResponse, joint: str, ohm: float, lit: LitSet) -> object:
        found.append(self.design.node_count)
        return solve(self, joint, ohm, lit)

    monkeypatch.setattr(DesignResponse, "_solve_changed", without_duplicates)
    return found


def _readings(design: Design, faults: dict[str, float], seed: int = 4) -> list[Reading]:
    bench = Bench(design, faults, seed)
    half = LitSet(frozenset(range(1, 19)))
    asked = [
        (all_lit(design), "9A"),
        (half, "9B"),
        (LitSet(frozenset([9])), "foot:9+>9A+"),
        (half, "foot:9+>9A+"),
        (half, "crown:3->crown:14-"),
        (half, "30B"),
        (LitSet(frozenset([9])), "9A"),
        (all_lit(design), "foot:2->foot:30-"),
    ]
    return [bench.read(lit, parse_probe(probe, design)) for lit, probe in asked]


def _named(finding: Finding) -> str:
    return finding.suspects[0].where if finding.suspects else ""


def test_what_is_solved_for_a_starved_prop_is_bounded(starved: Design, solved: list[int]) -> None:
    engine = Engine(starved)
    engine.diagnose(_readings(starved, {}))
    assert solved, "a fault that starves more nodes is solved, as far as allowed"
    each = solve_units(starved)
    assert len(solved) * each <= MAX_UNITS_LARGE + EXPLAINED * each
    assert engine.work_units <= MAX_UNITS_LARGE
    assert _named(engine.diagnose(_readings(starved, {"9A+": 0.5}))) == "9A+"


def test_no_more_is_solved_than_allowed_whatever_the_marks(
    starved: Design, solved: list[int]
) -> None:
    """A dozen strands that look wrong ask for every joint of theirs at every resistance."""
    lit, readings = all_lit(starved), _readings(starved, {"9A+": 0.5})
    marks = [Mark(lit, strand.number, 1, strand.nodes, "dark") for strand in starved.strands]
    for few in (marks[:1], marks[1:9], marks):
        solved.clear()
        budget = SolveBudget.of(starved)
        engine, case = Engine(starved), EvidenceSet(readings, few, DEFAULT_METER, (), budget)
        assert engine._usual.cache.of(case).joints.shape == (len(engine.space.joints), COLUMNS)
        assert 0 < len(solved) * solve_units(starved) <= budget.spent <= MAX_UNITS_LARGE


def test_a_healthy_starved_prop_is_accused_of_nothing(starved: Design) -> None:
    """Units whose tolerances are drawn at random: sums of straight lines are off by some tenths."""
    engine = Engine(starved)
    for seed in range(2):
        finding = engine.diagnose(_readings(starved, {}, seed))
        assert not finding.suspects or finding.suspects[0].probability < 0.1


def test_the_same_evidence_has_the_same_answer_whatever_was_asked_before(starved: Design) -> None:
    engine, readings = Engine(starved), _readings(starved, {"9A+": 0.5})
    first = engine.diagnose(readings)
    engine.diagnose(_readings(starved, {}, 1))
    assert engine.diagnose(readings) == first


def test_readings_taken_where_logic_stops_say_little(make_fan: MakeFan) -> None:
    """Nodes below some 3 V go out and come back: nobody knows what a rail shows meanwhile."""
    design = make_fan(36, 30, wire="16 AWG", feed_mm=1500.0)
    readings = _readings(design, {})
    case = EvidenceSet(readings, (), DEFAULT_METER, ())
    likelihood = Engine(design)._usual.cache.of(case).likelihood
    assert likelihood is not None
    sd = np.sqrt(np.diag(likelihood.healthy_covariance))
    whole = np.array([reading.lit == all_lit(design) for reading in readings])
    assert sd[whole].min() > 1.0
    assert sd[~whole].max() < 0.4


def test_what_is_formed_in_one_go_of_a_large_prop_is_what_is_formed_of_a_small_one(
    starved: Design, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of all joints and of one alone, by estimate and in full: to the last digits but a few."""
    case = EvidenceSet(_readings(starved, {"9A+": 0.5}), (), DEFAULT_METER, ())
    likelihood = Engine(starved)._usual.cache.of(case).likelihood
    assert likelihood is not None
    joint = [joint.name for joint in likelihood.responses.space.joints].index("9A+")
    columns = np.array([0, 4, 9])
    as_large = linear_predictions(likelihood, joint, columns)
    alone = linear_predictions(likelihood, joint, columns, separately=True)
    monkeypatch.setattr(response, "MIN_LARGE_NODES", 10**9)
    small = Engine(starved)._usual.cache.of(case).likelihood
    assert small is not None
    full, thin = small.rough(joint).weight, likelihood.rough(joint).weight
    assert thin.argmax() == full.argmax()
    assert np.logaddexp.reduce(thin) == pytest.approx(np.logaddexp.reduce(full), abs=0.1)
    for mean, covariance in (as_large, alone):
        expected = linear_predictions(small, joint, columns)
        assert mean == pytest.approx(expected[0], rel=1e-9)
        assert covariance == pytest.approx(expected[1], rel=1e-8, abs=1e-18)


@pytest.mark.parametrize("alone", [True, False], ids=["one fault", "given"])
def test_nodes_whose_logic_stops_draw_their_quiescent_current(
    make_fan: MakeFan, alone: bool
) -> None:
    """Ohm's law in sight: 30 nodes of 0.8 mA behind 25 Ω; lit they would have some 2 V."""
    design = make_fan(3, 30, crown=False)
    (kind, lit), ohm = (design.node, all_lit(design)), 25.0
    column = int(np.argmin(np.abs(GRID_OHM - ohm)))
    part, views = FaultHypothesis("2A+", "resistive", column), Engine(design)._usual.cache
    responses = views.responses(() if alone else (part,))
    solution = responses.exact("2A+", column, lit) if alone else responses.solution(lit)
    rows = slice(design.first_index[1], design.first_index[2])
    assert not solution.duty[rows].any()
    assert responses.dropped_out(lit, solution)[rows].all()
    dark_v = design.feeds[0].volts - part.ohm * 30 * kind.quiescent_ma * 1e-3
    assert solution.volts(parse_probe("2A", design)) == pytest.approx(dark_v, abs=0.15)
    lit_v = solve(solution.circuit, lit.duty(design)).volts(parse_probe("2A", design))
    assert lit_v < kind.logic_v < dark_v


def test_a_strand_that_falls_dark_and_a_second_fault_are_both_named(make_fan: MakeFan) -> None:
    """A virtual prop's nodes lose their data for want of volts, and draw next to nothing then."""
    design = make_fan(4, 20, crown=False)
    lit = all_lit(design)
    prop = VirtualProp(design, parse_faults(["2A-=14", "4A+=1.1"], design), seed=5)
    for _ in range(3):
        prop.receive(frame_from_duty(lit.duty(design)))
    readings = [
        Reading(lit, parse_probe(text, design), round(prop.volts(parse_probe(text, design)), 3))
        for text in ("1A", "2A", "3A", "4A", "foot:2->2A-", "foot:4+>4A+")
    ]
    assert readings[1].value > design.node.logic_v
    finding = Engine(design).diagnose(readings)
    found = {s.where for s in finding.suspects if s.probability > 0.8}
    assert found == {"2A-", "4A+"}
    assert finding.explained
