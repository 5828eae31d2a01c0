"""Densities and predictions compared with SciPy and with solved circuits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import chi2, lognorm, multivariate_normal, norm

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.tolerance import HAND_SOLDERED, HIGH_JOINT_FACTOR, Tolerances
from benchtest.diagnosis import Engine, diagnose
from benchtest.diagnosis.inference.conditional import chi_square_tail
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood, linear_predictions
from benchtest.diagnosis.likelihood.robust_gaussian import SLIP_PROBABILITY, log_likelihood
from benchtest.diagnosis.model.fault_response import GRID_OHM
from benchtest.diagnosis.planning.fault_samples import FaultSamples
from benchtest.diagnosis.planning.next_reading import information_bits
from benchtest.diagnosis.thresholds import UPPER_TAIL_PROBABILITY
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from tests.diagnosis.conftest import Bench


def _named(weight: FloatArray, joint: NDArray[np.intp], column: NDArray[np.intp]) -> FaultSamples:
    """Return samples of one joint each, named after it."""
    none = np.full(len(joint), -1)
    return FaultSamples(weight, joint, column, none, none, joint, none, none)


def test_likelihood_is_the_gaussian_density_with_one_slip_allowed() -> None:
    # reference: scipy.stats.multivariate_normal
    rng = np.random.default_rng(1)
    root = rng.normal(size=(4, 4))
    covariance = root @ root.T + 0.1 * np.eye(4)
    off = rng.normal(size=4)
    expected = (1 - SLIP_PROBABILITY) ** 4 * multivariate_normal.pdf(off, cov=covariance)
    for slipped in range(4):
        rest = np.delete(np.arange(4), slipped)
        part = multivariate_normal.pdf(off[rest], cov=covariance[np.ix_(rest, rest)])
        expected += SLIP_PROBABILITY * (1 - SLIP_PROBABILITY) ** 3 * 0.1 * part
    assert log_likelihood(off, covariance, slip_per_v=0.1) == pytest.approx(
        np.log(expected), rel=1e-9
    )


@pytest.mark.parametrize("times_median", [4.0, 5.5, 7.0, 9.0, 12.0])
def test_density_of_a_high_joint_is_near_the_log_normal(times_median: float) -> None:
    # reference: scipy.stats.lognorm with the factor of a healthy joint
    sigma = np.log(HAND_SOLDERED.joint_factor)
    expected = lognorm.pdf(times_median, sigma)
    mean, sd = lognorm.mean(sigma), HIGH_JOINT_FACTOR * lognorm.std(sigma)
    found = UPPER_TAIL_PROBABILITY * norm.pdf(times_median, mean, sd)
    assert 1.0 / 6.0 < found / expected < 6.0


@pytest.mark.parametrize("ohm", [0.010, 0.014, 0.020])
@pytest.mark.parametrize("times", [1, 2])
def test_a_high_healthy_joint_is_not_accused(fan: Design, ohm: float, times: int) -> None:
    engine, lit = Engine(fan), parse_lit_set("all", fan)
    probes = ["foot:2+>2A+"] * times + ["foot:3+>3A+", "5B"]
    volts = solve(Circuit(fan, {"2A+": ohm}), lit.duty(fan)).volts
    probe_of = {text: parse_probe(text, fan) for text in probes}
    readings = [Reading(lit, probe_of[p], round(volts(probe_of[p]), 4)) for p in probes]
    finding = engine.diagnose(readings)
    assert all(s.probability < 0.05 for s in finding.suspects if s.where == "2A+")


def test_a_joint_of_the_least_faulty_resistance_is_accused(fan: Design) -> None:
    engine, lit = Engine(fan), parse_lit_set("all", fan)
    probe = parse_probe("foot:2+>2A+", fan)
    volts = solve(Circuit(fan, {"2A+": 0.04}), lit.duty(fan)).volts(probe)
    readings = [Reading(lit, probe, round(volts, 4))] * 2
    assert engine.diagnose(readings).suspects[0].where == "2A+"


@pytest.mark.parametrize("count", [1, 2, 3, 12, 25, 100, 1000, 3001])
def test_chance_beyond_is_that_of_chi_squared(count: int) -> None:
    # reference: scipy.stats.chi2
    for square in (0.0, 0.3, 4.0, 30.0, 150.0, 1010.0, 3100.0):
        expected = chi2.sf(square, count)
        assert chi_square_tail(square, count) == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_information_of_many_samples_is_the_double_sum() -> None:
    # reference: Kolchinsky and Tracey's estimate pair by pair, for more samples than one block
    rng = np.random.default_rng(3)
    weight, joint, off_sd = rng.random(150), rng.integers(-1, 9, 150), 5.0 * rng.normal(size=150)
    weight /= weight.sum()
    bits = 0.0
    for one in range(150):
        near = weight * np.exp(-((off_sd - off_sd[one]) ** 2) / 4.0)
        mine = joint == joint[one]
        bits += weight[one] * np.log2(near[mine].sum() / weight[mine].sum() / near.sum())
    found = information_bits(off_sd, _named(weight, joint, np.zeros(150, dtype=int)))
    assert found == pytest.approx(bits, rel=1e-12)


@pytest.mark.parametrize("apart_sd", [0.5, 1.0, 2.0, 4.0, 12.0])
def test_information_of_two_faults_is_close_to_the_integral(apart_sd: float) -> None:
    # reference: mutual information of two equally likely Gaussians by scipy.integrate
    def density(y: float) -> float:
        return float(0.5 * norm.pdf(y) + 0.5 * norm.pdf(y, loc=apart_sd))

    def surprise(y: float) -> float:
        return float(-density(y) * np.log2(density(y)))

    entropy = quad(surprise, -9.0, apart_sd + 9.0, limit=200)[0]
    exact_bits = entropy - 0.5 * np.log2(2 * np.pi * np.e)
    parts = _named(np.array([0.5, 0.5]), np.array([0, 1]), np.array([0, 0]))
    found = information_bits(np.array([0.0, apart_sd]), parts)
    assert found == pytest.approx(exact_bits, abs=0.13)


def _likelihood(design: Design, tolerances: Tolerances = HAND_SOLDERED) -> ReadingLikelihood:
    requests = [("all", "4A"), ("all", "foot:4+>4A+"), ("3-6", "4B"), ("4", "crown:4->crown:9-")]
    readings = [
        Reading(parse_lit_set(lit, design), parse_probe(probe, design), 1.0)
        for lit, probe in requests
    ]
    responses = Engine(design).responses
    return ReadingLikelihood(responses, readings, DEFAULT_METER, tolerances)


@pytest.mark.parametrize(
    ("joint", "alike"),
    [("4A+", (0.0,) * 3), ("9B-", (0.0,) * 3), ("main-", (0.0,) * 3), ("4A+", (-0.7, 0.2, 0.1))],
)
def test_a_rank_one_change_equals_the_solved_circuit(
    fan: Design, joint: str, alike: tuple[float, float, float]
) -> None:
    likelihood = _likelihood(fan, replace(HAND_SOLDERED, alike=alike))
    name = joint.replace("main", fan.feeds[0].name)
    number = [j.name for j in likelihood.responses.space.joints].index(name)
    columns = np.array([0, 3, 6])  # 30 to 42 mΩ: all nodes stay linear
    mean, covariance = linear_predictions(likelihood, number, columns)
    for row, column in enumerate(columns):
        ohm = float(GRID_OHM[column])
        changed = Circuit(fan, {name: ohm})
        parts, expected = [], []
        for effect in likelihood.effects:
            solution = solve(changed, effect.taps.lit.duty(fan))
            taps = effect.taps.moved_to(changed)
            value = np.array([solution.volts(r.probe) for r in taps.readings])
            expected += value.tolist()
            parts.append(likelihood.spread_at(solution, taps, frozenset([name])))
        assert mean[row] == pytest.approx(np.array(expected), abs=1e-9)
        joined_spreads = likelihood.covariance(likelihood.joined_spreads(parts), mean[row])
        # the change of a healthy joint's current is that of the healthy prop
        assert covariance[row] == pytest.approx(joined_spreads, rel=5e-4, abs=1e-15)


# -- readings that are the end of a range ----------------------------------------------------------


def _drop(
    fan: Design, volts: float, *, beyond: bool, probe: str = "foot:4+>4A+", lit: str = "4"
) -> Reading:
    at = parse_probe(probe, fan)
    return Reading(parse_lit_set(lit, fan), at, volts, meter=MONITOR, beyond=beyond)


MONITOR = Meter.parse("0.1%+1/10000")
END_V = 0.0819175
"""End of a power monitor's range. Source: TI SBOS547: 32767 times 2.5 µV."""


def test_a_bound_agrees_with_any_resistance_beyond_it(fan: Design) -> None:
    """A unit with 4A+ at 1.5 Ω, fed from both ends; a range of 20 mV ends below the drop."""
    end_v = 0.02
    bench = Bench(fan, {"4A+": 1.5}, seed=3)
    requests = [("4", "foot:4+>4A+"), ("3-4", "foot:4+>4A+"), ("4", "4A"), ("4", "foot:4")]
    readings = [bench.read(parse_lit_set(lit, fan), parse_probe(at, fan)) for lit, at in requests]
    drops_v = [one.value for one in readings[:2]]
    assert min(drops_v) > 1.5 * end_v
    bounds = [_drop(fan, end_v, beyond=True, lit=lit) for lit, _ in requests[:2]]
    found = diagnose(fan, [*bounds, *readings[2:]])
    suspect = found.suspects[0]
    assert (suspect.where, suspect.fault) == ("4A+", "resistive")
    assert suspect.probability > 0.5
    assert suspect.ohms is not None
    # at the end of the range the joint would have a few tens of milliohms
    assert suspect.ohms.best > 0.1
    assert found.readings[0].reading == bounds[0]
    assert found.readings[0].z > 5.0  # a good joint cannot reach it


def test_a_bound_that_a_good_joint_exceeds_accuses_nothing(fan: Design) -> None:
    engine = Engine(fan)
    usual_v = abs(diagnose(fan, [_drop(fan, 0.002, beyond=False)]).readings[0].expected)
    found = engine.diagnose([_drop(fan, usual_v / 4.0, beyond=True)])
    none = engine.diagnose([])
    assert found.healthy == pytest.approx(none.healthy, abs=0.02)
    assert abs(found.readings[0].z) < 0.1


def test_a_bound_weighs_as_the_best_value_beyond_it(fan: Design) -> None:
    # reference: the largest density of scipy.stats.norm over all values beyond the bound
    engine = Engine(fan)
    likelihood = ReadingLikelihood(
        engine.responses,
        [_drop(fan, END_V, beyond=True, probe="crown:1+>crown:3+")],  # across no joint
        DEFAULT_METER,
        engine.tolerances,
    )
    covariance = likelihood.healthy_covariance
    sd = float(np.sqrt(covariance[0, 0]))
    values = END_V + np.linspace(0.0, 12.0, 2001) * sd
    for z in (-6.0, -1.0, 0.0, 0.5, 1.0, 2.0):
        mean = likelihood.values - z * sd
        best = norm.logpdf(values, mean[0], sd).max()
        slip_free = np.log(1.0 - SLIP_PROBABILITY)
        found = float(likelihood.log_density(mean, covariance))
        assert found == pytest.approx(best + slip_free, abs=0.01)  # a slip is possible as well
