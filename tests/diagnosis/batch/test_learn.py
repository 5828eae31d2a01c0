"""Figures learned from a batch, against dense Bayesian regression and virtual units."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import chi2, multivariate_normal

from benchtest.circuit.prediction import predict
from benchtest.circuit.tolerance import FROM_MANY_REELS, Tolerances
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.batch.learn import BatchKnowledge, learn, scale_priors
from benchtest.diagnosis.batch.model import (
    UnitEvidence,
    UnitReadings,
    batch_prediction,
    unit_evidence_of,
)
from benchtest.diagnosis.engine import engine_for
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.model.faults import Priors, fault_space
from benchtest.diagnosis.planning.batch_readings import batch_calibration_readings
from benchtest.diagnosis.repair_scope import still_valid
from benchtest.diagnosis.thresholds import SHARED_VARIANCE_SPLITS, SUPPLY_VARIANCE_SPLITS
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design, Probe
from benchtest.prop.lit_set import LitSet, all_lit, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.virtual_prop import VirtualProp, build_unit

FloatArray = NDArray[np.float64]
NONE_READ = replace(FROM_MANY_REELS, supply=0.0, fuse=0.0, cable=0.0, source_ohm=0.0)
ASKED = (
    ("all", "foot:1+>foot:3+"),
    ("all", "crown:1->crown:3-"),
    ("all", "3B"),
    ("none", "3B"),
    ("all", "foot:2+>2A+"),
    ("2", "crown:2->2B-"),
)


@pytest.fixture(scope="module")
def design(make_fan: Callable[..., Design]) -> Design:
    return make_fan(3, 12)


def _tolerances(share: float) -> tuple[Tolerances, Tolerances]:
    """Return tolerances of a batch around its design, and of a unit around its batch."""
    t = FROM_MANY_REELS
    own, common = (1.0 - share) ** 0.5, share**0.5
    batch = replace(
        NONE_READ, current=t.current * common, wire=t.wire * common, copper=t.copper * common
    )
    return batch, replace(t, current=t.current * own, wire=t.wire * own, copper=t.copper * own)


def _unit(
    design: Design, batch: int, unit: int, *, share: float = 0.9, hidden: str = ""
) -> VirtualProp:
    of_batch, of_unit = _tolerances(share)
    like = build_unit(design, batch, 0.0, of_batch).design
    built = build_unit(like, unit, DEFAULT_METER.percent, of_unit)
    faults = [parse_fault(hidden, design)] if hidden else []
    return VirtualProp(design, faults, unit, built=built)


def _read(prop: VirtualProp, asked: Sequence[tuple[str, str]] = ASKED) -> list[Reading]:
    asks = [(parse_lit_set(lit, prop.design), parse_probe(p, prop.design)) for lit, p in asked]
    return [_one(prop, lit, probe) for lit, probe in asks]


def _one(prop: VirtualProp, lit: LitSet, probe: Probe) -> Reading:
    prop.receive(frame_from_duty(lit.duty(prop.design)))
    return Reading(lit, probe, prop.measure(probe))


def _batch(design: Design, batch: int, count: int = 4, share: float = 0.9) -> list[UnitReadings]:
    return [
        UnitReadings(f"WF-{n:02}", _read(_unit(design, batch, 100 * batch + n, share=share)))
        for n in range(count)
    ]


def _dense(evidence: Sequence[UnitEvidence]) -> tuple[FloatArray, FloatArray]:
    """Return the next unit's causes: all readings of all units as one Gaussian, conditioned."""
    off = np.concatenate([one.off for one in evidence])
    per_sd = np.concatenate([one.per_sd for one in evidence])
    unit = np.repeat(np.arange(len(evidence)), [len(one.off) for one in evidence])
    same = unit[:, None] == unit
    rest = np.zeros_like(same, dtype=float)
    rest[same] = np.concatenate([one.rest.ravel() for one in evidence])
    logs, means, covariances = [], [], []
    for shares in product(
        SHARED_VARIANCE_SPLITS,
        SHARED_VARIANCE_SPLITS,
        SHARED_VARIANCE_SPLITS,
        SUPPLY_VARIANCE_SPLITS,
    ):
        each = np.array(shares)
        batch, own = np.diag(each), np.diag(1.0 - each)
        covariance = per_sd @ batch @ per_sd.T + same * (per_sd @ own @ per_sd.T) + rest
        gain = np.linalg.solve(covariance, per_sd @ batch).T
        odds = sum(np.log(SHARED_VARIANCE_SPLITS[share]) for share in shares[:3]) + np.log(
            SUPPLY_VARIANCE_SPLITS[shares[3]]
        )
        logs.append(odds + multivariate_normal(cov=covariance).logpdf(off))
        means.append(gain @ off)
        covariances.append(np.eye(len(each)) - gain @ per_sd @ batch)
    part = np.exp(np.array(logs) - max(logs))
    part /= part.sum()
    mean = part @ np.array(means)
    spread = [np.outer(each - mean, each - mean) for each in means]
    return mean, np.einsum("s,sij->ij", part, np.array(covariances) + np.array(spread))


def test_batch_prediction_is_dense_bayesian_regression(design: Design) -> None:
    """SciPy's normal density and numpy's solver on all readings together, split by split."""
    responses = DesignResponse(design, fault_space(design))
    evidence = [
        unit_evidence_of(responses, unit.readings, DEFAULT_METER, FROM_MANY_REELS)
        for unit in _batch(design, 3)
    ]
    mean, covariance = _dense(evidence)
    found = batch_prediction([one.information for one in evidence], np.ones(4))
    assert found.mean == pytest.approx(mean, abs=1e-8)
    assert found.covariance == pytest.approx(covariance, abs=1e-8)
    assert np.abs(mean).max() > 0.1  # the batch differs from its design


def _off_sd(learned: BatchKnowledge, truth: Design, design: Design) -> tuple[float, FloatArray]:
    """Return the squared deviation of a unit in standard deviations, and the log deviations."""
    true = np.log(
        [
            truth.node.channel_ma / design.node.channel_ma,
            truth.strands[0].wire.ratio / design.strands[0].wire.ratio,
            truth.buses[0].copper.ratio / design.buses[0].copper.ratio,
        ]
    )
    off = true - np.log(learned.factors)
    mixing = learned.tolerances.mixing
    return float(off @ np.linalg.solve(mixing @ mixing.T, off)), off


def test_the_next_unit_lies_within_the_learned_tolerances(design: Design) -> None:
    """Six seeded batches: squared deviations are chi-square, 3 for each batch."""
    total, volumes = 0.0, []
    for batch in range(6):
        learned = learn(design, _batch(design, batch))
        truth = _unit(design, batch, 100 * batch + 50).built.design
        square, _ = _off_sd(learned, truth, design)
        total += square
        now, before = learned.tolerances.mixing, FROM_MANY_REELS.mixing
        volumes.append(np.linalg.det(now) / np.linalg.det(before))
    assert chi2.ppf(0.001, 18) < total < chi2.ppf(0.999, 18)
    assert np.median(volumes) < 0.5


def test_units_that_differ_narrow_the_prediction_little() -> None:
    """Five units, each known to a twentieth of the tolerance: once alike, once scattered.

    Of units that have nothing in common the next is as uncertain as before (1), of units of one
    mould as uncertain as they differ.
    """

    def seen(*causes: float) -> FloatArray:
        precision = 400.0 * np.eye(3)
        found = batch_prediction([(precision, precision @ np.full(3, cause)) for cause in causes])
        assert found.mean == pytest.approx(found.mean[0])
        return np.append(np.sqrt(np.diag(found.covariance)), found.mean[0])

    alike = seen(1.1, 0.9, 1.0, 1.2, 0.8)
    apart = seen(1.6, -1.5, 0.9, -1.2, 0.3)
    assert (alike[:3] < 0.45).all()
    assert alike[3] == pytest.approx(1.0, abs=0.1)
    assert (apart[:3] > 0.85).all()
    assert abs(apart[3]) < 0.1


def test_the_next_units_readings_are_predicted_better(design: Design) -> None:
    probes = [parse_probe(probe, design) for _, probe in ASKED[:2]]
    lit, closer, surer = all_lit(design), 0, 0
    for batch in range(3):
        learned = learn(design, _batch(design, batch))
        unit = _unit(design, batch, 100 * batch + 50)
        measured = np.array([_one(unit, lit, probe).volts for probe in probes])
        plain = predict(design, lit, probes)
        taught = predict(learned.design, lit, probes, tolerances=learned.tolerances)
        off = [np.abs(measured - [row.volts for row in p.probes]).sum() for p in (taught, plain)]
        closer += int(off[0] < off[1])
        surer += int(
            np.sum([row.sd for row in taught.probes]) < np.sum([row.sd for row in plain.probes])
        )
    assert closer >= 2
    assert surer >= 2


def test_one_unit_with_a_fault_hardly_moves_the_figures(design: Design) -> None:
    """The shift is below 0.3 standard deviations of the tolerances."""
    good = _batch(design, 5)
    bad = UnitReadings("WF-09", _read(_unit(design, 5, 599, hidden="feed1+=0.05")))
    alone, both = learn(design, good), learn(design, [*good[:2], bad, *good[2:]])
    apart = np.log(both.factors) - np.log(alone.factors)
    assert (np.abs(apart) < 0.3 * np.diag(FROM_MANY_REELS.mixing)).all()


def test_a_unit_of_other_nodes_is_unused_and_named(design: Design) -> None:
    good = _batch(design, 6)
    other = _unit(design.scaled(current=1.35), 6, 699)
    learned = learn(design, [UnitReadings("WF-07", _read(other)), *good])
    assert learned.learned_from == tuple(unit.tag for unit in good)
    assert [left.tag for left in learned.unused] == ["WF-07"]
    assert learned.factors == pytest.approx(learn(design, good).factors, rel=1e-3)


def test_a_misread_digit_does_not_change_the_figures(design: Design) -> None:
    units = _batch(design, 7)
    wrong = list(units[0].readings)
    assert wrong[0].volts is not None
    wrong[0] = replace(wrong[0], volts=wrong[0].volts + 0.1)
    slipped = learn(design, [replace(units[0], readings=wrong), *units[1:]])
    without = learn(design, [replace(units[0], readings=wrong[1:]), *units[1:]])
    assert slipped.factors == pytest.approx(without.factors, rel=1e-6)


def test_readings_from_before_a_repair_are_left_out(design: Design) -> None:
    unit = UnitReadings(
        "WF-01", _read(_unit(design, 8, 800, hidden="2A+=0.4")), repaired_later=["2A+"]
    )
    valid = still_valid(design, "2A+", unit.readings)
    assert 0 < sum(valid) < len(valid)
    kept = [reading for reading, ok in zip(unit.readings, valid, strict=True) if ok]
    learned = learn(design, [unit])
    plain = learn(design, [UnitReadings("WF-01", kept)])
    assert replace(learned, rate_factors={}, priors=plain.priors) == plain


def test_clamp_readings_determine_the_node_current(design: Design) -> None:
    """A clamp of 2 % and 50 mA (common practice, no source) at about 2.9 A: 0.08 A of them."""
    lit = all_lit(design)
    rate = 1.1
    amps = predict(design.scaled(current=rate), lit).feeds[0][1]
    feed = parse_probe("feed1", design)
    units = [UnitReadings(f"WF-{n}", [Reading(lit, feed, None, amps)]) for n in range(6)]
    learned = learn(design, units)
    assert learned.factors[0] == pytest.approx(rate, rel=0.02)
    assert learned.supply == pytest.approx(1.0)
    assert learned.tolerances.current < 0.5 * FROM_MANY_REELS.current
    assert learned.tolerances.wire == pytest.approx(FROM_MANY_REELS.wire, rel=1e-3)


def test_without_readings_the_design_stays_as_it_is(design: Design) -> None:
    assert learn(design, []) == BatchKnowledge(design, FROM_MANY_REELS)
    learned = learn(design, [UnitReadings("WF-01", [])])
    assert (learned.design, learned.tolerances) == (design, FROM_MANY_REELS)
    assert [(left.tag, left.reason) for left in learned.unused] == [("WF-01", "has no readings")]


def test_the_order_of_the_units_does_not_matter(design: Design) -> None:
    units = _batch(design, 9)
    first, second = learn(design, units), learn(design, units[::-1])
    assert first.factors == pytest.approx(second.factors, rel=1e-9)
    assert first.tolerances.mixing == pytest.approx(second.tolerances.mixing, rel=1e-9)


def test_calibration_readings_end_once_the_figures_are_known(design: Design) -> None:
    asked = batch_calibration_readings(design)
    assert asked
    expected = [
        Reading(lit, probe, predict(design, lit, [probe]).probes[0].volts) for lit, probe in asked
    ]
    rest = batch_calibration_readings(design, expected)
    assert not set(rest) & set(asked)
    learned = learn(design, _batch(design, 10, 6))
    narrow = replace(learned.tolerances, current=0.005, wire=0.005, copper=0.01)
    assert batch_calibration_readings(learned.design, (), DEFAULT_METER, narrow) == []


def test_a_joint_repaired_in_other_units_has_higher_odds(design: Design) -> None:
    units = [
        UnitReadings("WF-01", (), repaired=["2A+"]),
        UnitReadings("WF-02", (), repaired_later=["2A+"]),
    ]
    units += [UnitReadings(f"WF-{number:02}", ()) for number in (3, 4)]
    rate_factors = learn(design, units).rate_factors
    # gamma of shape 0.3 about 0.005: (0.3 + 2) / (0.3 + 4 * 0.005), by hand
    assert rate_factors == pytest.approx({"2A+": 2.3 / 0.32})
    plain, taught = Engine(design).diagnose(), Engine(design, rate_factors=rate_factors).diagnose()

    def odds(finding: Finding, where: str) -> float:
        band = next(band for band in finding.joints if band.name == where)
        return band.probability / finding.healthy

    assert odds(taught, "2A+") == pytest.approx(odds(plain, "2A+") * rate_factors["2A+"], rel=1e-6)
    assert odds(taught, "3A+") == pytest.approx(odds(plain, "3A+"), rel=1e-6)


FED = (("none", "3B"), ("none", "foot:1"), ("all", "foot:1"))


def _fed(design: Design, volts: float, unit: int) -> UnitReadings:
    """Return readings of a unit of one batch with a given supply voltage."""
    built = _unit(design, 11, unit).built
    feeds = tuple(replace(feed, volts=volts) for feed in built.design.feeds)
    built = replace(built, design=replace(built.design, feeds=feeds))
    return UnitReadings(f"WF-{unit}", _read(VirtualProp(design, (), unit, built=built), FED))


def test_one_supply_for_all_is_learned_and_one_of_each_is_not(design: Design) -> None:
    """A meter's gain (0.5 % at most) and the chance of another supply (one in ten) are left."""
    same = learn(design, [_fed(design, 5.06, unit) for unit in range(4)])
    apart = learn(
        design, [_fed(design, volts, n) for n, volts in enumerate((5.06, 4.95, 5.03, 4.94))]
    )
    assert same.supply == pytest.approx(5.06 / 5.0, abs=0.004)
    assert (0.1**0.5) * 0.01 < same.tolerances.supply < 0.0075
    assert apart.tolerances.supply > 0.009


def test_an_exchanged_supply_makes_no_feed_suspect(design: Design) -> None:
    """Two percent below the four before, in all three readings."""
    learned = learn(design, [_fed(design, 5.06, unit) for unit in range(4)])
    found = engine_for(design, learned).diagnose(_fed(design, 4.96, 9).readings)
    assert found.healthy > 0.5


def test_a_unit_unlike_its_batch_is_diagnosed_with_the_usual_figures(design: Design) -> None:
    """Nodes that draw a fifth more are likelier with the usual figures than the learned ones."""
    narrow = replace(FROM_MANY_REELS, current=0.01, wire=0.01)
    learned = BatchKnowledge(design, narrow, learned_from=("WF-01",))
    readings = _read(_unit(design.scaled(current=1.2), 3, 350))
    alone = Engine(learned.design, learned.priors, narrow).diagnose(readings)
    found = engine_for(design, learned).diagnose(readings)
    assert found == Engine(design, learned.priors).diagnose(readings)
    assert found.healthy > max(0.5, alone.healthy)


def test_odds_scale_with_the_bad_joints_of_a_maker() -> None:
    """A gamma distribution of shape 4 about the usual rate and Poisson counts, by hand."""
    usual = Priors()
    none, many = scale_priors(usual, 0.0, 0.8), scale_priors(usual, 4.0, 0.8)
    assert none.resistive == pytest.approx(usual.resistive * 4.0 / 4.8)
    assert many.open == pytest.approx(usual.open * 8.0 / 4.8)
    assert none.data_open == many.data_open == usual.data_open
    assert scale_priors(usual, 0.0, 1e3).open == pytest.approx(usual.open / 2.0)  # never less
    assert scale_priors(usual, 0.3, 0.3).open == pytest.approx(usual.open)  # what was not read


def test_healthy_units_lower_the_odds_slightly(design: Design) -> None:
    learned = learn(design, _batch(design, 3))
    assert 0.8 < learned.priors.resistive / Priors().resistive < 1.0
    assert learn(design, []).priors == Priors()
