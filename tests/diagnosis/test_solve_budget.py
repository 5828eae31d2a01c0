"""Solve budget of a finding: the charge does not depend on the caches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from benchtest.diagnosis import Engine, PreRepairEvidence
from benchtest.diagnosis.planning.candidates import lit_sets, reachable_probes
from benchtest.diagnosis.solve_budget import MAX_UNITS, SolveBudget, Stage
from benchtest.diagnosis.thresholds import MAX_READINGS
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit
from tests.diagnosis.conftest import Bench


@pytest.fixture(scope="module")
def ring(make_fan: Callable[..., Design]) -> Design:
    """Near undervoltage at full white, so that most joint faults make nodes nonlinear."""
    return make_fan(6, 16, wire="28 AWG", feed_mm=3000.0)


def _anywhere(bench: Bench, count: int, seed: int) -> list[Reading]:
    rng, design = np.random.default_rng(seed), bench.design
    lits, probes = lit_sets(design, np.zeros(len(design.strands))), reachable_probes(design)
    return [
        bench.read(lits[int(rng.integers(len(lits)))], probes[int(rng.integers(len(probes)))])
        for _ in range(count)
    ]


def _nonsense(readings: list[Reading], seed: int) -> list[Reading]:
    rng = np.random.default_rng(seed)
    return [replace(r, volts=(r.volts or 0.0) + float(rng.normal(0.0, 0.3))) for r in readings]


def test_refusals_are_final_and_charged_requests_are_free() -> None:
    budget = SolveBudget(100)
    budget.stage = Stage.PLAN
    assert budget.try_charge(("a", "b"), 40)
    assert not budget.allows(("c",), 40)
    assert budget.try_charge(("a", "b"), 40), "a repeated request is free"
    assert budget.spent == 80
    assert not budget.allows(("c",), 1), "a refusal is final"
    assert budget.allows(("d",), 20)


def test_later_stage_may_use_units_that_an_earlier_one_left() -> None:
    budget = SolveBudget(1000)
    assert not budget.try_charge(("a",), 500)
    budget.stage = Stage.SEVERAL
    assert budget.try_charge(("b",), 500)
    assert budget.left == 300


@pytest.mark.parametrize("count", [4, 40])
def test_contradictory_evidence_stays_within_the_budget(ring: Design, count: int) -> None:
    readings = _nonsense(_anywhere(Bench(ring, {"2A+": 0.8, "5B-": 0.3}, 3), count, 4), 5)
    marks = [Mark(all_lit(ring, 0.25), n, 5, 16, "dark") for n in (2, 4)]
    engine = Engine(ring)
    finding = engine.diagnose(readings, marks)
    assert 0 < engine.work_units <= MAX_UNITS
    assert len(finding.readings) == count


def test_three_repairs_leave_each_finding_within_the_budget(ring: Design) -> None:
    before = []
    for number, where in enumerate(("2A+", "5B-", "3B+")):
        then = _nonsense(_anywhere(Bench(ring, {"2A+": 0.8}, number), 12, number), number)
        marks = (Mark(all_lit(ring), number + 1, 3, 9, "dark"),)
        before.append(PreRepairEvidence(where, tuple(then), marks, tuple(then[:4])))
    now = _nonsense(_anywhere(Bench(ring, {"4A-": 0.4}, 9), 10, 9), 9)
    engine = Engine(ring)
    first = engine.diagnose(now, repaired=[one.where for one in before], before=before)
    assert 0 < engine.work_units <= MAX_UNITS
    engine.diagnose(now[:3], before=before[:1])
    assert 0 < engine.work_units <= MAX_UNITS
    again = engine.diagnose(now, repaired=[one.where for one in before], before=before)
    assert 0 < engine.work_units <= MAX_UNITS
    assert again == first, "a finding does not depend on earlier ones"


def test_three_hundred_readings_name_the_joint_within_one_budget(
    make_fan: Callable[..., Design],
) -> None:
    fan = make_fan(6, 16)
    engine, bench = Engine(fan), Bench(fan, {"4A+": 0.5}, 7)
    table = _anywhere(bench, 300, 8)
    finding = engine.diagnose(table)
    assert finding.suspects[0].where == "4A+"
    assert finding.suspects[0].probability > 0.9
    assert engine.work_units <= MAX_UNITS
    assert len(finding.readings) == 300
    assert MAX_READINGS < 300


def test_plan_offers_runners_up_that_differ_from_the_best_reading(
    fan_engine: Engine,
) -> None:
    finding = fan_engine.diagnose()
    ask = finding.next
    assert ask.lit is not None
    assert ask.probe is not None
    gone = {(ask.lit, ask.probe.points)}
    assert finding.next.after(set()) == (ask.lit, ask.probe)
    assert finding.next.after(gone) == finding.next.runners_up[0]
    assert (ask.lit, ask.probe) not in finding.next.runners_up
    gone |= {(lit, probe.points) for lit, probe in finding.next.runners_up}
    rest = [one for one in finding.next.meanwhile if (one[0], one[1].points) not in gone]
    assert finding.next.after(gone) == rest[0]
    gone |= {(lit, probe.points) for lit, probe in rest}
    assert finding.next.after(gone) is None


def test_every_requested_reading_has_others_to_take_while_its_finding_is_worked_out(
    make_fan: Callable[..., Design],
) -> None:
    """The drop before a repair decides about that joint: no other reading has a lead there."""
    fan = make_fan(6, 16)
    seen = set()
    for faults in ({"4B+": 0.5}, {}):
        engine, bench = Engine(fan), Bench(fan, faults, 3)
        readings: list[Reading] = []
        while not (finding := engine.diagnose(readings)).next.settled and len(readings) < 25:
            ask = finding.next
            assert ask.lit is not None
            assert ask.probe is not None
            taken = {(one.lit, one.probe.points) for one in readings}
            others = [*ask.runners_up, *ask.meanwhile]
            assert [one for one in others if (one[0], one[1].points) not in taken]
            if ask.before_repair:
                assert not any(one[1].points & ask.probe.points for one in others)
            seen.add(ask.before_repair)
            readings.append(bench.read(ask.lit, ask.probe))
    assert seen == {True, False}
