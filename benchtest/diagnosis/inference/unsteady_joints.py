"""Joints whose resistance changed while the readings were taken: intermittent or growing.

Two readings of one probe under one lit set must agree. If they do not, one joint may have been bad
for some of the readings and good for the others, or may have grown as it warmed up. Each joint is
evaluated at each resistance under each possible course of its change; a supply that stepped or
drifted, and one typing error, are alternatives.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.likelihood.robust_gaussian import SLIP_PROBABILITY
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID_SIZE, OPEN_COLUMN
from benchtest.diagnosis.thresholds import (
    COURSE_SHARE_SD,
    JOINT_EFFECT_SHARE_SD,
    MIN_REPEAT_DIFFERENCE_SD,
    MIN_REPEAT_DIFFERENCE_SHARE,
    SUPPLY_CHANGE_ODDS,
    SUPPLY_CHANGE_SHARE_SD,
    SUPPLY_DRIFT_SHARE_SD,
    UNSTEADY_JOINT_SHARE,
)
from benchtest.evidence.readings import Reading

GRID_STRIDE = 8
"""Grid steps between two resistances that are evaluated: a factor of 1.6."""
MAX_PULSED_READINGS = 16
"""Number of readings up to which a joint that was bad, good and bad again is evaluated too."""
INITIAL_GROWTH_SHARES = (0.0, 0.3, 0.6)
"""Shares of a grown joint's last effect that it may have had at first."""

Course = Literal["intermittent", "growing"]


@dataclass(frozen=True)
class UnsteadyJoints:
    """Explanations of the readings by joints that change.

    Attributes:
        joints: log weight of each joint at each resistance, prior odds included, in the order of
            the fault space, shape (joints, COLUMNS).
        supply: log weight of a supply that changes.
        growing: indices of joints that grow rather than come and go.
        repeats: indices of two contradicting readings, the earlier one first.
    """

    joints: FloatArray
    supply: float
    growing: frozenset[int]
    repeats: tuple[tuple[int, int], ...]

    @property
    def log_total(self) -> float:
        """Return the logarithm of the sum of all weights."""
        return float(np.logaddexp(np.logaddexp.reduce(self.joints, axis=None), self.supply))

    def course(self, joint: int) -> Course:
        """Return the likeliest course of a joint's change."""
        return "growing" if joint in self.growing else "intermittent"


def _contradicting_repeats(
    readings: Sequence[Reading], own_sd: FloatArray
) -> list[tuple[int, int]]:
    """Return pairs of indices: each reading that contradicts an earlier one of the same probe.

    Args:
        readings: in the order they were taken.
        own_sd: standard deviation of each reading by itself, shape (readings,). [V, or A]

    Returns:
        The earlier index first; of several earlier readings the one that differs most.
    """
    alike: defaultdict[tuple[object, ...], list[int]] = defaultdict(list)
    found = []
    for place, reading in enumerate(readings):
        before = alike[reading.lit, reading.probe, reading.unit]
        differences = [abs(reading.value - readings[other].value) for other in before]
        if before:
            other = before[int(np.argmax(differences))]
            sd = float(np.hypot(own_sd[place], own_sd[other]))
            least = (
                max(abs(reading.value), abs(readings[other].value)) * MIN_REPEAT_DIFFERENCE_SHARE
            )
            if max(differences) > MIN_REPEAT_DIFFERENCE_SD * sd + least:
                found.append((other, place))
        before.append(place)
    return found


def find_unsteady_joints(conditional: ConditionalEvidence) -> UnsteadyJoints | None:
    """Return explanations by joints that change; None without contradicting repeats.

    Args:
        conditional: the evidence with no faults given.
    """
    likelihood, joint_likelihoods = conditional.likelihood, conditional.likelihoods
    if likelihood is None or joint_likelihoods is None or not len(joint_likelihoods.joints):
        return None
    repeats = _contradicting_repeats(conditional.case.readings, likelihood.noise.own)
    if not repeats:
        return None
    count = len(likelihood.values)
    courses, grows = _courses(count, repeats)
    columns = np.append(np.arange(GRID_STRIDE // 2, GRID_SIZE, GRID_STRIDE), OPEN_COLUMN)
    width = np.append(np.full(len(columns) - 1, float(GRID_STRIDE)), 1.0)
    healthy_v = likelihood.healthy_mean()
    own = np.hypot(
        SUPPLY_DRIFT_SHARE_SD * likelihood.unloaded_v,
        COURSE_SHARE_SD * _repeat_difference(conditional, repeats),
    )
    covariance = likelihood.healthy_covariance + np.diag(own**2)
    moved = (joint_likelihoods.joint_mean[:, columns] - healthy_v).reshape(-1, count)
    white = _Whitened(covariance, likelihood.values - healthy_v, likelihood.slip_per_v)
    by_course = np.array([white.log_density(course * moved) for course in courses])
    by_course -= np.log(len(courses))
    supply_v = np.array([white.log_drift(course * likelihood.unloaded_v) for course in courses])
    supply = float(np.logaddexp.reduce(supply_v)) - np.log(len(courses) / SUPPLY_CHANGE_ODDS)
    shape = (len(joint_likelihoods.joints), len(columns))
    read = np.logaddexp.reduce(by_course, axis=0).reshape(shape)
    # marks and evidence from before repairs: the joint may have been good or bad for them
    other_evidence_healthy = conditional.healthy - likelihood.healthy()
    other_evidence = np.maximum(
        (conditional.joints - joint_likelihoods.joints)[:, columns], other_evidence_healthy
    )
    odds = conditional.prior_log_odds[0][:, columns] + np.log(width * UNSTEADY_JOINT_SHARE)
    joints = np.full((len(joint_likelihoods.joints), COLUMNS), -np.inf)
    joints[:, columns] = read + other_evidence + odds
    best = np.array(grows)[by_course.argmax(axis=0)].reshape(shape)
    likeliest = (read + other_evidence + odds).argmax(axis=1)
    growing = frozenset(np.flatnonzero(best[np.arange(len(best)), likeliest]).tolist())
    return UnsteadyJoints(joints, supply + other_evidence_healthy, growing, tuple(repeats))


def with_unsteady(found: Posterior, unsteady: UnsteadyJoints) -> Posterior:
    """Return probabilities with joints that change included.

    A supply that changes counts as healthy: no joint caused it.
    """
    log_total = float(np.logaddexp(found.log_total, unsteady.log_total))
    share = float(np.exp(found.log_total - log_total))
    return Posterior(
        found.healthy * share + float(np.exp(unsteady.supply - log_total)),
        found.joints * share + np.exp(unsteady.joints - log_total),
        found.chain * share,
        log_total,
    )


def _repeat_difference(
    conditional: ConditionalEvidence, repeats: Sequence[tuple[int, int]]
) -> FloatArray:
    """Return the difference of each reading's repeats, 0 where they agree, shape (readings,)."""
    readings = conditional.case.readings
    found = np.zeros(len(readings))
    for first, last in repeats:
        differences = abs(readings[first].value - readings[last].value)
        for place, reading in enumerate(readings):
            if (reading.lit, reading.probe) == (readings[last].lit, readings[last].probe):
                found[place] = max(found[place], differences)
    return found


def _courses(count: int, repeats: Sequence[tuple[int, int]]) -> tuple[list[FloatArray], list[bool]]:
    """Return courses of a joint's effect, shape (readings,) each, and True for those that grow.

    A course is the share of the joint's effect in each reading.
    """
    place = np.arange(count)
    steps = [(place < turn).astype(float) for turn in range(1, count)]
    courses = [*steps, *(1.0 - step for step in steps)]
    if count <= MAX_PULSED_READINGS:
        for start in range(1, count - 1):
            for stop in range(start + 1, count):
                inside = ((place >= start) & (place < stop)).astype(float)
                courses += [inside, 1.0 - inside]
    grows = [False] * len(courses)
    for start in sorted({first for first, _ in repeats}):
        for stop in sorted({last for _, last in repeats if last > start}):
            ramp = np.clip((place - start) / (stop - start), 0.0, 1.0)
            courses += [least + (1.0 - least) * ramp for least in INITIAL_GROWTH_SHARES]
            grows += [True] * len(INITIAL_GROWTH_SHARES)
    return courses, grows


class _Whitened:
    """Residuals of the readings, transformed to independent unit variances."""

    def __init__(self, covariance: FloatArray, off: FloatArray, slip_per_v: float) -> None:
        lower = np.linalg.cholesky(covariance)
        self._root = np.asarray(np.linalg.inv(lower))
        self._own = np.sum(self._root**2, axis=0)
        self._off = self._root @ off
        self._log_norm = -np.log(np.diag(lower)).sum() - 0.5 * len(off) * np.log(2.0 * np.pi)
        slip = np.log(slip_per_v * SLIP_PROBABILITY / (1.0 - SLIP_PROBABILITY))
        self._slip = slip + 0.5 * (np.log(2.0 * np.pi) - np.log(self._own))

    def log_density(self, moved: FloatArray) -> FloatArray:
        """Return the log density of shifted readings, at most one of them a typing error.

        Args:
            moved: shifts, shape (..., readings). [V, or A]

        Returns:
            Shape (...,).
        """
        moved = moved @ self._root.T
        rest = self._off - moved
        square = JOINT_EFFECT_SHARE_SD**2 * (moved**2).sum(axis=-1)
        along = JOINT_EFFECT_SHARE_SD * (moved * rest).sum(axis=-1)
        whole = 0.5 * (along**2 / (1.0 + square) - np.log1p(square) - (rest**2).sum(axis=-1))
        # leave one out, after the rest is corrected for the uncertain scale
        rest = rest - (JOINT_EFFECT_SHARE_SD * along / (1.0 + square))[..., None] * moved
        slipped = 0.5 * (rest @ self._root) ** 2 / self._own + self._slip
        return np.asarray(
            self._log_norm + whole + np.logaddexp(0.0, np.logaddexp.reduce(slipped, axis=-1))
        )

    def log_drift(self, moved: FloatArray) -> float:
        """Return the log density of readings shifted by an unknown small share of given values.

        Args:
            moved: the values, shape (readings,). [V, or A]
        """
        along = SUPPLY_CHANGE_SHARE_SD * (self._root @ moved)
        square, pull = float(along @ along), float(along @ self._off)
        rest = 0.5 * (pull**2 / (1.0 + square) - float(self._off @ self._off))
        return float(self._log_norm + rest - 0.5 * np.log1p(square))
