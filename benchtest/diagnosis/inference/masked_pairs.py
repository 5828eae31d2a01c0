"""Pairs of faults that mask each other, while all readings so far look healthy.

A reading along a bus contains many joints, some with a positive and some with a negative sign. It
clears each of them alone, but not two whose effects cancel. Near health the shift by two faults is
the sum of their shifts, so all pairs of joints are evaluated by one matrix of inner products, and
readings that separate them from a healthy prop become worth taking.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID_SIZE, OPEN_COLUMN
from benchtest.diagnosis.thresholds import FURTHER_FAULT_LOG, MIN_PAIR_PROBABILITY

GRID_STRIDE, GRID_STRIDE_LARGE = 12, 30
"""Grid steps between the resistances of pairs, factors of 2 and 5.6; the second for large
designs."""
MAX_PAIRS = 128
"""Number of pairs that are kept."""


@dataclass(frozen=True)
class MaskedPairs:
    """Pairs of joints at fault, each joint at its likeliest resistance; all arrays (pairs,).

    Attributes:
        joint: index of the first joint in the fault space.
        column: its resistance, as an index of the grid.
        other: index of the second joint.
        other_column: its resistance, as an index of the grid.
        weight: probability of the pair over the probability of everything that is not a pair.
    """

    joint: NDArray[np.intp]
    column: NDArray[np.intp]
    other: NDArray[np.intp]
    other_column: NDArray[np.intp]
    weight: FloatArray


def find_masked_pairs(conditional: ConditionalEvidence) -> MaskedPairs | None:
    """Return the pairs of joints that the evidence allows; None without readings.

    log weight of joints i and j, with whitened residual r and shifts s:
    −|r − sᵢ − sⱼ|² / 2 + log prior odds, plus marks and evidence from before repairs.

    Args:
        conditional: the evidence with any faults given.
    """
    likelihood, likelihoods = conditional.likelihood, conditional.likelihoods
    if likelihood is None or likelihoods is None or not len(likelihoods.joints):
        return None
    stride = GRID_STRIDE_LARGE if conditional.responses.is_large else GRID_STRIDE
    columns = np.append(np.arange(stride // 2, GRID_SIZE, stride), OPEN_COLUMN)
    width = np.append(np.full(len(columns) - 1, float(stride)), 1.0)
    count, each = len(likelihoods.joints), len(columns)
    covariance, healthy_v = likelihood.healthy_covariance, likelihood.healthy_mean()
    lower = np.linalg.cholesky(covariance)
    moved = (likelihood.rough_means()[:, columns] - healthy_v).reshape(count * each, -1)
    off = np.linalg.solve(lower, likelihood.values - healthy_v)
    moved = np.linalg.solve(lower, moved.T).T
    healthy_log = -0.5 * float(off @ off)
    alone = -0.5 * ((off - moved) ** 2).sum(axis=1)
    alone += conditional.prior_log_odds[0][:, columns].reshape(-1) + np.tile(np.log(width), count)
    weight = alone[:, None] + alone - healthy_log - moved @ moved.T
    # marks and evidence from before repairs: one joint of the two suffices to explain them
    other_evidence = (
        conditional.joints - likelihoods.joints - (conditional.healthy - likelihood.healthy())
    )
    other_gain = other_evidence[:, columns].reshape(-1)
    other_loss = np.minimum(other_gain, 0.0)
    weight += (
        np.maximum(np.maximum(other_gain[:, None], other_gain), 0.0)
        + other_loss[:, None]
        + other_loss
    )
    weight += (
        FURTHER_FAULT_LOG
        + conditional.healthy
        - likelihood.healthy()
        - np.log(np.diag(lower)).sum()
    )
    weight -= 0.5 * len(off) * np.log(2.0 * np.pi) + conditional.posterior.log_total
    return _likeliest_pairs(
        np.exp(np.minimum(weight, 50.0)).reshape(count, each, count, each), columns
    )


def _likeliest_pairs(share: FloatArray, columns: NDArray[np.intp]) -> MaskedPairs:
    """Return the likeliest pairs, summed over their resistances.

    Args:
        share: weight by joint, column, other joint and other column.
        columns: resistances, as indices of the grid, shape (columns,).
    """
    total = np.triu(share.sum(axis=(1, 3)), 1)
    order = np.argsort(-np.round(total.reshape(-1), 12), kind="stable")[:MAX_PAIRS]
    joint, other = np.divmod(order[total.reshape(-1)[order] > MIN_PAIR_PROBABILITY], len(total))
    cells = share[joint, :, other].reshape(len(joint), len(columns) ** 2)
    best, other_best = np.divmod(cells.argmax(axis=1), len(columns))
    return MaskedPairs(joint, columns[best], other, columns[other_best], total[joint, other])


def with_masked_pairs(found: Posterior, pairs: MaskedPairs) -> Posterior:
    """Return probabilities with masked pairs included."""
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
