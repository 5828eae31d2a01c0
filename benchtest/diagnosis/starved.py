"""Faults that starve nodes of volts: there the circuit is solved anew, at a few resistances.

A strand whose nodes run out of headroom draws less, so its joint drops less than a straight line
says. Between the resistances that are solved, readings change smoothly with the logarithm of the
resistance. What the evidence rules out at the first starved resistance is not solved further.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.network import Solution
from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.gauss import log_likelihood
from benchtest.diagnosis.response import GRID
from benchtest.diagnosis.taps import Taps, tap_values

if TYPE_CHECKING:
    from benchtest.diagnosis.weigh import Weigher

APART = 20
"""Grid steps between two resistances that are solved: a factor of 3.2."""
SURE = 10.0
"""Standard deviations past which a reading rules a fault out for good."""
FLOATING_SD_V = 1.2
"""What copper that is cut off may read: about 1.5 to 4.3 V, and stray light. Common practice."""


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
    if len(resistive):
        _resistive(weigher, joint, resistive, mean, weight)
    if len(columns) > len(resistive):
        mean[GRID], covariance = _solve(weigher, joint, GRID)
        weight[GRID] = log_likelihood(weigher.values - mean[GRID], covariance)


def _resistive(
    weigher: Weigher, joint: int, columns: NDArray[np.intp], mean: FloatArray, weight: FloatArray
) -> None:
    first, last = int(columns[0]), int(columns[-1])
    knots = sorted({*range(first, last, APART), last})
    first_mean, first_covariance = _solve(weigher, joint, first)
    if len(knots) == 1 or rules_out_more(weigher, first_mean, first_covariance):
        mean[columns] = first_mean
        weight[columns] = log_likelihood(weigher.values - first_mean, first_covariance)
        return
    solved = [_solve(weigher, joint, knot) for knot in knots[1:]]
    means = np.array([first_mean, *(row[0] for row in solved)])
    covariances = np.array([first_covariance, *(row[1] for row in solved)])
    above = np.clip(np.searchsorted(knots, columns, side="right"), 1, len(knots) - 1)
    low, high = np.array(knots)[above - 1], np.array(knots)[above]
    part = (columns - low) / (high - low)
    mean[columns] = means[above - 1] + part[:, None] * (means[above] - means[above - 1])
    # between two covariances lies a covariance
    wide = covariances[above - 1] + part[:, None, None] * (
        covariances[above] - covariances[above - 1]
    )
    weight[columns] = log_likelihood(weigher.values - mean[columns], wide)


def rules_out_more(weigher: Weigher, mean: FloatArray, covariance: FloatArray) -> bool:
    """True where readings are far off already, on the side that more resistance moves away from.

    A single slip may be one reading's excuse, so two must say so.
    """
    off = weigher.values - mean
    moved = mean - weigher.healthy_mean()
    away = (off * moved < 0.0) & (np.abs(off) > SURE * np.sqrt(np.diag(covariance)))
    return bool(away.sum() >= 2)


def _solve(weigher: Weigher, joint: int, column: int) -> tuple[FloatArray, FloatArray]:
    """Readings and their covariance with the joint at one resistance."""
    responses = weigher.responses
    name = responses.space.joints[joint].name
    means, parts, floating = [], [], []
    for effect in weigher.effects:
        solution = responses.exact(name, column, effect.taps.lit)
        taps = effect.taps.moved_to(solution.circuit)
        means.append(_read(solution, taps))
        parts.append(weigher.spread_at(solution, taps, means[-1], frozenset([name])))
        floating.append(np.array([solution.is_floating(r.probe) for r in taps.readings]))
    mean = weigher.ordered(means, axis=0)
    covariance = weigher.covariance(weigher.together(parts), mean)
    loose = np.flatnonzero(weigher.ordered(floating, axis=0))
    covariance[loose, loose] += FLOATING_SD_V**2
    return mean, covariance


def _read(solution: Solution, taps: Taps) -> FloatArray:
    """Readings at a solution; volts go by points, for copper adrift is no unknown."""
    amps = tap_values(solution, taps)
    return np.array(
        [
            value if reading.volts is None else solution.volts(reading.probe)
            for reading, value in zip(taps.readings, amps, strict=True)
        ]
    )
