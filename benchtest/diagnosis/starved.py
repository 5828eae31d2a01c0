"""Faults that starve nodes of volts: there the circuit is solved anew, at a few resistances.

A strand whose nodes run out of headroom draws less, so its joint drops less than a straight line
says. Between the resistances that are solved, readings change smoothly with the logarithm of the
resistance. Where the evidence rules a resistance out and all above it, none is solved above it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.response import GRID
from benchtest.diagnosis.taps import FLOATING_SD_V, read_at

if TYPE_CHECKING:
    from benchtest.diagnosis.weigh import Weigher

APART = 20
"""Grid steps between two resistances that are solved: a factor of 3.2."""
GUESS_SHARE = 0.3
"""How far the estimate of a starved prop may be off, as a share of what the fault moves."""
HOPELESS_LOG = 30.0
"""Likelihoods so far below the best, as a logarithm, need not be known better."""
SURE = 10.0
"""Standard deviations past which a reading rules a fault out for good."""


def starved_rows(
    weigher: Weigher, joint: int, columns: NDArray[np.intp], mean: FloatArray, weight: FloatArray
) -> None:
    """Fill in predicted readings and likelihood of a joint where it starves nodes.

    Args:
        weigher: readings and circuit.
        joint: its place in the fault space.
        columns: resistances that starve, ascending.
        mean: predicted readings, shape (COLUMNS, readings); rows of `columns` are filled in.
        weight: logarithm of likelihood, shape (COLUMNS,); likewise.
    """
    resistive = columns[columns < GRID]
    ended = len(resistive) > 0 and _resistive(weigher, joint, resistive, mean, weight)
    if len(columns) > len(resistive):
        if ended:
            mean[GRID], weight[GRID] = mean[resistive[-1]], weight[resistive[-1]]
            return
        mean[GRID], covariance = solve_at(weigher, joint, GRID)
        weight[GRID] = weigher.density(mean[GRID], covariance, joint)


def estimated_rows(
    weigher: Weigher, joint: int, columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Readings and likelihood of a joint where it starves nodes, by estimate.

    Args:
        weigher: readings and circuit.
        joint: its place in the fault space.
        columns: places in the grid that starve.

    Returns:
        Shape (columns, readings), and (columns,).
    """
    row = weigher.responses.joint_columns[joint]
    parts = [e.capped_push[joint, columns][:, None] * e.branch[row] for e in weigher.effects]
    moved = weigher.ordered(parts, axis=1)
    guess = weigher.healthy_mean() + moved
    wide = weigher.healthy_covariance + np.zeros((len(columns), 1, 1))
    own = np.arange(guess.shape[1])
    wide[:, own, own] += (GUESS_SHARE * moved) ** 2
    return guess, weigher.density(guess, wide, joint)


def _resistive(
    weigher: Weigher, joint: int, columns: NDArray[np.intp], mean: FloatArray, weight: FloatArray
) -> bool:
    """Solve at knots, one after the other; True where one of them rules out all beyond it."""
    first, last = int(columns[0]), int(columns[-1])
    knots, solved, ended = [], [], False
    for knot in sorted({*range(first, last, APART), last}):
        knots.append(knot)
        solved.append(solve_at(weigher, joint, knot))
        if ended := rules_out_more(weigher, *solved[-1]):
            break
    means = np.array([row[0] for row in solved])
    covariances = np.array([row[1] for row in solved])
    above = np.clip(np.searchsorted(knots, columns, side="right"), 1, max(len(knots) - 1, 1))
    high = np.minimum(above, len(knots) - 1)
    low = np.minimum(above - 1, high)
    apart = np.maximum(np.array(knots)[high] - np.array(knots)[low], 1)
    # beyond the knot that ends it, everything is as bad as there
    part = np.clip((columns - np.array(knots)[low]) / apart, 0.0, 1.0)
    mean[columns] = means[low] + part[:, None] * (means[high] - means[low])
    # between two covariances lies a covariance
    wide = covariances[low] + part[:, None, None] * (covariances[high] - covariances[low])
    weight[columns] = weigher.density(mean[columns], wide, joint)
    return ended


def rules_out_more(weigher: Weigher, mean: FloatArray, covariance: FloatArray) -> bool:
    """True where readings are far off already, on the side that more resistance moves away from.

    A single slip may be one reading's excuse, so two must say so.
    """
    off = weigher.values - mean
    moved = mean - weigher.healthy_mean()
    away = (off * moved < 0.0) & (np.abs(off) > SURE * np.sqrt(np.diag(covariance)))
    return bool(away.sum() >= 2)


def means_at(weigher: Weigher, joint: int, column: int) -> FloatArray:
    """Readings with the joint at one resistance, shape (readings,)."""
    responses, means = weigher.responses, []
    for effect in weigher.effects:
        solution = responses.exact(responses.space.joints[joint].name, column, effect.taps.lit)
        means.append(read_at(solution, effect.taps.moved_to(solution.circuit)))
    return weigher.ordered(means, axis=0)


def solve_at(weigher: Weigher, joint: int, column: int) -> tuple[FloatArray, FloatArray]:
    """Readings and their covariance with the joint at one resistance."""
    responses = weigher.responses
    name = responses.space.joints[joint].name
    means, parts, floating = [], [], []
    for effect in weigher.effects:
        solution = responses.exact(name, column, effect.taps.lit)
        taps = effect.taps.moved_to(solution.circuit)
        means.append(read_at(solution, taps))
        parts.append(weigher.spread_at(solution, taps, means[-1], weigher.given | {name}))
        floating.append(np.array([solution.is_floating(r.probe) for r in taps.readings]))
    mean = weigher.ordered(means, axis=0)
    covariance = weigher.covariance(weigher.together(parts), mean)
    loose = np.flatnonzero(weigher.ordered(floating, axis=0))
    covariance[loose, loose] += FLOATING_SD_V**2
    weigher.loose[joint, column] = tuple(loose.tolist())
    return mean, covariance
