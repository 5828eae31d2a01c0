"""Two sessions of one unit side by side, joint by joint; and joints unlike those of other units.

A session says of each joint how probable every resistance is: the healthy log-normal as prior with
a fault's odds as its tail, every other cause integrated out. Two sessions are two such curves over
one logarithmic scale, so what has changed has a curve of its own. Causes that both sessions share
(the unit's node current, its wire) are taken for fresh in each, which claims less than is known.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import HAND_SOLDERED, Tolerances
from benchtest.diagnosis.batch.model import UnitReadings, fed_views
from benchtest.diagnosis.finding import Ohms
from benchtest.diagnosis.inference.cache import ConditionalCache
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.inference.multiple_faults import (
    EvidenceLookup,
    fault_combinations,
    several_posterior,
    sure_parts,
)
from benchtest.diagnosis.inference.posterior import CLEARED, FAULTY_TIMES
from benchtest.diagnosis.likelihood.linear import linear_predictions
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.fault_response import GRID, GRID_OHM, LitSetResponse
from benchtest.diagnosis.solve_budget import BudgetSpent, SolveBudget
from benchtest.diagnosis.thresholds import MIN_FAULT_OHM
from benchtest.prop.design import Design
from benchtest.prop.joints import Joint, power_joints

STEP = float(np.log(GRID_OHM[1] / GRID_OHM[0]))
"""Neighbouring resistances of the scale, as a natural logarithm of their ratio."""
LOW = GRID
LOW_OHM = MIN_FAULT_OHM * np.exp(-STEP * np.arange(LOW, 0, -1))
"""Resistances of joints that are as good as their neighbours, 28 µΩ to 28 mΩ; a fault's grid goes
on from there, so what is worked out for that grid is as right for this one. [Ω]"""
SCALE_OHM = np.concatenate([LOW_OHM, GRID_OHM, [GRID_OHM[-1] * np.exp(STEP)]])
"""Every resistance that a joint is weighed at; the last stands for an open one. [Ω]"""
BEYOND = 0.998
"""Probability from which a joint is said to have changed. A joint that the earlier session did not
see cannot reach it: one in two hundred was at fault before anything was read. Ours."""
UNLIKE = 0.95
"""Probability from which a joint is said to be unlike those of other units. Ours."""
MAY_BE = 0.01
"""Probability from which a joint is one of those that may be what is wrong. Ours."""
CHANCE = 0.05
"""Chance that a batch with nothing wrong has a joint that stands out. Ours."""
BUDGET_SHARE = 4.0
"""Budget of one session in a comparison, as a share of a finding's: no one waits for it."""
LEAST_UNITS = 3
"""Units of a design from which one can be unlike the others."""


@dataclass(frozen=True)
class JointOhms:
    """What one session says of one joint's resistance.

    Attributes:
        where: the joint.
        ohms: 5 %, most probable and 95 %; the scale's end stands for an open joint. [Ω]
        curve: probability of each of `SCALE_OHM`, shape (scale,).
        raised: probability that it is `FAULTY_TIMES` its healthy resistance, or more.
        at_fault: probability that it is so much that a diagnosis would call it at fault.
        shown_ohm: the readings speak against more than this; None where even an open joint would
            not have shown, so that `ohms` is what joints are like and nothing that was read. [Ω]
    """

    where: str
    ohms: Ohms
    curve: FloatArray
    raised: float
    at_fault: float
    shown_ohm: float | None


@dataclass(frozen=True, slots=True)
class JointChange:
    """One joint in two sessions.

    Attributes:
        where: the joint.
        before: what the earlier session says. [Ω]
        after: what the later one says. [Ω]
        factor: resistance after over before: 5 %, most probable and 95 %.
        grown: probability that it has grown.
        beyond_noise: its change is more than readings and tolerances leave to chance.
    """

    where: str
    before: Ohms
    after: Ohms
    factor: tuple[float, float, float]
    grown: float
    beyond_noise: bool


@dataclass(frozen=True, slots=True)
class OutlierJoint:
    """A joint of one unit that is far above the same joint of the others.

    Attributes:
        tag: the unit.
        where: the joint.
        ohms: of this unit. [Ω]
        usual_ohm: of the others. [Ω]
        probability: that it is `FAULTY_TIMES` that, or more.
    """

    tag: str
    where: str
    ohms: Ohms
    usual_ohm: float
    probability: float


def compare(
    design: Design,
    before: UnitReadings,
    after: UnitReadings,
    tolerances: Tolerances = HAND_SOLDERED,
) -> tuple[JointChange, ...]:
    """Two sessions of one unit, joint by joint; the likeliest to have grown comes first.

    Args:
        design: the prop, or what was learned of its batch.
        before: the earlier session's readings.
        after: the later one's.
        tolerances: how far a healthy unit may be from that design.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    return changes_between(*ohms_of_sessions(design, (before, after), tolerances))


def changes_between(
    before: Sequence[JointOhms], after: Sequence[JointOhms]
) -> tuple[JointChange, ...]:
    """What `compare` says, of two sessions that were weighed already."""
    changes = [_change(earlier, later) for earlier, later in zip(before, after, strict=True)]
    return tuple(sorted(changes, key=lambda change: -change.grown))  # stable: ties as in the file


def _change(before: JointOhms, after: JointOhms) -> JointChange:
    apart = np.convolve(after.curve, before.curve[::-1])
    same = len(SCALE_OHM) - 1
    factors = np.exp(STEP * np.arange(-same, same + 1))
    low, high = _quantiles(apart, factors)
    best = float(np.clip(factors[int(np.argmax(apart))], low, high))
    # of what moved by no whole step, half has grown
    grown = float(apart[same + 1 :].sum() + apart[same] / 2.0)
    moved = max(grown, 1.0 - grown) >= BEYOND
    return JointChange(before.where, before.ohms, after.ohms, (low, best, high), grown, moved)


def outlier_joints(seen: Mapping[str, Sequence[JointOhms]]) -> tuple[OutlierJoint, ...]:
    """Joints that are far above the same joint of other units of the design, surest first.

    Args:
        seen: what `joint_ohms` says of each unit, by its tag.
    """
    if len(seen) < LEAST_UNITS:
        return ()
    found = []
    times = _beyond_chance(sum(len(rows) for rows in seen.values()))
    for rows in zip(*seen.values(), strict=True):
        middles = [_quantiles(row.curve, SCALE_OHM, (0.5,))[0] for row in rows]
        for place, (tag, row) in enumerate(zip(seen, rows, strict=True)):
            usual_ohm = float(np.median(np.delete(middles, place)))
            probability = float(row.curve[times * usual_ohm < SCALE_OHM].sum())
            if probability >= UNLIKE:
                found.append(OutlierJoint(tag, row.where, row.ohms, usual_ohm, probability))
    return tuple(sorted(found, key=lambda one: -one.probability))


def _beyond_chance(joints: int) -> float:
    """How many times its like a joint must be to stand out among so many healthy ones.

    Of some hundred joints that are all well made, a few are several times the others: only what one
    healthy batch in twenty has is worth a look.
    """
    sd_log = np.log(HAND_SOLDERED.joint_factor)
    return max(FAULTY_TIMES, float(np.exp(NormalDist().inv_cdf(1.0 - CHANCE / joints) * sd_log)))


def ohms_of_sessions(
    design: Design, sessions: Sequence[UnitReadings], tolerances: Tolerances = HAND_SOLDERED
) -> list[tuple[JointOhms, ...]]:
    """What `joint_ohms` says of each of several sessions of one design; circuits are shared.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    return [
        joint_ohms(design, session, tolerances, views)
        for session, views in zip(sessions, fed_views(design, sessions, tolerances), strict=True)
    ]


def joint_ohms(
    design: Design,
    unit: UnitReadings,
    tolerances: Tolerances = HAND_SOLDERED,
    views: ConditionalCache | None = None,
) -> tuple[JointOhms, ...]:
    """What one session's readings say of every power joint, in the order of the prop file.

    Where something is wrong, each joint that does not explain it by itself is weighed on the
    footing of what does, at its likeliest resistance: a fault elsewhere clears no joint. Where it
    takes several faults, each of them is weighed on the footing of the others, so that its band
    is narrower than it should be.

    Args:
        design: the prop, or what was learned of its batch.
        unit: readings; those before a repair of `mended` must be left out already.
        tolerances: how far a healthy unit may be from that design.
        views: of the design as it is fed, with these tolerances, where they were made before.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    views = views or fed_views(design, [unit], tolerances)[0]
    budget = SolveBudget.of(design, BUDGET_SHARE)
    look = _Looks(views, EvidenceSet.of(unit.readings, (), unit.meter, unit.repaired, budget))
    kept = look.kept
    sure = _sure(look) if unit.readings else ()
    lone = None if sure or not unit.readings else _guilty(look((), forced=True))
    found = []
    for joint in power_joints(design):
        parts = tuple(part for part in sure if part.where != joint.name)
        if lone is not None and not _may_be(look((), forced=True), joint):
            parts = (lone,)
        look(parts, forced=True)
        curve = kept[parts].curve(joint, tolerances)
        found.append(_joint_ohms(joint, curve, kept[parts].before(joint, tolerances)))
    return tuple(found)


class _Looks:
    """A session's readings with faults given, kept with the curves that were drawn of them.

    Attributes:
        budget: what further footings are charged to.
        kept: by the faults given.
    """

    def __init__(self, views: ConditionalCache, case: EvidenceSet) -> None:
        self._views = views
        self._case = case
        self.budget = case.budget
        self.kept: dict[tuple[FaultHypothesis, ...], _ConditionalCurves] = {}

    def __call__(
        self, parts: tuple[FaultHypothesis, ...], *, forced: bool = False
    ) -> ConditionalEvidence:
        if parts not in self.kept:
            if not forced and not self.budget.left:
                raise BudgetSpent
            self.kept[parts] = _ConditionalCurves(self._views.of(self._case, parts))
        return self.kept[parts].view

    def read(self, parts: tuple[FaultHypothesis, ...]) -> ConditionalEvidence:
        """Return the same: here are no marks."""
        return self(parts)


def _joint_ohms(joint: Joint, curve: FloatArray, before: FloatArray) -> JointOhms:
    """A joint's figures, of its curve after and before the readings."""
    low, high = _quantiles(curve, SCALE_OHM)
    best = float(np.clip(SCALE_OHM[int(np.argmax(curve))], low, high))
    bad = FAULTY_TIMES * joint.ohm < SCALE_OHM
    raised = float(curve[bad].sum())
    good = (1.0 - raised) / max(float(before[~bad].sum()), 1e-300)
    against = curve / np.maximum(before * good, 1e-300)
    likely = np.flatnonzero(against >= CLEARED)
    first = int(likely[-1]) + 1 if len(likely) else 0
    shown_ohm = float(SCALE_OHM[first]) if first < len(SCALE_OHM) else None
    at_fault = float(curve[bad & (SCALE_OHM >= MIN_FAULT_OHM)].sum())
    return JointOhms(joint.name, Ohms(low, best, high), curve, raised, at_fault, shown_ohm)


def _sure(look: EvidenceLookup) -> tuple[FaultHypothesis, ...]:
    """Faults that must be there together, if any must."""
    plain = look((), forced=True)
    weight, part = plain.likeliest[0]
    if not plain.is_misfit(part if weight > plain.healthy else None):
        return ()
    several = fault_combinations(look)
    return sure_parts(
        several, several_posterior(plain.posterior, plain.space, several), plain.space
    )


def _guilty(plain: ConditionalEvidence) -> FaultHypothesis | None:
    """The likeliest fault, where something is more likely wrong than not."""
    part = plain.best_part
    return part if part is not None and plain.posterior.healthy < 0.5 and part.chain < 0 else None


def _may_be(plain: ConditionalEvidence, joint: Joint) -> bool:
    """Whether a joint may be what is wrong; of two that look alike neither clears the other."""
    places = [one.name for one in plain.responses.space.joints]
    share = plain.posterior.joints[places.index(joint.name)] if joint.name in places else np.ones(1)
    return float(share.sum()) > MAY_BE


class _ConditionalCurves:
    """Curves of joints with some faults taken for given."""

    def __init__(self, view: ConditionalEvidence) -> None:
        self.view = view
        self._places = {joint.name: n for n, joint in enumerate(view.responses.space.joints)}
        self._low: ReadingLikelihood | None = None

    def curve(self, joint: Joint, tolerances: Tolerances) -> FloatArray:
        """Probability of each resistance of the scale, shape (scale,)."""
        healthy = _healthy_log(joint, tolerances)
        prior = np.exp(healthy - np.logaddexp.reduce(healthy))
        place = self._places.get(joint.name)
        if place is None:  # copper that is cut off carries nothing to read
            return np.asarray(prior)
        found, view = self.view.posterior, self.view
        good = healthy - np.logaddexp.reduce(healthy)
        good = good + np.concatenate([self._low_log(place), view.joints[place]])
        bad = np.concatenate([np.full(LOW, -np.inf), view.joints[place] + view.odds[0][place]])
        unseen, guilty = self._elsewhere(place)
        good = good + np.log1p(unseen)
        # a fault elsewhere that explains the readings leaves nothing for this joint to explain
        other = found.log_total + np.log(max(guilty, 1e-300)) + np.log(prior + 1e-300)
        total = np.logaddexp.reduce([good, bad, other])
        return np.asarray(np.exp(total - np.logaddexp.reduce(total)))

    def before(self, joint: Joint, tolerances: Tolerances) -> FloatArray:
        """The same before anything was read, shape (scale,)."""
        healthy = _healthy_log(joint, tolerances)
        prior = np.exp(healthy - np.logaddexp.reduce(healthy))
        place = self._places.get(joint.name)
        if place is None:
            return np.asarray(prior)
        joint_odds, chain_odds = (np.exp(odds) for odds in self.view.odds)
        elsewhere = float(joint_odds.sum() - joint_odds[place].sum() + chain_odds.sum())
        total = prior * (1.0 + elsewhere) + np.append(np.zeros(LOW), joint_odds[place])
        return np.asarray(total / total.sum())

    def _elsewhere(self, place: int) -> tuple[float, float]:
        """Faults elsewhere: odds of those that readings say nothing of, probability of the rest."""
        found, (joint_odds, chain_odds) = self.view.posterior, self.view.odds
        odds = np.append(np.exp(np.delete(joint_odds, place, axis=0)), np.exp(chain_odds))
        part = np.append(np.delete(found.joints, place, axis=0), found.chain)
        unseen = np.minimum(part, found.healthy * odds)
        share = float(unseen.sum()) / max(found.healthy, 1e-300)
        return share, float((part - unseen).sum())

    def _low_log(self, place: int) -> FloatArray:
        """Logarithm of the readings' likelihood at `LOW_OHM`, shape (LOW,)."""
        likelihood = self.view.likelihood
        if likelihood is None:
            return np.zeros(LOW)
        if self._low is None:
            self._low = copy.copy(likelihood)
            self._low.effects = [
                replace(effect, base=_at_low(effect.base, likelihood))
                for effect in likelihood.effects
            ]
        mean, covariance = linear_predictions(self._low, place, np.arange(LOW))
        return likelihood.density(mean, covariance, place)


def _at_low(base: LitSetResponse, likelihood: ReadingLikelihood) -> LitSetResponse:
    """A lit set with every joint's changes to `LOW_OHM` in place of those to a fault's grid."""
    healthy_ohm = np.array([joint.ohm for joint in likelihood.responses.space.joints])
    driving_point_ohm = np.einsum("jj->j", base.joint_branch[likelihood.responses.joint_columns])
    change_s = 1.0 / LOW_OHM - 1.0 / healthy_ohm[:, None]
    phi = change_s / (1.0 + change_s * driving_point_ohm[:, None])
    phi = np.column_stack([phi, np.zeros(len(phi))])  # where the grid has the open joint
    return replace(base, compensating_a=-phi * base.across_v[:, None], factor_phi=phi)


def _healthy_log(joint: Joint, tolerances: Tolerances) -> FloatArray:
    """Logarithm of a healthy joint's prior but for a constant, shape (scale,)."""
    if joint.ohm <= 0.0:  # joined without resistance: nothing to see
        return np.where(np.arange(len(SCALE_OHM)) == 0, 0.0, -np.inf)
    away = np.log(SCALE_OHM / joint.ohm) / np.log(tolerances.joint_factor)
    return np.where(np.arange(len(SCALE_OHM)) < LOW + GRID, -0.5 * away**2, -np.inf)


def _quantiles(
    curve: FloatArray, scale: FloatArray, at: Sequence[float] = (0.05, 0.95)
) -> tuple[float, ...]:
    upto = np.cumsum(curve) - curve / 2.0
    found = np.exp(np.interp(np.array(at) * curve.sum(), upto, np.log(scale)))
    return tuple(found.tolist())
