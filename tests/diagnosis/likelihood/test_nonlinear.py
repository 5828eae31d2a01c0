"""Props in undervoltage everywhere: bounded work, and readings of less weight."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.solution import solve
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.inference.posterior import FaultHypothesis
from benchtest.diagnosis.likelihood.readings import linear_predictions
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
MAX_EXPLAINING_CIRCUITS = 8
"""Circuits that the evidence of suspects may add to the bound, times lit sets."""


@pytest.fixture(scope="module")
def large_prop(make_fan: MakeFan) -> Design:
    """Return a large prop on one large_row cable: at small_row white most nodes lack headroom."""
    design = make_fan(36, 30, wire="16 AWG", feed_mm=500.0)
    assert design.node_count >= MIN_LARGE_NODES
    return design


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Return the list to which every circuit solved for a fault adds its node count."""
    found: list[int] = []
    solve = DesignResponse.solve_changed

    def recording_solve(self: DesignResponse, joint: str, ohm: float, lit: LitSet) -> object:
        found.append(self.design.node_count)
        return solve(self, joint, ohm, lit)

    monkeypatch.setattr(DesignResponse, "solve_changed", recording_solve)
    return found


def _readings(design: Design, faults: dict[str, float], seed: int = 4) -> list[Reading]:
    bench = Bench(design, faults, seed)
    half = LitSet(frozenset(range(1, 19)))
    requests = [
        (all_lit(design), "9A"),
        (half, "9B"),
        (LitSet(frozenset([9])), "foot:9+>9A+"),
        (half, "foot:9+>9A+"),
        (half, "crown:3->crown:14-"),
        (half, "30B"),
        (LitSet(frozenset([9])), "9A"),
        (all_lit(design), "foot:2->foot:30-"),
    ]
    return [bench.read(lit, parse_probe(probe, design)) for lit, probe in requests]


def _named(finding: Finding) -> str:
    return finding.suspects[0].where if finding.suspects else ""


def test_solved_circuits_of_a_nonlinear_prop_are_bounded(
    large_prop: Design, solved: list[int]
) -> None:
    engine = Engine(large_prop)
    engine.diagnose(_readings(large_prop, {}))
    assert solved, "a fault that makes more nodes nonlinear is solved if the budget allows"
    each = solve_units(large_prop)
    assert len(solved) * each <= MAX_UNITS_LARGE + MAX_EXPLAINING_CIRCUITS * each
    assert engine.work_units <= MAX_UNITS_LARGE
    assert _named(engine.diagnose(_readings(large_prop, {"9A+": 0.5}))) == "9A+"


def test_solved_circuits_stay_within_the_budget_for_any_marks(
    large_prop: Design, solved: list[int]
) -> None:
    """Mark many strands: each adds every joint of its own at every resistance."""
    lit, readings = all_lit(large_prop), _readings(large_prop, {"9A+": 0.5})
    marks = [Mark(lit, strand.number, 1, strand.nodes, "dark") for strand in large_prop.strands]
    for few in (marks[:1], marks[1:9], marks):
        solved.clear()
        budget = SolveBudget.of(large_prop)
        engine, case = Engine(large_prop), EvidenceSet(readings, few, DEFAULT_METER, (), budget)
        assert engine.usual.cache.of(case).joints.shape == (len(engine.space.joints), COLUMNS)
        assert 0 < len(solved) * solve_units(large_prop) <= budget.spent <= MAX_UNITS_LARGE


def test_a_healthy_nonlinear_prop_has_no_suspect(large_prop: Design) -> None:
    """Diagnose units of random tolerances, for which linear sums are off by some tenths."""
    engine = Engine(large_prop)
    for seed in range(2):
        finding = engine.diagnose(_readings(large_prop, {}, seed))
        assert not finding.suspects or finding.suspects[0].probability < 0.1


def test_the_same_evidence_has_the_same_finding_after_other_evidence(large_prop: Design) -> None:
    engine, readings = Engine(large_prop), _readings(large_prop, {"9A+": 0.5})
    first = engine.diagnose(readings)
    engine.diagnose(_readings(large_prop, {}, 1))
    assert engine.diagnose(readings) == first


def test_readings_near_the_logic_voltage_have_a_large_sd(make_fan: MakeFan) -> None:
    """Read rails while nodes below about 3 V drop out and restart."""
    design = make_fan(36, 30, wire="16 AWG", feed_mm=1500.0)
    readings = _readings(design, {})
    case = EvidenceSet(readings, (), DEFAULT_METER, ())
    likelihood = Engine(design).usual.cache.of(case).likelihood
    assert likelihood is not None
    sd = np.sqrt(np.diag(likelihood.healthy_covariance))
    all_lit_rows = np.array([reading.lit == all_lit(design) for reading in readings])
    assert sd[all_lit_rows].min() > 1.0
    assert sd[~all_lit_rows].max() < 0.4


def test_large_and_small_props_have_the_same_predictions(
    large_prop: Design, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Compare sums of all joints and of one, estimated and exact rows, to the last digits."""
    case = EvidenceSet(_readings(large_prop, {"9A+": 0.5}), (), DEFAULT_METER, ())
    likelihood = Engine(large_prop).usual.cache.of(case).likelihood
    assert likelihood is not None
    joint = [joint.name for joint in likelihood.responses.space.joints].index("9A+")
    columns = np.array([0, 4, 9])
    as_large = linear_predictions(likelihood, joint, columns)
    separate = linear_predictions(likelihood, joint, columns, separately=True)
    monkeypatch.setattr(response, "MIN_LARGE_NODES", 10**9)
    small = Engine(large_prop).usual.cache.of(case).likelihood
    assert small is not None
    small_row, large_row = small.rough(joint).weight, likelihood.rough(joint).weight
    assert large_row.argmax() == small_row.argmax()
    assert np.logaddexp.reduce(large_row) == pytest.approx(np.logaddexp.reduce(small_row), abs=0.1)
    for mean, covariance in (as_large, separate):
        expected = linear_predictions(small, joint, columns)
        assert mean == pytest.approx(expected[0], rel=1e-9)
        assert covariance == pytest.approx(expected[1], rel=1e-8, abs=1e-18)


@pytest.mark.parametrize("separate", [True, False], ids=["one fault", "given"])
def test_nodes_below_their_logic_voltage_draw_the_quiescent_current(
    make_fan: MakeFan, separate: bool
) -> None:
    """Compare with Ohm's law: 30 nodes of 0.8 mA behind 25 Ω; lit they would have about 2 V."""
    design = make_fan(3, 30, crown=False)
    (kind, lit), ohm = (design.node, all_lit(design)), 25.0
    column = int(np.argmin(np.abs(GRID_OHM - ohm)))
    part, cache = FaultHypothesis("2A+", "resistive", column), Engine(design).usual.cache
    responses = cache.responses(() if separate else (part,))
    solution = responses.exact("2A+", column, lit) if separate else responses.solution(lit)
    rows = slice(design.first_index[1], design.first_index[2])
    assert not solution.duty[rows].any()
    assert responses.dropped_out(lit, solution)[rows].all()
    dark_v = design.feeds[0].volts - part.ohm * 30 * kind.quiescent_ma * 1e-3
    assert solution.volts(parse_probe("2A", design)) == pytest.approx(dark_v, abs=0.15)
    lit_v = solve(solution.circuit, lit.duty(design)).volts(parse_probe("2A", design))
    assert lit_v < kind.logic_v < dark_v


def test_a_dropped_out_strand_and_a_second_fault_are_both_found(make_fan: MakeFan) -> None:
    """Diagnose a virtual prop whose nodes lose their data from undervoltage."""
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
