"""Two joints at fault that hide each other, while everything read so far looks healthy.

A reading along a bus sees many joints, some with one sign and some with the other. It clears each
of them alone, but not two whose effects cancel. Near enough to health a fault adds to the readings
what it adds alone, so all pairs of joints are weighed by one table of inner products, and what
would tell them from a healthy prop is worth reading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.posterior import ONE_MORE_LOG, Posterior
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID

APART, APART_LARGE = 12, 30
"""Steps of the grid between the resistances that pairs are made of: factors of 2 and of 5.6."""
MOST = 128
"""Pairs that are kept."""
LEAST = 1e-6
"""Pairs with less probability are not."""


@dataclass(frozen=True)
class MaskedPairs:
    """Two joints at fault each, at the resistances that explain most; all arrays (pairs,).

    Attributes:
        joint: place of the one in the fault space.
        column: its resistance, as a place in the grid.
        other: place of the other.
        other_column: its resistance.
        weight: probability over that of everything that is not a pair.
    """

    joint: NDArray[np.intp]
    column: NDArray[np.intp]
    other: NDArray[np.intp]
    other_column: NDArray[np.intp]
    weight: FloatArray


def masked_pairs(view: ConditionalEvidence) -> MaskedPairs | None:
    """Pairs of joints that the evidence leaves room for; None without readings.

    Args:
        view: the evidence on a footing.
    """
    likelihood, likelihoods = view.likelihood, view.likelihoods
    if likelihood is None or likelihoods is None or not len(likelihoods.joints):
        return None
    apart = APART_LARGE if view.responses.is_large else APART
    columns = np.append(np.arange(apart // 2, GRID, apart), GRID)
    wide = np.append(np.full(len(columns) - 1, float(apart)), 1.0)
    count, each = len(likelihoods.joints), len(columns)
    covariance, plain_v = likelihood.healthy_covariance, likelihood.healthy_mean()
    lower = np.linalg.cholesky(covariance)
    moved = (likelihood.rough_means()[:, columns] - plain_v).reshape(count * each, -1)
    off = np.linalg.solve(lower, likelihood.values - plain_v)
    moved = np.linalg.solve(lower, moved.T).T
    none = -0.5 * float(off @ off)
    alone = -0.5 * ((off - moved) ** 2).sum(axis=1)
    alone += view.odds[0][:, columns].reshape(-1) + np.tile(np.log(wide), count)
    weight = alone[:, None] + alone - none - moved @ moved.T
    # marks, and what was read before repairs: what one of the two explains is explained
    beside = view.joints - likelihoods.joints - (view.healthy - likelihood.healthy())
    seen = beside[:, columns].reshape(-1)
    against = np.minimum(seen, 0.0)
    weight += np.maximum(np.maximum(seen[:, None], seen), 0.0) + against[:, None] + against
    weight += ONE_MORE_LOG + view.healthy - likelihood.healthy() - np.log(np.diag(lower)).sum()
    weight -= 0.5 * len(off) * np.log(2.0 * np.pi) + view.posterior.log_total
    return _gathered(np.exp(np.minimum(weight, 50.0)).reshape(count, each, count, each), columns)


def _gathered(share: FloatArray, columns: NDArray[np.intp]) -> MaskedPairs:
    """The weightiest pairs of joints, whatever their resistances."""
    total = np.triu(share.sum(axis=(1, 3)), 1)
    order = np.argsort(-np.round(total.reshape(-1), 12), kind="stable")[:MOST]
    joint, other = np.divmod(order[total.reshape(-1)[order] > LEAST], len(total))
    cells = share[joint, :, other].reshape(len(joint), len(columns) ** 2)
    best, other_best = np.divmod(cells.argmax(axis=1), len(columns))
    return MaskedPairs(joint, columns[best], other, columns[other_best], total[joint, other])


def with_masked_pairs(found: Posterior, pairs: MaskedPairs) -> Posterior:
    """Probabilities with those of pairs among them."""
    total = 1.0 + float(pairs.weight.sum())
    joints = np.zeros((len(found.joints), COLUMNS))
    np.add.at(joints, (pairs.joint, pairs.column), pairs.weight)
    np.add.at(joints, (pairs.other, pairs.other_column), pairs.weight)
    return Posterior(
        found.healthy / total,
        (found.joints + joints) / total,
        found.chain / total,
        found.log_total + float(np.log(total)),
    )
