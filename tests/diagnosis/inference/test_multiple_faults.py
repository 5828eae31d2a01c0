"""Several faults at once, and the reasons given for each suspect."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.prediction import predict
from benchtest.circuit.tolerance import HAND_SOLDERED
from benchtest.diagnosis import Engine, Finding, Suspect
from benchtest.diagnosis.inference.cache import CachedLookup, ConditionalCache
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.inference.multiple_faults import fault_combinations
from benchtest.diagnosis.inference.posterior import FaultHypothesis
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID_OHM, GRID_SIZE
from benchtest.diagnosis.model.faults import fault_space
from benchtest.diagnosis.solve_budget import SolveBudget
from benchtest.diagnosis.suspect_evidence import suspect_evidence
from benchtest.diagnosis.thresholds import FURTHER_FAULT_LOG
from benchtest.evidence.marks import Mark, Seen
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.joints import find_joint
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.wording import reason_text
from tests.diagnosis.conftest import Bench


@pytest.fixture(scope="module")
def comb(make_fan: Callable[..., Design]) -> Design:
    """Five strands on one bus: each drop is that of one joint."""
    return make_fan(5, 12, crown=False)


@pytest.fixture(scope="module")
def engine(comb: Design) -> Engine:
    return Engine(comb)


def _marks(design: Design, *rows: tuple[int, int, int, Seen]) -> list[Mark]:
    lit = all_lit(design)
    right = [Mark(lit, s.number, 1, s.nodes, "ok") for s in design.strands]
    return right + [Mark(lit, strand, first, last, seen) for strand, first, last, seen in rows]


def _likely(finding: Finding) -> set[str]:
    total: dict[str, float] = {}
    for suspect in finding.suspects:
        total[suspect.where] = total.get(suspect.where, 0.0) + suspect.probability
    return {where for where, probability in total.items() if probability > 0.8}


def _read(bench: Bench, *probes: str) -> list[Reading]:
    lit = all_lit(bench.design)
    return [bench.read(lit, parse_probe(probe, bench.design)) for probe in probes]


def test_two_dark_nodes_are_both_named(comb: Design, engine: Engine) -> None:
    finding = engine.diagnose(marks=_marks(comb, (2, 4, 4, "dark"), (4, 9, 9, "dark")))
    assert _likely(finding) == {"2.4", "4.9"}


def test_three_dark_nodes_are_all_named(comb: Design, engine: Engine) -> None:
    rows = [(1, 3, 3), (2, 4, 4), (4, 9, 9)]
    finding = engine.diagnose(marks=_marks(comb, *((*row, "dark") for row in rows)))
    assert _likely(finding) == {"1.3", "2.4", "4.9"}


def test_a_bad_joint_and_a_dark_node_are_both_named(comb: Design, engine: Engine) -> None:
    bench = Bench(comb, {"3A-": 0.4}, seed=21)
    readings = _read(bench, "1A", "2A", "3A", "4A", "5A", "foot:3->3A-", "foot:3+>3A+")
    finding = engine.diagnose(readings, _marks(comb, (5, 2, 2, "dark")))
    assert _likely(finding) == {"3A-", "5.2"}


@pytest.mark.parametrize(
    ("faults", "seed"),
    [
        ({"2A+": 0.5, "5A-": 0.9}, 31),
        ({"3A+": 0.3, "3A-": 0.7}, 32),
        ({"1A-": 0.1, "4A+": 2.0}, 33),
        ({"1A+": 0.4, "3A-": 0.6, "5A+": 0.8}, 34),
    ],
)
def test_bad_joints_at_once_are_named_with_their_resistances(
    comb: Design, engine: Engine, faults: dict[str, float], seed: int
) -> None:
    bench = Bench(comb, faults, seed)
    ends = [f"{n}A" for n in range(1, 6)]
    drops = [str(find_joint(f"{end}{rail}", comb).probe) for end in ends for rail in "+-"]
    finding = engine.diagnose(_read(bench, *ends, *drops))
    assert _likely(finding) == set(faults)
    for suspect in finding.suspects[: len(faults)]:
        assert suspect.ohms is not None
        assert suspect.ohms.low * 0.9 < faults[suspect.where] < suspect.ohms.high * 1.1


def test_requested_readings_name_bad_joints_only(comb: Design, engine: Engine) -> None:
    bench = Bench(comb, {"2A+": 1.0, "4A-": math.inf}, seed=41)
    finding = bench.find(engine, at_most=14)
    found = _likely(finding)
    assert found
    assert found <= {"2A+", "4A-"}


@pytest.mark.parametrize(
    ("nodes", "faults", "seed"),
    [
        (12, {"1A-": 3.0, "4A+": 1.2, "feed1+": 0.6}, 2),
        (12, {"2A-": 4.0, "3A-": 1.5, "5A+": 0.9}, 3),
        (20, {"1A-": 2.0, "3A+": 1.9, "feed1-": 0.4}, 1),
        (20, {"1A-": 3.0, "4A+": 1.2, "feed1+": 0.6}, 2),
    ],
)
def test_three_large_faults_on_one_bus_are_named_by_rail_volts_alone(
    make_fan: Callable[..., Design], nodes: int, faults: dict[str, float], seed: int
) -> None:
    """Volts between the rails do not separate + and - of one end: each is as likely."""
    design = make_fan(5, nodes, crown=False)
    readings = _read(Bench(design, faults, seed), "1A", "2A", "3A", "4A", "5A", "feed1")
    total: dict[str, float] = {}
    for suspect in Engine(design).diagnose(readings).suspects:
        total[suspect.where] = total.get(suspect.where, 0.0) + suspect.probability
    places = {where[:-1] for where in faults}
    for place in places:
        assert total[f"{place}+"] + total[f"{place}-"] > 0.8
        assert total[f"{place}+"] == pytest.approx(total[f"{place}-"], abs=0.15)
    assert all(p < 0.3 for where, p in total.items() if where[:-1] not in places)


def test_the_weight_of_an_estimated_combination_has_the_odds_of_each_fault(
    comb: Design, engine: Engine
) -> None:
    """Compare estimates with the sum of the prior odds: no fault may come for nothing."""
    marks = _marks(comb, (2, 5, 5, "dim"), (4, 7, 7, "dim"))
    case = EvidenceSet((), marks, DEFAULT_METER, (), SolveBudget(60_000))
    lookup = CachedLookup(engine.usual.cache, case, None, engine.usual.cache.of(case))
    several = fault_combinations(lookup)
    assert several
    unconditional = lookup((), forced=True)
    for one in several:
        odds = sum(unconditional.prior_log_odds_of(fault) for fault in one.faults)
        most = odds + (len(one.faults) - 1) * FURTHER_FAULT_LOG + np.log(COLUMNS)
        assert one.log_prior <= most


def test_a_single_fault_is_the_only_likely_suspect(comb: Design, engine: Engine) -> None:
    finding = engine.diagnose(_read(Bench(comb, {"2A+": 0.5}, 51), "1A", "2A", "3A", "foot:2+>2A+"))
    assert _likely(finding) == {"2A+"}
    assert all(s.probability < 0.1 for s in finding.suspects if s.where != "2A+")


def test_weight_of_two_faults_is_the_sum_over_both_resistances(
    make_fan: Callable[..., Design],
) -> None:
    """Compared with a Riemann sum: every fourth resistance of one joint, all of the other."""
    design = make_fan(3, 6, crown=False)
    space = fault_space(design)
    readings = _read(
        Bench(design, {"1A+": 0.5, "3A-": 0.8}, 61),
        "1A", "2A", "3A", "1B", "3B", "foot:1+>1A+", "foot:3->3A-",
    )  # fmt: skip
    case = EvidenceSet(readings, (), DEFAULT_METER, (), SolveBudget(10**9))
    views = ConditionalCache(design, space, HAND_SOLDERED)
    look = CachedLookup(views, case, None, views.of(case))

    best = fault_combinations(look)[0]
    assert {part.where for part in best.faults} == {"1A+", "3A-"}
    names = [joint.name for joint in space.joints]
    first = names.index("1A+")
    plain, step = look(()), 4
    total = -np.inf
    for column in range(0, GRID_SIZE, step):
        row = look((FaultHypothesis("1A+", "resistive", column),)).row("3A-")
        weight = np.logaddexp.reduce(row) + plain.prior_log_odds[0][first][column] + np.log(step)
        total = np.logaddexp(total, weight + FURTHER_FAULT_LOG)
    assert best.log_weight == pytest.approx(total, abs=0.3)
    assert {part.where: part.ohm for part in best.faults}["1A+"] == pytest.approx(0.5, rel=0.15)
    assert GRID_OHM[0] < best.faults[0].ohm < GRID_OHM[-1]


def test_a_reason_gives_what_a_good_unit_shows(comb: Design, engine: Engine) -> None:
    readings = _read(Bench(comb, {"2A+": 0.5}, 71), "1A", "2A", "3A", "foot:2+>2A+")
    suspect = engine.diagnose(readings).suspects[0]
    lit, probe = all_lit(comb), parse_probe("foot:2+>2A+", comb)
    good = predict(comb, lit, [probe]).probes[0]
    assert readings[3].volts is not None
    reason = reason_text(suspect, comb)
    assert f"foot 2+ > 2A+ with all lit read {readings[3].volts * 1e3:.1f} mV" in reason
    assert f"a good unit shows {good.volts * 1e3:.1f} mV" in reason
    assert suspect.after is not None
    assert suspect.after.probe == probe
    assert suspect.after.volts == pytest.approx(good.volts, abs=1e-9)


def test_a_reason_names_what_was_seen(comb: Design, engine: Engine) -> None:
    finding = engine.diagnose(marks=_marks(comb, (2, 4, 4, "dark")))
    assert "Seen: 2.4 dark" in reason_text(finding.suspects[0], comb)


def test_a_reading_against_a_suspect_is_named(comb: Design) -> None:
    readings = _read(Bench(comb, {"2A+": 0.5}, 72), "1A", "2A", "3A", "foot:2->2A-")
    case, views = (
        EvidenceSet(readings, (), DEFAULT_METER, ()),
        ConditionalCache(comb, fault_space(comb), HAND_SOLDERED),
    )
    view, names = views.of(case), [joint.name for joint in fault_space(comb).joints]
    best = int(view.joints[names.index("2A+")].argmax())
    evidence, _ = suspect_evidence(view, FaultHypothesis("2A-", "resistive", best))
    (against,) = evidence.readings_against
    assert against.reading == readings[3]
    suspect = Suspect("2A-", "resistive", 0.5, evidence=evidence)
    assert readings[3].volts is not None
    shown = f"foot 2- > 2A- with all lit read {readings[3].volts * 1e3:.1f} mV"
    assert f"Against it: {shown}" in reason_text(suspect, comb)
    guilty, _ = suspect_evidence(view, FaultHypothesis("2A+", "resistive", best))
    assert not guilty.readings_against


def test_a_reading_that_fits_nothing_is_pointed_out(fan: Design, fan_engine: Engine) -> None:
    readings = _read(Bench(fan, {}, seed=14), *(f"{n}A" for n in range(1, 8)))
    assert fan_engine.diagnose(readings).strange is None
    wrong = readings[3]
    assert wrong.volts is not None
    readings[3] = dataclasses.replace(wrong, volts=wrong.volts - 1.0)
    assert fan_engine.diagnose(readings).strange == 4
