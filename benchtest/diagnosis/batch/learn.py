"""Figures and fault rates of a batch, learned from other units of a design.

`benchtest.diagnosis.batch.model` estimates the causes that a batch shares, from readings that no
fault and no typing error changed. The number of bad joints scales the prior odds of the next unit:
fault rates by place and by maker, estimated from the repairs of other units.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import FROM_MANY_REELS, Tolerances
from benchtest.diagnosis.batch.model import (
    CAUSES,
    BatchPrediction,
    UnitEvidence,
    UnitReadings,
    allow_other_supply,
    batch_prediction,
    caches_as_fed,
    consistent_units,
    shared_supply_count,
    unit_evidence_of,
    without_slips,
)
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.inference.posterior import Posterior, log_odds, named_suspects
from benchtest.diagnosis.likelihood.measurement import noise_of
from benchtest.diagnosis.likelihood.selection import without_duplicates
from benchtest.diagnosis.model.faults import FaultSpace, Priors, fault_space
from benchtest.diagnosis.model.node_variation import OTHER_BIN, tolerances_of
from benchtest.diagnosis.repair_scope import still_valid
from benchtest.diagnosis.thresholds import (
    MAKER_GAMMA_SHAPE,
    MAX_MAKER_FACTOR,
    MIN_GOOD_UNIT_PROBABILITY,
    MIN_MAKER_FACTOR,
    MIN_MOVING_SUSPECT_PROBABILITY,
    MIN_OTHER_BIN_ODDS,
    PLACE_FAULT_RATE,
    PLACE_GAMMA_SHAPE,
)
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design


def fault_rate_factors(units: Sequence[UnitReadings]) -> dict[str, float]:
    """Return the factor on the prior odds of each place that was repaired in any unit.

    Some joints are hard to reach, or lie on much copper: fault rates of places are gamma
    distributed with shape `PLACE_GAMMA_SHAPE` and mean `PLACE_FAULT_RATE`. With n repairs in N
    units the posterior mean over the prior mean is (shape + n) / (shape + N · rate).

    Source: gamma and Poisson distributions are conjugate, as in any text on Bayesian statistics.
    """
    repairs = Counter(where for unit in units for where in {*unit.repaired_later, *unit.repaired})
    prior_scale = PLACE_GAMMA_SHAPE + len(units) * PLACE_FAULT_RATE
    return {
        where: (PLACE_GAMMA_SHAPE + count) / prior_scale for where, count in sorted(repairs.items())
    }


def prior_bad_joints(space: FaultSpace) -> float:
    """Return the prior probability of a bad power joint if a unit has at most one fault."""
    joints, chain = (float(np.exp(odds).sum()) for odds in log_odds(space))
    return joints / (1.0 + joints + chain)


def scale_priors(priors: Priors, bad: float, expected: float) -> Priors:
    """Return prior odds of power joints, scaled by the bad joints in units of one maker.

    The factor is (shape + bad) / (shape + expected) with shape `MAKER_GAMMA_SHAPE`, within
    `MIN_MAKER_FACTOR` and `MAX_MAKER_FACTOR`. Joints that were not measured add equally to both
    counts.

    Args:
        priors: usual odds.
        bad: number of bad joints, as a sum of their probabilities.
        expected: number of bad joints expected before any reading.

    Source: gamma and Poisson distributions are conjugate, as in any text on Bayesian statistics.
    """
    factor = (MAKER_GAMMA_SHAPE + bad) / (MAKER_GAMMA_SHAPE + expected)
    factor = min(max(factor, MIN_MAKER_FACTOR), MAX_MAKER_FACTOR)
    return replace(priors, resistive=priors.resistive * factor, open=priors.open * factor)


MAX_LINEARIZATIONS, CONVERGED_STEP_SD = 4, 0.02
"""Number of linearizations around the learned causes, and the step below which they stop. [SD]
"""


@dataclass(frozen=True, slots=True)
class UnusedUnit:
    """A unit from which nothing was learned, and the reason.

    Attributes:
        tag: name of the unit.
        reason: sentence fragment for the user.
    """

    tag: str
    reason: str


@dataclass(frozen=True)
class BatchKnowledge:
    """Expected figures of the next unit.

    Attributes:
        design: design with the figures of the batch.
        tolerances: deviations of the next unit from that design.
        factors: node current, resistance of wire and of board copper, relative to the prop file.
        supply: volts of the supply, relative to the prop file.
        learned_from: tags of the units that were used.
        unused: units that were not used.
        rate_factors: factor on the prior odds of each place that was repaired in any unit.
        priors: prior odds of each kind of fault, scaled by the maker's rate of bad joints.
    """

    design: Design
    tolerances: Tolerances
    factors: tuple[float, float, float] = (1.0, 1.0, 1.0)
    supply: float = 1.0
    learned_from: tuple[str, ...] = ()
    unused: tuple[UnusedUnit, ...] = ()
    rate_factors: Mapping[str, float] = field(default_factory=dict)
    priors: Priors = field(default_factory=Priors)


def learn(design: Design, units: Sequence[UnitReadings]) -> BatchKnowledge:
    """Return the figures of the next unit, learned from other units of the design.

    A meter's gain is assumed independent from unit to unit. At the end the supply is assumed known
    no better than one meter's gain, as the same meter may have read all units.

    Args:
        design: design of all units.
        units: the other units.

    Returns:
        Knowledge for `engine_for`; the design of the prop file with
        `node_variation.tolerances_of` it if nothing could be learned.

    Raises:
        NameFault: a unit has a repaired joint that the design does not have.
        CircuitFault: the design's circuit has no solution.
    """
    usual, tolerances = FROM_MANY_REELS, tolerances_of(design)
    prior = replace(tolerances, alike=(0.0, 0.0, 0.0))
    usable, unused, priors = _usable_units(design, units, prior)
    rate_factors = fault_rate_factors(units)
    if not usable:
        return BatchKnowledge(
            design, tolerances, unused=tuple(unused), rate_factors=rate_factors, priors=priors
        )
    gain_sd = max(map(_gain, usable)) / prior.supply
    found, places = _batch(design, usable, prior, usual.current)
    wider = prior.current > usual.current
    if wider and not _other_bin(found, prior.current, usual.current):
        prior = replace(usual, alike=(0.0, 0.0, 0.0))
        found, places = _batch(design, usable, prior, usual.current)
    for place, unit in enumerate(usable):
        if place not in places:
            unused.append(UnusedUnit(unit.tag, "its readings differ from those of the other units"))
    found = allow_other_supply(found, gain_sd)
    return BatchKnowledge(
        _as_learned(design, prior, found.mean),
        _narrower(prior, found.covariance),
        _factors(prior, found.mean),
        _supply(prior, found.mean),
        tuple(usable[place].tag for place in places),
        tuple(unused),
        rate_factors,
        priors,
    )


def _gain(unit: UnitReadings) -> float:
    """Return the largest gain error of a unit's meters, one standard deviation, as a share."""
    return float(noise_of(unit.readings, unit.meter).gain.max(initial=0.0))


def _usable_units(
    design: Design, units: Sequence[UnitReadings], tolerances: Tolerances
) -> tuple[list[UnitReadings], list[UnusedUnit], Priors]:
    """Return units with readings that no likely fault changed, unused units and priors."""
    usable, unused = [], []
    bad, expected = 0.0, 0.0
    space = fault_space(design)
    joints = {joint.name for joint in space.joints}
    for unit, cache in zip(units, caches_as_fed(design, units, tolerances), strict=True):
        bad += len(joints & {*unit.repaired_later, *unit.repaired})
        readings, where = (
            _unmoved(design, without_duplicates(unit.readings), unit.repaired_later),
            "",
        )
        if readings:
            found = cache.of(EvidenceSet(readings, (), unit.meter, unit.repaired)).posterior
            bad += float(found.joints.sum())
            expected += prior_bad_joints(space)
            suspects = _suspects(space, found)
            readings, where = _unmoved(design, readings, suspects), ", ".join(suspects)
        if readings:
            usable.append(replace(unit, readings=readings))
        elif where:
            unused.append(UnusedUnit(unit.tag, f"possible faults affect all its readings: {where}"))
        else:
            reason = "none of its readings is still valid" if unit.readings else "has no readings"
            unused.append(UnusedUnit(unit.tag, reason))
    return usable, unused, scale_priors(space.priors, bad, expected)


def _unmoved(
    design: Design, readings: Sequence[Reading], faults: Sequence[str]
) -> Sequence[Reading]:
    """Return the readings that do not change when faults at some places are repaired."""
    for where in faults:
        valid = still_valid(design, where, readings)
        readings = [reading for reading, ok in zip(readings, valid, strict=True) if ok]
    return readings


def _suspects(space: FaultSpace, found: Posterior) -> list[str]:
    """Return places likely at fault, likeliest first; none for a unit that is likely good."""
    if found.healthy >= MIN_GOOD_UNIT_PROBABILITY:
        return []
    rows = named_suspects(space, found)
    named = [
        where for where, _, probability, _ in rows if probability >= MIN_MOVING_SUSPECT_PROBABILITY
    ]
    return list(dict.fromkeys(named or [rows[0][0]]))


def _batch(
    design: Design, usable: Sequence[UnitReadings], prior: Tolerances, usual_current: float
) -> tuple[BatchPrediction, list[int]]:
    """Return the prediction for the next unit, and indices of the units that agree with each other.

    Args:
        design: design of all units.
        usable: units with readings to use.
        prior: tolerances of a unit before anything was learned.
        usual_current: standard deviation of node current within one bin, as a share.
    """
    unit_variance = np.ones(len(CAUSES) + shared_supply_count(design))
    # the current bin is common to the batch; units vary within it as usual
    unit_variance[0] = (usual_current / prior.current) ** 2
    found, places = (
        BatchPrediction(np.zeros(len(unit_variance)), np.eye(len(unit_variance))),
        list[int](),
    )
    for _ in range(MAX_LINEARIZATIONS):
        at = found.mean
        evidence = _unit_evidence(design, usable, prior, at)
        places = consistent_units(evidence, unit_variance)
        found = batch_prediction([evidence[place].information for place in places], unit_variance)
        if np.abs(found.mean - at).max() < CONVERGED_STEP_SD:
            break
    return found, places


def _unit_evidence(
    design: Design, units: Sequence[UnitReadings], tolerances: Tolerances, at_sd: FloatArray
) -> list[UnitEvidence]:
    """Return the evidence of each unit, linear around given deviations of the causes.

    Args:
        design: design of all units.
        units: the units.
        tolerances: deviations of a unit from the design.
        at_sd: deviation of each cause, in standard deviations, shape (causes,).
    """
    fed = caches_as_fed(_as_learned(design, tolerances, at_sd), units, tolerances)
    found = []
    for unit, cache in zip(units, fed, strict=True):
        evidence = unit_evidence_of(cache.responses(), unit.readings, unit.meter, tolerances)
        found.append(without_slips(replace(evidence, off=evidence.off + evidence.per_sd @ at_sd)))
    return found


def _other_bin(found: BatchPrediction, wide: float, usual: float) -> bool:
    """Return True if a batch shows a node current that the usual bin of its kind does not have.

    Args:
        found: prediction with a current from any bin.
        wide: standard deviation of the node current over all bins, as a share.
        usual: standard deviation within the usual bin, as a share.
    """
    variance = float(found.covariance[0, 0])
    own_information = max(1.0 / variance - 1.0, 1e-9)
    # the units' own information, without the prior, as shares
    off, variance = (
        wide * float(found.mean[0]) / variance / own_information,
        wide**2 / own_information,
    )
    logs = [-0.5 * (off**2 / (variance + sd**2) + np.log(variance + sd**2)) for sd in (wide, usual)]
    odds = np.log(OTHER_BIN / (1.0 - OTHER_BIN)) - np.log(MIN_OTHER_BIN_ODDS)
    return bool(logs[0] - logs[1] + odds > 0.0)


def _factors(tolerances: Tolerances, at_sd: FloatArray) -> tuple[float, float, float]:
    """Return node current, wire and copper relative to the design."""
    sd = np.array([tolerances.current, tolerances.wire, tolerances.copper])
    current, wire, copper = np.exp(sd * at_sd[: len(CAUSES)]).tolist()
    return current, wire, copper


def _supply(tolerances: Tolerances, at_sd: FloatArray) -> float:
    """Return the supply volts relative to the design."""
    return float(np.exp(tolerances.supply * at_sd[len(CAUSES) :]).prod())


def _as_learned(design: Design, tolerances: Tolerances, at_sd: FloatArray) -> Design:
    """Return the design with deviating causes, given in standard deviations."""
    scaled = design.scaled(**dict(zip(CAUSES, _factors(tolerances, at_sd), strict=True)))
    factor = _supply(tolerances, at_sd)
    fed = tuple(replace(feed, volts=feed.volts * factor) for feed in scaled.feeds)
    return replace(scaled, feeds=fed)


def _narrower(tolerances: Tolerances, covariance: FloatArray) -> Tolerances:
    """Return the tolerances of the next unit from the covariance of its causes."""
    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd)
    return replace(
        tolerances,
        current=float(tolerances.current * sd[0]),
        wire=float(tolerances.wire * sd[1]),
        copper=float(tolerances.copper * sd[2]),
        supply=float(tolerances.supply * sd[len(CAUSES) :].min(initial=1.0)),
        alike=(float(correlation[0, 1]), float(correlation[0, 2]), float(correlation[1, 2])),
    )
