"""Joints whose resistance changed while the readings were taken: intermittent, or growing.

One probe under one lit set that is read twice must read the same. Where it does not, one joint may
have been bad for some of the readings and good for the others, or may have grown as it warmed. Each
joint is weighed at each resistance under each course that its change may have taken; so is a supply
that stepped or drifted, and one slip of the pen.
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
from benchtest.diagnosis.likelihood.robust_gaussian import SLIP
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID
from benchtest.evidence.readings import Reading

DISAGREE_SD, DISAGREE_SHARE = 6.0, 0.003
"""Repeats disagree when they are farther apart than so many standard deviations of reading, and
than this share of their value: supplies and meters drift that much as they warm. Ours."""
UNSTEADY_SHARE = 0.1
"""Share of bad joints that change while they are read. Common practice, no source."""
SUPPLY_ODDS, SUPPLY_SHARE = 0.02, 0.005
"""Odds that the supplies' volts change while readings are taken, and one standard deviation of it
as a share. Common practice, no source."""
SCALE_SD = 0.1
"""Standard deviation of a joint's effect, as a share: node current is not exact."""
WANDER_SHARE = 0.002
"""Drift of supplies from reading to reading, as a share. Ours."""
SHAPE_SHARE = 0.1
"""Uncertainty of a change's course, as a share of the difference between its readings. Ours."""
APART = 8
"""Steps of the grid between two resistances that are tried: a factor of 1.6."""
MOST_PULSED = 16
"""Readings up to which a joint that was bad, good and bad again is weighed too."""
GROWN = (0.0, 0.3, 0.6)
"""Shares of a grown joint's last effect that it may have had at first."""

Course = Literal["intermittent", "growing"]


@dataclass(frozen=True)
class UnsteadyJoints:
    """Explanations of the readings by joints that change.

    Attributes:
        joints: logarithm of weight of each joint at each resistance, odds included, in the order
            of the fault space, shape (joints, COLUMNS).
        supply: the same of a supply that changes.
        growing: places of joints that grow rather than come and go.
        repeats: places of the readings that disagree with an earlier one, each behind that one.
    """

    joints: FloatArray
    supply: float
    growing: frozenset[int]
    repeats: tuple[tuple[int, int], ...]

    @property
    def log_total(self) -> float:
        """Logarithm of all their weights together."""
        return float(np.logaddexp(np.logaddexp.reduce(self.joints, axis=None), self.supply))

    def course(self, joint: int) -> Course:
        """Return the course of a joint's change that fits best."""
        return "growing" if joint in self.growing else "intermittent"


def disagreeing(readings: Sequence[Reading], own_sd: FloatArray) -> list[tuple[int, int]]:
    """Return pairs of places: each reading that disagrees with an earlier one of the same probe.

    Args:
        readings: in the order they were taken.
        own_sd: standard deviation of reading each of them, shape (readings,). [V, or A]

    Returns:
        The earlier place first; of several earlier readings the farthest.
    """
    alike: defaultdict[tuple[object, ...], list[int]] = defaultdict(list)
    found = []
    for place, reading in enumerate(readings):
        before = alike[reading.lit, reading.probe, reading.unit]
        apart = [abs(reading.value - readings[other].value) for other in before]
        if before:
            other = before[int(np.argmax(apart))]
            sd = float(np.hypot(own_sd[place], own_sd[other]))
            least = max(abs(reading.value), abs(readings[other].value)) * DISAGREE_SHARE
            if max(apart) > DISAGREE_SD * sd + least:
                found.append((other, place))
        before.append(place)
    return found


def unsteady_joints(view: ConditionalEvidence) -> UnsteadyJoints | None:
    """Weigh joints that change, where repeated readings disagree; None where they do not.

    Args:
        view: the evidence with nothing given.
    """
    likelihood, weighed = view.likelihood, view.likelihoods
    if likelihood is None or weighed is None or not len(weighed.joints):
        return None
    repeats = disagreeing(view.case.readings, likelihood.noise.own)
    if not repeats:
        return None
    count = len(likelihood.values)
    courses, grows = _courses(count, repeats)
    columns = np.append(np.arange(APART // 2, GRID, APART), GRID)
    wide = np.append(np.full(len(columns) - 1, float(APART)), 1.0)
    plain_v = likelihood.healthy_mean()
    own = np.hypot(WANDER_SHARE * likelihood.unloaded, SHAPE_SHARE * _apart(view, repeats))
    covariance = likelihood.healthy_covariance + np.diag(own**2)
    moved = (weighed.joint_mean[:, columns] - plain_v).reshape(-1, count)
    white = _Whitened(covariance, likelihood.values - plain_v, likelihood.slip_per_v)
    by_course = np.array([white.log_density(course * moved) for course in courses])
    by_course -= np.log(len(courses))
    supply_v = np.array([white.log_drift(course * likelihood.unloaded) for course in courses])
    supply = float(np.logaddexp.reduce(supply_v)) - np.log(len(courses) / SUPPLY_ODDS)
    shape = (len(weighed.joints), len(columns))
    read = np.logaddexp.reduce(by_course, axis=0).reshape(shape)
    # looks, and what was read before repairs: the joint may have been in either state
    beside_healthy = view.healthy - likelihood.healthy()
    beside = np.maximum((view.joints - weighed.joints)[:, columns], beside_healthy)
    odds = view.odds[0][:, columns] + np.log(wide * UNSTEADY_SHARE)
    joints = np.full((len(weighed.joints), COLUMNS), -np.inf)
    joints[:, columns] = read + beside + odds
    best = np.array(grows)[by_course.argmax(axis=0)].reshape(shape)
    likeliest = (read + beside + odds).argmax(axis=1)
    growing = frozenset(np.flatnonzero(best[np.arange(len(best)), likeliest]).tolist())
    return UnsteadyJoints(joints, supply + beside_healthy, growing, tuple(repeats))


def with_unsteady(found: Posterior, unsteady: UnsteadyJoints) -> Posterior:
    """Return probabilities with joints that change among them.

    A supply that changes counts as healthy: no joint is to blame.
    """
    log_total = float(np.logaddexp(found.log_total, unsteady.log_total))
    share = float(np.exp(found.log_total - log_total))
    return Posterior(
        found.healthy * share + float(np.exp(unsteady.supply - log_total)),
        found.joints * share + np.exp(unsteady.joints - log_total),
        found.chain * share,
        log_total,
    )


def _apart(view: ConditionalEvidence, repeats: Sequence[tuple[int, int]]) -> FloatArray:
    """Return how far each reading's repeats are apart, 0 where they agree, shape (readings,)."""
    readings = view.case.readings
    found = np.zeros(len(readings))
    for first, last in repeats:
        apart = abs(readings[first].value - readings[last].value)
        for place, reading in enumerate(readings):
            if (reading.lit, reading.probe) == (readings[last].lit, readings[last].probe):
                found[place] = max(found[place], apart)
    return found


def _courses(count: int, repeats: Sequence[tuple[int, int]]) -> tuple[list[FloatArray], list[bool]]:
    """Return shares of a joint's effect on each reading, shape (readings,), and which ones grow."""
    place = np.arange(count)
    steps = [(place < turn).astype(float) for turn in range(1, count)]
    courses = [*steps, *(1.0 - step for step in steps)]
    if count <= MOST_PULSED:
        for start in range(1, count - 1):
            for stop in range(start + 1, count):
                inside = ((place >= start) & (place < stop)).astype(float)
                courses += [inside, 1.0 - inside]
    grows = [False] * len(courses)
    for start in sorted({first for first, _ in repeats}):
        for stop in sorted({last for _, last in repeats if last > start}):
            ramp = np.clip((place - start) / (stop - start), 0.0, 1.0)
            courses += [least + (1.0 - least) * ramp for least in GROWN]
            grows += [True] * len(GROWN)
    return courses, grows


class _Whitened:
    """Readings in standard deviations that have nothing to do with each other."""

    def __init__(self, covariance: FloatArray, off: FloatArray, slip_per_v: float) -> None:
        lower = np.linalg.cholesky(covariance)
        self._root = np.asarray(np.linalg.inv(lower))
        self._own = np.sum(self._root**2, axis=0)
        self._off = self._root @ off
        self._plain = -np.log(np.diag(lower)).sum() - 0.5 * len(off) * np.log(2.0 * np.pi)
        slip = np.log(slip_per_v * SLIP / (1.0 - SLIP))
        self._slip = slip + 0.5 * (np.log(2.0 * np.pi) - np.log(self._own))

    def log_density(self, moved: FloatArray) -> FloatArray:
        """Return the logarithm of density with the readings moved, one of them perhaps a slip.

        Args:
            moved: shape (..., readings). [V, or A]

        Returns:
            Shape (...,).
        """
        moved = moved @ self._root.T
        rest = self._off - moved
        square = SCALE_SD**2 * (moved**2).sum(axis=-1)
        along = SCALE_SD * (moved * rest).sum(axis=-1)
        whole = 0.5 * (along**2 / (1.0 + square) - np.log1p(square) - (rest**2).sum(axis=-1))
        # leave one out; the doubt about the scale is taken out of the rest first
        rest = rest - (SCALE_SD * along / (1.0 + square))[..., None] * moved
        slipped = 0.5 * (rest @ self._root) ** 2 / self._own + self._slip
        return np.asarray(
            self._plain + whole + np.logaddexp(0.0, np.logaddexp.reduce(slipped, axis=-1))
        )

    def log_drift(self, moved: FloatArray) -> float:
        """Return the logarithm of density with the readings moved by an unknown small share."""
        along = SUPPLY_SHARE * (self._root @ moved)
        square, pull = float(along @ along), float(along @ self._off)
        rest = 0.5 * (pull**2 / (1.0 + square) - float(self._off @ self._off))
        return float(self._plain + rest - 0.5 * np.log1p(square))
