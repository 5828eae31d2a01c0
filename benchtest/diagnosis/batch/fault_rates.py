"""How often joints go wrong under one hand, and at which places of a design, by what was mended."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchtest.diagnosis.batch.model import UnitReadings
from benchtest.diagnosis.inference.posterior import log_odds
from benchtest.diagnosis.model.faults import FaultSpace, Priors

HARD_SHAPE, USUAL_ODDS = 0.3, 5e-3
"""How unlike places are in going wrong, and how often one does in the mean. Common practice, no
source: most joints of a design never fail, and the one that did is looked at first next time."""
HAND_SHAPE = 4.0
"""How unlike makers are in how many of their joints are bad: a gamma distribution of this shape.
Common practice, no source: two hands in three are within half of the mean."""
LEAST_TIMES, MOST_TIMES = 0.5, 4.0
"""Bounds of how much likelier its joints are bad: a new reel of solder, a tired hand. Ours."""


def fault_rate_factors(units: Sequence[UnitReadings]) -> dict[str, float]:
    """How much likelier than its kind each place is at fault, that was mended in a batch.

    Some joints are hard to reach, or sit on much copper: places of one design differ in how often
    they go wrong, as a gamma distribution of shape `HARD_SHAPE`. Whatever was mended counts.

    Source: gamma and Poisson distribution are conjugate, as in any text on Bayesian statistics.
    """
    mended = Counter(where for unit in units for where in {*unit.mended, *unit.repaired})
    alone = HARD_SHAPE + len(units) * USUAL_ODDS
    return {where: (HARD_SHAPE + times) / alone for where, times in sorted(mended.items())}


def usual_share(space: FaultSpace) -> float:
    """Probability of a bad power joint before anything was read, where at most one thing is."""
    joints, chain = (float(np.exp(odds).sum()) for odds in log_odds(space))
    return joints / (1.0 + joints + chain)


def scale_priors(priors: Priors, bad: float, expected: float) -> Priors:
    """Odds of power joints by how many were bad in units of the same hand.

    Joints that were not read count the same on both sides, and so say nothing.

    Args:
        priors: what is usual.
        bad: joints that were at fault, as a sum of their probabilities.
        expected: how many that would be before anything was read.

    Source: gamma and Poisson distribution are conjugate, as in any text on Bayesian statistics.
    """
    times = (HAND_SHAPE + bad) / (HAND_SHAPE + expected)
    times = min(max(times, LEAST_TIMES), MOST_TIMES)
    return replace(priors, resistive=priors.resistive * times, open=priors.open * times)
