"""Pairs of faults that mask each other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from benchtest.diagnosis import Engine
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.inference.masked_pairs import (
    GRID_STRIDE,
    find_masked_pairs,
    with_masked_pairs,
)
from benchtest.diagnosis.model.fault_response import GRID_SIZE, OPEN_COLUMN
from benchtest.diagnosis.thresholds import FURTHER_FAULT_LOG
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from tests.diagnosis.conftest import Bench


def test_weight_of_a_pair_is_its_density_times_its_odds(fan: Design, fan_engine: Engine) -> None:
    # against scipy.stats.multivariate_normal, pair by pair and resistance by resistance
    bench = Bench(fan, {}, seed=2)
    odd = parse_lit_set("1 3 5 7 9 11", fan)
    for probe in ("crown:2+>crown:11+", "crown:2->crown:11-", "1B"):
        bench.readings.append(bench.read(odd, parse_probe(probe, fan)))
    view = fan_engine.usual.cache.of(EvidenceSet(bench.readings, (), DEFAULT_METER, ()))
    pairs = find_masked_pairs(view)
    assert pairs is not None
    assert len(pairs.weight)
    likelihood = view.likelihood
    assert likelihood is not None
    columns = [*range(GRID_STRIDE // 2, GRID_SIZE, GRID_STRIDE), OPEN_COLUMN]
    plain, rough_means = likelihood.healthy_mean(), likelihood.rough_means()
    for joint, other, weight in list(zip(pairs.joint, pairs.other, pairs.weight, strict=True))[:5]:
        total = 0.0
        for one in columns:
            for two in columns:
                mean = rough_means[joint, one] + rough_means[other, two] - plain
                density = multivariate_normal.logpdf(
                    likelihood.values, mean, likelihood.healthy_covariance
                )
                odds = (
                    view.prior_log_odds[0][joint, one]
                    + view.prior_log_odds[0][other, two]
                    + FURTHER_FAULT_LOG
                )
                width = (GRID_STRIDE if one < OPEN_COLUMN else 1) * (
                    GRID_STRIDE if two < OPEN_COLUMN else 1
                )
                total += width * np.exp(density + odds - view.posterior.log_total)
        assert weight == pytest.approx(total, rel=1e-6)


def test_pairs_scale_all_other_probabilities_alike(fan: Design, fan_engine: Engine) -> None:
    bench = Bench(fan, {"7B+": 0.21}, seed=2)
    odd = parse_lit_set("1 3 5 7 9 11", fan)
    bench.readings.append(bench.read(odd, parse_probe("crown:2+>crown:11+", fan)))
    view = fan_engine.usual.cache.of(EvidenceSet(bench.readings, (), DEFAULT_METER, ()))
    pairs = find_masked_pairs(view)
    assert pairs is not None
    found, single = with_masked_pairs(view.posterior, pairs), view.posterior
    share = 1.0 / (1.0 + pairs.weight.sum())
    assert found.healthy == pytest.approx(single.healthy * share)
    # every pair is two faults
    more = found.joints.sum() - single.joints.sum() * share
    assert more == pytest.approx(2.0 * (1.0 - share))


def test_without_readings_there_are_no_masked_pairs(fan_engine: Engine) -> None:
    view = fan_engine.usual.cache.of(EvidenceSet((), (), DEFAULT_METER, ()))
    assert find_masked_pairs(view) is None
