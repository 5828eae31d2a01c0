"""Joint resistances of two sessions of one unit, or of several units, compared joint by joint.

A session gives each joint a probability curve over resistance: the healthy log-normal as prior with
the odds of a fault as its tail, all other causes integrated out. The curves of two sessions share
one logarithmic scale, so the ratio of the resistances has a curve of its own: their
cross-correlation. Causes shared by both sessions (the unit's node current, its wire) are treated as
independent, which claims less than is known.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import HAND_SOLDERED, Tolerances
from benchtest.diagnosis.batch.model import UnitReadings, caches_as_fed
from benchtest.diagnosis.inference.cache import ConditionalCache
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet
from benchtest.diagnosis.inference.multiple_faults import (
    EvidenceLookup,
    fault_combinations,
    sure_faults,
    with_combinations,
)
from benchtest.diagnosis.inference.posterior import FaultHypothesis, Ohms
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood, linear_predictions
from benchtest.diagnosis.model.fault_response import (
    GRID_OHM,
    GRID_SIZE,
    LitSetResponse,
)
from benchtest.diagnosis.solve_budget import BudgetSpent, SolveBudget
from benchtest.diagnosis.thresholds import (
    CLEARED_ODDS_RATIO,
    MIN_CHANGE_PROBABILITY,
    MIN_FAULT_OHM,
    MIN_FAULT_RATIO,
    MIN_OUTLIER_PROBABILITY,
    MIN_POSSIBLE_FAULT_PROBABILITY,
    MIN_UNITS_FOR_OUTLIERS,
    OUTLIER_FALSE_ALARM_CHANCE,
)
from benchtest.prop.design import Design
from benchtest.prop.joints import Joint, power_joints

SCALE_STEP_LOG = float(np.log(GRID_OHM[1] / GRID_OHM[0]))
"""Step of the scale: natural logarithm of the ratio of neighboring resistances."""
LOW_STEPS = GRID_SIZE
LOW_OHM = MIN_FAULT_OHM * np.exp(-SCALE_STEP_LOG * np.arange(LOW_STEPS, 0, -1))
"""Resistances of good joints, 28 µΩ to 28 mΩ, shape (GRID_SIZE,). The grid of faults continues from
there, so results for that grid apply to this scale too. [Ω]
"""
SCALE_OHM = np.concatenate([LOW_OHM, GRID_OHM, [GRID_OHM[-1] * np.exp(SCALE_STEP_LOG)]])
"""All resistances at which a joint is evaluated; the last one represents open, shape (scale,).
[Ω]"""
SESSION_BUDGET_SHARE = 4.0
"""Budget of one session in a comparison, as a share of a finding's: no person waits for it."""


@dataclass(frozen=True)
class JointOhms:
    """Resistance of one joint in one session.

    Attributes:
        where: the joint.
        ohms: 5 %, most probable and 95 % resistance; the end of the scale represents open. [Ω]
        curve: probability of each of `SCALE_OHM`, shape (scale,).
        raised: probability of at least `MIN_FAULT_RATIO` times the healthy resistance.
        at_fault: probability of a resistance that a diagnosis calls a fault.
        shown_ohm: the readings clear the joint above this; None if not even an open joint is
            cleared, so that `ohms` is only the prior. [Ω]
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
        before: resistance in the earlier session. [Ω]
        after: resistance in the later session. [Ω]
        factor: resistance after over before: 5 %, most probable and 95 %.
        grown: probability that the resistance has grown.
        beyond_noise: True if the change exceeds readings and tolerances with
            `MIN_CHANGE_PROBABILITY`.
    """

    where: str
    before: Ohms
    after: Ohms
    factor: tuple[float, float, float]
    grown: float
    beyond_noise: bool


@dataclass(frozen=True, slots=True)
class OutlierJoint:
    """A joint of one unit that is far above the same joint of the other units.

    Attributes:
        tag: name of the unit.
        where: the joint.
        ohms: resistance in this unit: 5 %, most probable and 95 %. [Ω]
        usual_ohm: median of the other units. [Ω]
        probability: probability of exceeding that median by the outlier ratio.
    """

    tag: str
    where: str
    ohms: Ohms
    usual_ohm: float
    probability: float


def compare_sessions(
    design: Design,
    before: UnitReadings,
    after: UnitReadings,
    tolerances: Tolerances = HAND_SOLDERED,
) -> tuple[JointChange, ...]:
    """Return the change of each joint between two sessions, likeliest to have grown first.

    Args:
        design: the prop, or the design learned from its batch.
        before: readings of the earlier session.
        after: readings of the later session.
        tolerances: deviations of a healthy unit from that design.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    return changes_between(*ohms_of_sessions(design, (before, after), tolerances))


def changes_between(
    before: Sequence[JointOhms], after: Sequence[JointOhms]
) -> tuple[JointChange, ...]:
    """Return the change of each joint, from sessions that were evaluated before.

    Args:
        before: joints of the earlier session, see `joint_ohms`.
        after: joints of the later session, in the same order.
    """
    changes = [_change(earlier, later) for earlier, later in zip(before, after, strict=True)]
    # stable: ties keep the order of the prop file
    return tuple(sorted(changes, key=lambda change: -change.grown))


def _change(before: JointOhms, after: JointOhms) -> JointChange:
    change_curve = np.convolve(after.curve, before.curve[::-1])
    zero = len(SCALE_OHM) - 1
    factors = np.exp(SCALE_STEP_LOG * np.arange(-zero, zero + 1))
    low, high = _quantiles(change_curve, factors)
    best = float(np.clip(factors[int(np.argmax(change_curve))], low, high))
    # changes smaller than one grid step count half as growth
    grown = float(change_curve[zero + 1 :].sum() + change_curve[zero] / 2.0)
    moved = max(grown, 1.0 - grown) >= MIN_CHANGE_PROBABILITY
    return JointChange(before.where, before.ohms, after.ohms, (low, best, high), grown, moved)


def outlier_joints(seen: Mapping[str, Sequence[JointOhms]]) -> tuple[OutlierJoint, ...]:
    """Return joints that are far above the same joint of other units, most probable first.

    Args:
        seen: joints of each unit by its tag, see `joint_ohms`; all in the same order.
    """
    if len(seen) < MIN_UNITS_FOR_OUTLIERS:
        return ()
    found = []
    ratio = _outlier_ratio(sum(len(rows) for rows in seen.values()))
    for rows in zip(*seen.values(), strict=True):
        middles = [_quantiles(row.curve, SCALE_OHM, (0.5,))[0] for row in rows]
        for place, (tag, row) in enumerate(zip(seen, rows, strict=True)):
            usual_ohm = float(np.median(np.delete(middles, place)))
            probability = float(row.curve[ratio * usual_ohm < SCALE_OHM].sum())
            if probability >= MIN_OUTLIER_PROBABILITY:
                found.append(OutlierJoint(tag, row.where, row.ohms, usual_ohm, probability))
    return tuple(sorted(found, key=lambda one: -one.probability))


def _outlier_ratio(joints: int) -> float:
    """Return the ratio to the other units at which one of many joints is an outlier.

    Of some hundred good joints a few are several times the others. The ratio is one that only a
    share `OUTLIER_FALSE_ALARM_CHANCE` of good batches exceeds anywhere.
    """
    sd_log = np.log(HAND_SOLDERED.joint_factor)
    return max(
        MIN_FAULT_RATIO,
        float(np.exp(NormalDist().inv_cdf(1.0 - OUTLIER_FALSE_ALARM_CHANCE / joints) * sd_log)),
    )


def ohms_of_sessions(
    design: Design, sessions: Sequence[UnitReadings], tolerances: Tolerances = HAND_SOLDERED
) -> list[tuple[JointOhms, ...]]:
    """Return the joints of each session, see `joint_ohms`; sessions share their circuits.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    return [
        joint_ohms(design, session, tolerances, cache)
        for session, cache in zip(
            sessions, caches_as_fed(design, sessions, tolerances), strict=True
        )
    ]


def joint_ohms(
    design: Design,
    unit: UnitReadings,
    tolerances: Tolerances = HAND_SOLDERED,
    cache: ConditionalCache | None = None,
) -> tuple[JointOhms, ...]:
    """Return the resistance of every power joint in one session, in the order of the prop file.

    With a fault present, each joint that does not explain the readings itself is evaluated with
    that fault given, at its likeliest resistance, so that a fault elsewhere clears no joint. With
    several faults each is evaluated with the others given, so its range is narrower than it should
    be.

    Args:
        design: the prop, or the design learned from its batch.
        unit: the readings; those from before a repair of `repaired_later` must already be left out.
        tolerances: deviations of a healthy unit from that design.
        cache: of the design with the unit's supply volts and these tolerances; None to create it.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    cache = cache or caches_as_fed(design, [unit], tolerances)[0]
    budget = SolveBudget.of(design, SESSION_BUDGET_SHARE)
    lookup = _CurveLookup(
        cache, EvidenceSet.of(unit.readings, (), unit.meter, unit.repaired, budget)
    )
    curves = lookup.curves
    sure = _sure_faults_of(lookup) if unit.readings else ()
    lone_fault = None if sure or not unit.readings else _lone_fault(lookup((), forced=True))
    found = []
    for joint in power_joints(design):
        given = tuple(hypothesis for hypothesis in sure if hypothesis.where != joint.name)
        if lone_fault is not None and not _is_possible_fault(lookup((), forced=True), joint):
            given = (lone_fault,)
        lookup(given, forced=True)
        curve = curves[given].curve(joint, tolerances)
        found.append(_joint_ohms(joint, curve, curves[given].prior(joint, tolerances)))
    return tuple(found)


class _CurveLookup:
    """Evidence of a session for any given faults, kept with the curves computed from it.

    Attributes:
        budget: budget of the session.
        curves: by given faults.
    """

    def __init__(self, cache: ConditionalCache, case: EvidenceSet) -> None:
        self._cache = cache
        self._case = case
        self.budget = case.budget
        self.curves: dict[tuple[FaultHypothesis, ...], _ConditionalCurves] = {}

    def __call__(
        self, given: tuple[FaultHypothesis, ...], *, forced: bool = False
    ) -> ConditionalEvidence:
        if given not in self.curves:
            if not forced and not self.budget.left:
                raise BudgetSpent
            self.curves[given] = _ConditionalCurves(self._cache.of(self._case, given))
        return self.curves[given].conditional

    def read(self, given: tuple[FaultHypothesis, ...]) -> ConditionalEvidence:
        """Return the same evidence: a session has no marks here."""
        return self(given)


def _joint_ohms(joint: Joint, curve: FloatArray, prior: FloatArray) -> JointOhms:
    """Return a joint's figures from its curves after and before the readings."""
    low, high = _quantiles(curve, SCALE_OHM)
    best = float(np.clip(SCALE_OHM[int(np.argmax(curve))], low, high))
    is_raised = MIN_FAULT_RATIO * joint.ohm < SCALE_OHM
    raised = float(curve[is_raised].sum())
    healthy_scale = (1.0 - raised) / max(float(prior[~is_raised].sum()), 1e-300)
    against = curve / np.maximum(prior * healthy_scale, 1e-300)
    likely = np.flatnonzero(against >= CLEARED_ODDS_RATIO)
    first = int(likely[-1]) + 1 if len(likely) else 0
    shown_ohm = float(SCALE_OHM[first]) if first < len(SCALE_OHM) else None
    at_fault = float(curve[is_raised & (SCALE_OHM >= MIN_FAULT_OHM)].sum())
    return JointOhms(joint.name, Ohms(low, best, high), curve, raised, at_fault, shown_ohm)


def _sure_faults_of(lookup: EvidenceLookup) -> tuple[FaultHypothesis, ...]:
    """Return the sure faults of the best combination; none if one fault may explain all."""
    unconditional = lookup((), forced=True)
    weight, hypothesis = unconditional.likeliest[0]
    if not unconditional.is_misfit(hypothesis if weight > unconditional.healthy else None):
        return ()
    several = fault_combinations(lookup)
    return sure_faults(
        several,
        with_combinations(unconditional.posterior, unconditional.space, several),
        unconditional.space,
    )


def _lone_fault(unconditional: ConditionalEvidence) -> FaultHypothesis | None:
    """Return the likeliest joint fault if the unit is more likely bad than good."""
    hypothesis = unconditional.likeliest_fault
    return (
        hypothesis
        if hypothesis is not None and unconditional.posterior.healthy < 0.5 and hypothesis.chain < 0
        else None
    )


def _is_possible_fault(unconditional: ConditionalEvidence, joint: Joint) -> bool:
    """Return True if a joint may itself be the fault.

    Of two suspects with equal effects neither clears the other.
    """
    places = [one.name for one in unconditional.responses.space.joints]
    share = (
        unconditional.posterior.joints[places.index(joint.name)]
        if joint.name in places
        else np.ones(1)
    )
    return float(share.sum()) > MIN_POSSIBLE_FAULT_PROBABILITY


class _ConditionalCurves:
    """Curves of joints with some faults given."""

    def __init__(self, conditional: ConditionalEvidence) -> None:
        self.conditional = conditional
        self._places = {joint.name: n for n, joint in enumerate(conditional.responses.space.joints)}
        self._low: ReadingLikelihood | None = None

    def curve(self, joint: Joint, tolerances: Tolerances) -> FloatArray:
        """Return the probability of each resistance of the scale, shape (scale,)."""
        healthy = _healthy_prior_log(joint, tolerances)
        prior = np.exp(healthy - np.logaddexp.reduce(healthy))
        place = self._places.get(joint.name)
        if place is None:  # on cut-off copper: no reading tests it
            return np.asarray(prior)
        found, conditional = self.conditional.posterior, self.conditional
        healthy_rows = healthy - np.logaddexp.reduce(healthy)
        healthy_rows = healthy_rows + np.concatenate(
            [self._low_log(place), conditional.joints[place]]
        )
        fault_rows = np.concatenate(
            [
                np.full(LOW_STEPS, -np.inf),
                conditional.joints[place] + conditional.prior_log_odds[0][place],
            ]
        )
        untested, elsewhere = self._faults_elsewhere(place)
        healthy_rows = healthy_rows + np.log1p(untested)
        # a fault elsewhere that explains the readings leaves nothing for this joint to explain
        other = found.log_total + np.log(max(elsewhere, 1e-300)) + np.log(prior + 1e-300)
        total = np.logaddexp.reduce([healthy_rows, fault_rows, other])
        return np.asarray(np.exp(total - np.logaddexp.reduce(total)))

    def prior(self, joint: Joint, tolerances: Tolerances) -> FloatArray:
        """Return the same before any reading, shape (scale,)."""
        healthy = _healthy_prior_log(joint, tolerances)
        prior = np.exp(healthy - np.logaddexp.reduce(healthy))
        place = self._places.get(joint.name)
        if place is None:
            return np.asarray(prior)
        joint_odds, chain_odds = (np.exp(odds) for odds in self.conditional.prior_log_odds)
        elsewhere = float(joint_odds.sum() - joint_odds[place].sum() + chain_odds.sum())
        total = prior * (1.0 + elsewhere) + np.append(np.zeros(LOW_STEPS), joint_odds[place])
        return np.asarray(total / total.sum())

    def _faults_elsewhere(self, place: int) -> tuple[float, float]:
        """Return odds of untested faults elsewhere, and the probability of tested ones."""
        found, (joint_odds, chain_odds) = (
            self.conditional.posterior,
            self.conditional.prior_log_odds,
        )
        odds = np.append(np.exp(np.delete(joint_odds, place, axis=0)), np.exp(chain_odds))
        probability = np.append(np.delete(found.joints, place, axis=0), found.chain)
        untested = np.minimum(probability, found.healthy * odds)
        share = float(untested.sum()) / max(found.healthy, 1e-300)
        return share, float((probability - untested).sum())

    def _low_log(self, place: int) -> FloatArray:
        """Return the log likelihood of the readings at `LOW_OHM`, shape (GRID_SIZE,)."""
        likelihood = self.conditional.likelihood
        if likelihood is None:
            return np.zeros(LOW_STEPS)
        if self._low is None:
            self._low = copy.copy(likelihood)
            self._low.effects = [
                replace(effect, base=_at_low_ohm(effect.base, likelihood))
                for effect in likelihood.effects
            ]
        mean, covariance = linear_predictions(self._low, place, np.arange(LOW_STEPS))
        return likelihood.log_density(mean, covariance, place)


def _at_low_ohm(base: LitSetResponse, likelihood: ReadingLikelihood) -> LitSetResponse:
    """Return a lit set with changes of every joint to `LOW_OHM` in place of the fault grid."""
    healthy_ohm = np.array([joint.ohm for joint in likelihood.responses.space.joints])
    driving_point_ohm = np.einsum("jj->j", base.joint_branch[likelihood.responses.joint_columns])
    change_s = 1.0 / LOW_OHM - 1.0 / healthy_ohm[:, None]
    phi = change_s / (1.0 + change_s * driving_point_ohm[:, None])
    phi = np.column_stack([phi, np.zeros(len(phi))])  # column of the open joint
    return replace(base, compensating_a=-phi * base.across_v[:, None], factor_phi=phi)


def _healthy_prior_log(joint: Joint, tolerances: Tolerances) -> FloatArray:
    """Return the log-normal prior of a healthy joint, without its constant, shape (scale,)."""
    if joint.ohm <= 0.0:  # joined without resistance: cannot change
        return np.where(np.arange(len(SCALE_OHM)) == 0, 0.0, -np.inf)
    off_sd = np.log(SCALE_OHM / joint.ohm) / np.log(tolerances.joint_factor)
    return np.where(np.arange(len(SCALE_OHM)) < LOW_STEPS + GRID_SIZE, -0.5 * off_sd**2, -np.inf)


def _quantiles(
    curve: FloatArray, scale: FloatArray, at: Sequence[float] = (0.05, 0.95)
) -> tuple[float, ...]:
    """Return quantiles of a curve on a logarithmic scale."""
    upto = np.cumsum(curve) - curve / 2.0
    found = np.exp(np.interp(np.array(at) * curve.sum(), upto, np.log(scale)))
    return tuple(found.tolist())
