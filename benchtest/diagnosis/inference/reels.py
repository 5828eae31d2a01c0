"""Strands from two reels in one unit: a batch of nodes that ran out half way.

Node current is a property of a strand's reel. Where it changes along the strands is not known; each
place is weighed as one more cause that all readings share, and the likeliest ones join the
tolerances of the unit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import Tolerances
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.node_variation import REEL_SD, reel_shares

TWO_REELS = 0.1
"""Chance that a unit's strands are from two reels. Common practice, no source."""
MOST_PLACES = 2
"""Places of the change that are reckoned with at once."""
NEAR_LOG = 3.0
"""Places whose logarithm of likelihood is so far below the best are left out."""
SURE_ODDS = 10.0
"""Odds of two reels over one from which they are reckoned with: a joint is not to be cleared by a
reel that may as well be none."""
FEWEST_READINGS = 3
"""Fewer readings do not show two reels."""
SURE_HEALTHY = 0.9
"""A unit that is healthy with this probability needs no second reel."""


def with_reels(view: ConditionalEvidence) -> Tolerances | None:
    """Return the tolerances of a unit of two reels; None where readings do not speak for one.

    Args:
        view: the evidence with nothing given, strands from one reel.
    """
    likelihood = view.likelihood
    strands = len(view.design.strands)
    if likelihood is None or strands < 2 or len(likelihood.values) < FEWEST_READINGS:
        return None
    if view.posterior.healthy >= SURE_HEALTHY:
        return None
    moved = _moved(likelihood)
    mean, covariance = likelihood.under(-1, 0)
    gains = _gains(likelihood.values - mean, covariance, moved)
    gains += view.healthy
    best = view.likeliest_fault
    if best is not None and best.chain < 0:
        row = view.row(best.where)
        mean, covariance = view.under(best)
        more = moved + _own(likelihood, view, best.where, mean)
        other = _gains(likelihood.values - mean, covariance, more)
        gains = np.maximum(gains, other + float(np.logaddexp.reduce(row)))
    odds = odds_log(strands, 1)
    if float(np.logaddexp.reduce(gains)) + odds <= view.posterior.log_total:
        return None
    order = np.argsort(-np.round(gains, 9), kind="stable")[:MOST_PLACES]
    places = [int(place) + 1 for place in order if gains[place] > gains.max() - NEAR_LOG]
    return replace(view.tolerances, reels=tuple(sorted(places)))


def odds_log(strands: int, places: int) -> float:
    """Return the logarithm of odds of two reels, before evidence, over `SURE_ODDS`.

    Args:
        strands: of the unit.
        places: where the second may begin, of all `strands` - 1.
    """
    odds = TWO_REELS / (1.0 - TWO_REELS) * places / (strands - 1)
    return float(np.log(odds / SURE_ODDS))


def _moved(likelihood: ReadingLikelihood) -> FloatArray:
    """Return what one standard deviation does to the readings, shape (strands - 1, readings)."""
    design = likelihood.responses.design
    loaded = likelihood.responses.circuit.loaded
    shares = reel_shares(design, tuple(range(1, len(design.strands))))[loaded]
    return likelihood.in_reading_order(
        [REEL_SD * (shares.T @ effect.load) for effect in likelihood.effects], axis=1
    )


def _own(
    likelihood: ReadingLikelihood, view: ConditionalEvidence, where: str, mean: FloatArray
) -> FloatArray:
    """Return the same of what a bad joint moves: its strand's current goes through it."""
    joint = next(one for one in view.responses.space.joints if one.name == where)
    if len(joint.strands) != 1:
        return np.zeros((len(view.design.strands) - 1, len(mean)))
    second = joint.strands[0] > np.arange(1, len(view.design.strands))
    return REEL_SD * second[:, None] * (mean - likelihood.healthy_mean())


def _gains(off: FloatArray, covariance: FloatArray, moved: FloatArray) -> FloatArray:
    """Return the logarithm of how much more likely readings are with one more shared cause each.

    Args:
        off: measured less predicted, shape (readings,).
        covariance: shape (readings, readings).
        moved: by one standard deviation of each cause, shape (causes, readings).

    Source: Sherman and Morrison's formula, and the matrix determinant lemma.
    """
    solved = np.linalg.solve(covariance, moved.T)
    square = np.einsum("kn,nk->k", moved, solved)
    pull = off @ solved
    return np.asarray(0.5 * (pull**2 / (1.0 + square) - np.log1p(square)))
