"""Prediction of a further reading from the residuals of earlier ones, under each fault sample.

Readings of one unit share node current, wire, copper and supply, so that the residual of one
predicts part of the next. The prediction is the conditional mean of jointly normal variables
(Anderson, An Introduction to Multivariate Statistical Analysis, theorem 2.5.1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.tolerance_condensed import CondensedSpread
from benchtest.diagnosis.likelihood.readings import JointLikelihoods, ReadingLikelihood
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.planning.fault_samples import SOFT_SHORT, FaultSamples
from benchtest.diagnosis.thresholds import MIN_SLIP_SD
from benchtest.evidence.readings import Reading

IGNORED_VARIANCE_FACTOR = 1e8
"""Factor on the variance of an ignored reading, which removes its weight."""


@dataclass(frozen=True)
class PlanningEvidence:
    """Readings so far, for the prediction of further ones.

    Attributes:
        readings: in order.
        likelihood: of the readings; None without any.
        likelihoods: of every joint fault; None without readings.
    """

    readings: Sequence[Reading]
    likelihood: ReadingLikelihood | None
    likelihoods: JointLikelihoods | None


class ReadingRegression:
    """Residuals of earlier readings under each fault sample, the same for all lit sets.

    Attributes:
        likelihood: of the readings.
        readings: in order.
        mean: predicted readings, shape (samples, readings). [V]
        residual: measured minus predicted, same shape. [V]
        floating: True for readings on copper that a sample cuts off or leaves without volts: it
            predicts nothing for them. Same shape.
        ignored: for each group of samples, the readings without weight under them.
        group: group of each sample, shape (samples,).
    """

    def __init__(
        self,
        samples: FaultSamples,
        readings: Sequence[Reading],
        likelihood: ReadingLikelihood,
        likelihoods: JointLikelihoods,
        floating: NDArray[np.bool_],
    ) -> None:
        self.likelihood = likelihood
        self.readings = readings
        self.floating = floating
        healthy = likelihood.healthy_mean()
        self._covariance = likelihood.covariance(likelihood.healthy_spread, healthy)
        self._gained = likelihood.noise.gain * healthy
        faulty = likelihoods.joint_mean[samples.joint, samples.column]
        self.mean = np.where((samples.joint >= 0)[:, None], faulty, healthy)
        is_chain = (samples.chain >= 0) & (samples.joint == -1)
        self.mean[is_chain] = likelihood.chain_mean[samples.chain[is_chain]]
        for row in np.flatnonzero(samples.joint == SOFT_SHORT).tolist():
            short = likelihood.resistive_short(int(samples.chain[row]))
            assert short is not None
            self.mean[row] = short.mean(int(samples.column[row]))
        two = np.flatnonzero(samples.other >= 0)
        self.mean[two] = two_joints_mean(
            likelihood,
            samples.joint[two],
            samples.column[two],
            samples.other[two],
            samples.other_column[two],
        )
        self.residual = likelihood.values - self.mean
        groups = _ignored_readings(self.residual, self._covariance, floating)
        self.ignored = list(groups)
        self.group = np.zeros(len(samples.joint), dtype=np.intp)
        for number, members in enumerate(groups.values()):
            self.group[members] = number

    def weights_on(
        self, spread: CondensedSpread, gained_v: FloatArray
    ) -> tuple[list[FloatArray], FloatArray]:
        """Return the weights of residuals in each probe, and the variance that they explain.

        Args:
            spread: effects of all tolerances on the probes.
            gained_v: change of each probe per standard deviation of the meter's gain, shape
                (probes,). [V]

        Returns:
            For each group the weights, shape (probes, readings), and the part of each probe's
            variance that the readings explain, shape (probes,). [V²]
        """
        shared = spread.covariance_with(self.likelihood.healthy_spread)
        shared += gained_v[:, None] * self._gained
        weights = [
            regression_weights(self._covariance, shared, ignored) for ignored in self.ignored
        ]
        explained = regression_weights(self._covariance, shared, ())
        return weights, np.einsum("pr,pr->p", explained, shared)


def two_joints_mean(
    likelihood: ReadingLikelihood,
    joint: IndexArray,
    column: IndexArray,
    other: IndexArray,
    other_column: IndexArray,
) -> FloatArray:
    """Return the predicted readings with two joints at fault, shape (pairs, readings). [V]

    Args:
        likelihood: of the readings.
        joint: index of one joint in the fault space, shape (pairs,).
        column: its resistance, as an index of the grid.
        other: index of the other joint.
        other_column: its resistance.
    """
    responses, parts = likelihood.responses, []
    for effect in likelihood.effects:
        one, two = responses.pair_compensating_a(effect.base, joint, column, other, other_column)
        own = effect.branch[responses.joint_columns]
        parts.append(effect.value + one[:, None] * own[joint] + two[:, None] * own[other])
    return likelihood.in_reading_order(parts, axis=1)


def _ignored_readings(
    residual: FloatArray, covariance: FloatArray, floating: NDArray[np.bool_]
) -> dict[tuple[int, ...], list[int]]:
    """Return the sets of readings without weight, each with the samples under which they have none.

    A reading that all others contradict under a fault is a slip; a reading on copper that the
    fault cuts off can have any value.
    """
    groups: dict[tuple[int, ...], list[int]] = {}
    slipped = slips(residual, covariance, MIN_SLIP_SD)
    for place, row in enumerate(floating):
        ignored = tuple(np.flatnonzero(row).tolist())
        if not ignored and slipped[place] >= 0:
            ignored = (int(slipped[place]),)
        groups.setdefault(ignored, []).append(place)
    return groups


def regression_weights(
    covariance: FloatArray, shared: FloatArray, ignored: tuple[int, ...]
) -> FloatArray:
    """Return the weight of each reading's residual in each probe: `shared @ covariance⁻¹`.

    Args:
        covariance: of the readings, shape (readings, readings). [V²]
        shared: covariance of each probe with each reading, shape (probes, readings). [V²]
        ignored: indices of readings without weight.

    Returns:
        Shape (probes, readings).
    """
    if ignored:
        covariance = covariance.copy()
        covariance[list(ignored), list(ignored)] *= IGNORED_VARIANCE_FACTOR
    return np.asarray(np.linalg.solve(covariance, shared.T).T)
