"""Fault rates by place and by maker, estimated from the repairs of other units."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchtest.diagnosis.batch.model import UnitReadings
from benchtest.diagnosis.inference.posterior import log_odds
from benchtest.diagnosis.model.faults import FaultSpace, Priors
from benchtest.diagnosis.thresholds import (
    MAKER_GAMMA_SHAPE,
    MAX_MAKER_FACTOR,
    MIN_MAKER_FACTOR,
    PLACE_FAULT_RATE,
    PLACE_GAMMA_SHAPE,
)


def fault_rate_factors(units: Sequence[UnitReadings]) -> dict[str, float]:
    """Return the factor on the prior odds of each place that was repaired in any unit.

    Some joints are hard to reach, or lie on much copper: fault rates of places are gamma
    distributed with shape `PLACE_GAMMA_SHAPE` and mean `PLACE_FAULT_RATE`. With n repairs in N
    units the posterior mean over the prior mean is (shape + n) / (shape + N · rate).

    Source: gamma and Poisson distributions are conjugate, as in any text on Bayesian statistics.
    """
    repairs = Counter(where for unit in units for where in {*unit.repaired_later, *unit.repaired})
    prior_scale = PLACE_GAMMA_SHAPE + len(units) * PLACE_FAULT_RATE
    return {
        where: (PLACE_GAMMA_SHAPE + count) / prior_scale for where, count in sorted(repairs.items())
    }


def prior_bad_joints(space: FaultSpace) -> float:
    """Return the prior probability of a bad power joint if a unit has at most one fault."""
    joints, chain = (float(np.exp(odds).sum()) for odds in log_odds(space))
    return joints / (1.0 + joints + chain)


def scale_priors(priors: Priors, bad: float, expected: float) -> Priors:
    """Return prior odds of power joints, scaled by the bad joints in units of one maker.

    The factor is (shape + bad) / (shape + expected) with shape `MAKER_GAMMA_SHAPE`, within
    `MIN_MAKER_FACTOR` and `MAX_MAKER_FACTOR`. Joints that were not measured add equally to both
    counts.

    Args:
        priors: usual odds.
        bad: number of bad joints, as a sum of their probabilities.
        expected: number of bad joints expected before any reading.

    Source: gamma and Poisson distributions are conjugate, as in any text on Bayesian statistics.
    """
    factor = (MAKER_GAMMA_SHAPE + bad) / (MAKER_GAMMA_SHAPE + expected)
    factor = min(max(factor, MIN_MAKER_FACTOR), MAX_MAKER_FACTOR)
    return replace(priors, resistive=priors.resistive * factor, open=priors.open * factor)
