"""Series of readings that prove a sound unit, against SciPy and against one reading at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from scipy.linalg import cho_factor, cho_solve
from scipy.stats import multivariate_normal

from benchtest.diagnosis import Engine
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.planning.candidates import lit_sets
from benchtest.diagnosis.planning.cost import Leads, reading_cost
from benchtest.diagnosis.planning.decision import load_readings
from benchtest.diagnosis.planning.forecast import Forecaster
from benchtest.diagnosis.planning.regression import PlanningEvidence
from benchtest.diagnosis.planning.series import (
    SeriesGoal,
    _candidates,
    _Family,
    leads_left,
    plan_series,
)
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design, Probe
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import parse_probe
from tests.diagnosis.conftest import Bench

Situation = tuple[Forecaster, PlanningEvidence, SeriesGoal, list[LitSet]]


@pytest.fixture(scope="module")
def engine(make_fan: Callable[..., Design]) -> Engine:
    return Engine(make_fan(8, 20))


def situation(
    engine: Engine, readings: Sequence[Reading] = (), unreachable: Sequence[Probe] = ()
) -> Situation:
    """Return what a series is planned from."""
    conditional = engine.usual.cache.of(EvidenceSet(readings, (), DEFAULT_METER, ()))
    forecaster = engine.forecasters(engine.usual).of(conditional)
    evidence = PlanningEvidence(readings, conditional.likelihood, conditional.likelihoods)
    lits = [lit for lit in lit_sets(engine.design, np.zeros(8)) if len(lit.strands) > 1]
    goal = SeriesGoal(
        conditional.seen_log_ratio,
        conditional.responses.space.soldered,
        conditional.posterior,
        load_readings(forecaster, engine.permitted, readings),
        frozenset(unreachable),
    )
    return forecaster, evidence, goal, lits


def seconds(design: Design, requests: Sequence[tuple[LitSet, Probe]]) -> float:
    leads, total = Leads(), 0.0
    for lit, probe in requests:
        cost = reading_cost(design, leads, lit, probe)
        leads, total = cost.leads, total + cost.seconds
    return total


@pytest.mark.parametrize("count", [0, 2])
def test_evidence_of_a_series_is_that_of_the_whole_covariance(engine: Engine, count: int) -> None:
    """SciPy: mean log density ratio of normal distributions, and one Cholesky solution."""
    bench = Bench(engine.design, {}, 5)
    bench.find(engine, at_most=count)
    forecaster, evidence, goal, lits = situation(engine, bench.readings)
    family = _Family(forecaster, evidence, goal, _candidates(forecaster, evidence, goal, lits))
    series = family.begin(Leads())
    covariance, effects = series.covariance, series.effects
    for _ in range(2):
        series = family.after(family.steps(series)[3])
    places = list(series.places)
    own, effect = covariance[np.ix_(places, places)], effects[places]
    solved = cho_solve(cho_factor(own), effect)
    assert series.evidence == pytest.approx((effect * solved).sum(axis=0) / 2.0, rel=1e-6)
    fault = int(series.evidence.argmax())
    drawn = multivariate_normal([0.0] * len(places), own).rvs(20_000, random_state=1)
    healthy = multivariate_normal([0.0] * len(places), own).logpdf(drawn)
    ratio = multivariate_normal(effect[:, fault], own).logpdf(drawn) - healthy
    assert ratio.mean() == pytest.approx(-series.evidence[fault], rel=0.05)
    assert ratio.var() == pytest.approx(2.0 * series.evidence[fault], rel=0.05)


def test_a_series_proves_a_sound_unit_sooner_than_one_reading_at_a_time(engine: Engine) -> None:
    series = plan_series(*situation(engine))
    bench = Bench(engine.design, {}, 7)
    readings = [bench.read(lit, probe) for lit, probe in series]
    found = engine.diagnose(readings)
    assert found.cleared_ohm is not None
    assert found.healthy > 0.9
    # reading every strand end, as with a notebook, moves both leads each time: 16 readings of 10 s
    ends = [(all_lit(engine.design), parse_probe(f"{n}{end}", engine.design))
            for n in range(1, 9) for end in "AB"]  # fmt: skip
    assert seconds(engine.design, series) < 0.4 * seconds(engine.design, ends)


def test_places_that_no_lead_reaches_are_left_out(engine: Engine) -> None:
    first = plan_series(*situation(engine))[0][1]
    others = plan_series(*situation(engine, unreachable=[first]))
    assert others
    assert all(probe.points != first.points for _, probe in others)


def test_nothing_is_planned_once_all_is_shown(engine: Engine) -> None:
    bench = Bench(engine.design, {}, 9)
    for _ in range(14):
        series = plan_series(*situation(engine, bench.readings))
        if not series:
            break
        bench.readings.append(bench.read(*series[0]))
    assert not series
    assert load_readings(situation(engine)[0], engine.permitted, bench.readings) == []


@pytest.mark.parametrize(
    ("probes", "stays"),
    [
        (["foot:1+>foot:2+", "foot:3+>foot:2+"], {"black"}),
        (["foot:1+>foot:2+", "foot:1+>foot:2+", "foot:1+>foot:4+"], {"red"}),
        (["foot:1+>foot:2+", "foot:3+>foot:4+", "foot:5+>foot:2+"], set()),
        (["foot:1+>foot:2+", "foot:1+>foot:2+"], set()),
        (["foot:1+>foot:2+"], set()),
    ],
)
def test_a_lead_is_left_where_the_other_one_moves(
    engine: Engine, probes: Sequence[str], stays: set[str]
) -> None:
    lit = all_lit(engine.design)
    series = [(lit, parse_probe(probe, engine.design)) for probe in probes]
    assert leads_left(series) == stays
