"""What units of one design teach the next: their batch's causes, and the maker's hand.

`benchtest.diagnosis.batch.model` estimates the causes that a batch shares, from the readings that
no fault and no typing error has moved. The number of bad joints sets the number to be expected.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import FROM_MANY_REELS, Tolerances
from benchtest.diagnosis.batch.fault_rates import fault_rate_factors, scale_priors, usual_share
from benchtest.diagnosis.batch.model import (
    CAUSES,
    BatchPrediction,
    UnitEvidence,
    UnitReadings,
    batch_prediction,
    fed_views,
    in_agreement,
    lone_supply,
    or_another_supply,
    unit_evidence_of,
    without_slips,
)
from benchtest.diagnosis.engine import CAUTION_ODDS, Engine
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.inference.posterior import Posterior, named_suspects
from benchtest.diagnosis.likelihood.duplicates import without_duplicates
from benchtest.diagnosis.likelihood.measurement import noise_of
from benchtest.diagnosis.model.faults import FaultSpace, Priors, fault_space
from benchtest.diagnosis.model.node_variation import OTHER_BIN, tolerances_of
from benchtest.diagnosis.repair_scope import still_valid
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design

HEALTHY = 0.5
"""A unit less likely healthy than this teaches only by readings that its suspects do not move."""
SUSPECT = 0.1
"""Probability from which a suspect counts for that."""
ROUNDS, SMALL_STEP_SD = 4, 0.02
"""The circuit is solved anew at what was learned, until that moves by less, or so often."""


@dataclass(frozen=True, slots=True)
class UnusedUnit:
    """A unit that taught nothing, and why."""

    tag: str
    why: str


@dataclass(frozen=True)
class BatchKnowledge:
    """What the next unit is expected to be like.

    Attributes:
        design: with the figures that the batch seems to have.
        tolerances: how far the next unit may be from that.
        factors: node current, resistance of wire and of board copper, over the design's own.
        supply: volts of the supply over the design's own.
        taught: tags of the units that this was learned from.
        left_out: those that taught nothing.
    """

    design: Design
    tolerances: Tolerances
    factors: tuple[float, float, float] = (1.0, 1.0, 1.0)
    supply: float = 1.0
    taught: tuple[str, ...] = ()
    left_out: tuple[UnusedUnit, ...] = ()
    rate_factors: Mapping[str, float] = field(default_factory=dict)
    """How much likelier than its kind each place is that was mended in some of the units."""
    priors: Priors = field(default_factory=Priors)
    """Odds of each kind of fault, with those of power joints as the units' own hand makes them."""


def learn(design: Design, units: Sequence[UnitReadings]) -> BatchKnowledge:
    """What other units of a design say of the next one.

    A meter's gain is taken for fresh with every unit, and the supply for no better known than one
    meter's gain in the end: all units may have been read with the same.

    Args:
        design: what all of them were built to.
        units: the others.

    Returns:
        What `engine_for` diagnoses the next unit with; the design as it is and
        `law.tolerances_of` it where nothing could be learned.

    Raises:
        NameFault: a unit's mended joint is none of the design's.
        CircuitFault: the design's circuit has no solution.
    """
    usual, tolerances = FROM_MANY_REELS, tolerances_of(design)
    before = replace(tolerances, alike=(0.0, 0.0, 0.0))
    usable, left_out, priors = _usable_units(design, units, before)
    rate_factors = fault_rate_factors(units)
    if not usable:
        return BatchKnowledge(
            design, tolerances, left_out=tuple(left_out), rate_factors=rate_factors, priors=priors
        )
    gain_sd = max(map(_gain, usable)) / before.supply
    found, places = _batch(design, usable, before, usual.current)
    wider = before.current > usual.current
    if wider and not _other_bin(found, before.current, usual.current):
        before = replace(usual, alike=(0.0, 0.0, 0.0))
        found, places = _batch(design, usable, before, usual.current)
    for place, unit in enumerate(usable):
        if place not in places:
            left_out.append(UnusedUnit(unit.tag, "its readings are not like those of the others"))
    found = or_another_supply(found, gain_sd)
    return BatchKnowledge(
        _as_learned(design, before, found.mean),
        _narrower(before, found.covariance),
        _factors(before, found.mean),
        _supply(before, found.mean),
        tuple(usable[place].tag for place in places),
        tuple(left_out),
        rate_factors,
        priors,
    )


def engine_for(design: Design, learned: BatchKnowledge) -> Engine:
    """Diagnoses the next unit; by what is usual once its readings say that it is not like the rest.

    Args:
        design: as its file has it.
        learned: of other units of it.
    """
    usual = Engine(design, learned.priors, rate_factors=learned.rate_factors)
    if not learned.taught:
        return usual
    return Engine(learned.design, learned.priors, learned.tolerances, learned.rate_factors, usual)


def _gain(unit: UnitReadings) -> float:
    """Gain error of the worst meter that a unit was read with, one standard deviation."""
    return float(noise_of(unit.readings, unit.meter).gain.max(initial=0.0))


def _usable_units(
    design: Design, units: Sequence[UnitReadings], tolerances: Tolerances
) -> tuple[list[UnitReadings], list[UnusedUnit], Priors]:
    """Units with the readings that no known or likely fault has moved; and how often one is bad."""
    usable, left_out = [], []
    bad, expected = 0.0, 0.0
    space = fault_space(design)
    joints = {joint.name for joint in space.joints}
    for unit, views in zip(units, fed_views(design, units, tolerances), strict=True):
        bad += len(joints & {*unit.mended, *unit.repaired})
        readings, where = _unmoved(design, without_duplicates(unit.readings), unit.mended), ""
        if readings:
            found = views.of(EvidenceSet(readings, (), unit.meter, unit.repaired)).posterior
            bad += float(found.joints.sum())
            expected += usual_share(space)
            suspects = _suspects(space, found)
            readings, where = _unmoved(design, readings, suspects), ", ".join(suspects)
        if readings:
            usable.append(replace(unit, readings=readings))
        elif where:
            left_out.append(
                UnusedUnit(unit.tag, f"a fault that it may have moves all of it: {where}")
            )
        else:
            why = "has no readings that still hold" if unit.readings else "has no readings"
            left_out.append(UnusedUnit(unit.tag, why))
    return usable, left_out, scale_priors(space.priors, bad, expected)


def _unmoved(
    design: Design, readings: Sequence[Reading], faults: Sequence[str]
) -> Sequence[Reading]:
    for where in faults:
        valid = still_valid(design, where, readings)
        readings = [reading for reading, ok in zip(readings, valid, strict=True) if ok]
    return readings


def _suspects(space: FaultSpace, found: Posterior) -> list[str]:
    """Places that are likely at fault, likeliest first; none of a unit that is likely healthy."""
    if found.healthy >= HEALTHY:
        return []
    rows = named_suspects(space, found)
    named = [where for where, _, probability, _ in rows if probability >= SUSPECT]
    return list(dict.fromkeys(named or [rows[0][0]]))


def _batch(
    design: Design, usable: Sequence[UnitReadings], before: Tolerances, usual_current: float
) -> tuple[BatchPrediction, list[int]]:
    """What units of a batch say of the next, and places of those that are like the others."""
    settled = np.ones(len(CAUSES) + lone_supply(design))
    # which bin of current its nodes are of is the batch's: units of a batch differ as ever
    settled[0] = (usual_current / before.current) ** 2
    found, places = BatchPrediction(np.zeros(len(settled)), np.eye(len(settled))), list[int]()
    for _ in range(ROUNDS):
        at = found.mean
        evidence = _unit_evidence(design, usable, before, at)
        places = in_agreement(evidence, settled)
        found = batch_prediction([evidence[place].information for place in places], settled)
        if np.abs(found.mean - at).max() < SMALL_STEP_SD:
            break
    return found, places


def _unit_evidence(
    design: Design, units: Sequence[UnitReadings], tolerances: Tolerances, at_sd: FloatArray
) -> list[UnitEvidence]:
    """What each unit's readings say, linear around causes that are so far off the design's."""
    fed = fed_views(_as_learned(design, tolerances, at_sd), units, tolerances)
    found = []
    for unit, views in zip(units, fed, strict=True):
        evidence = unit_evidence_of(views.responses(), unit.readings, unit.meter, tolerances)
        found.append(without_slips(replace(evidence, off=evidence.off + evidence.per_sd @ at_sd)))
    return found


def _other_bin(found: BatchPrediction, wide: float, usual: float) -> bool:
    """True where a batch speaks for a node current that the kind's usual bin does not have.

    Args:
        found: with a current that may be of any bin.
        wide: standard deviation of the node current over all bins, as a share.
        usual: of the usual one.
    """
    variance = float(found.covariance[0, 0])
    said = max(1.0 / variance - 1.0, 1e-9)
    # what the units say without what was believed before, in shares
    off, variance = wide * float(found.mean[0]) / variance / said, wide**2 / said
    logs = [-0.5 * (off**2 / (variance + sd**2) + np.log(variance + sd**2)) for sd in (wide, usual)]
    odds = np.log(OTHER_BIN / (1.0 - OTHER_BIN)) - np.log(CAUTION_ODDS)
    return bool(logs[0] - logs[1] + odds > 0.0)


def _factors(tolerances: Tolerances, at_sd: FloatArray) -> tuple[float, float, float]:
    """Node current, wire and copper over the design's own."""
    sd = np.array([tolerances.current, tolerances.wire, tolerances.copper])
    current, wire, copper = np.exp(sd * at_sd[: len(CAUSES)]).tolist()
    return current, wire, copper


def _supply(tolerances: Tolerances, at_sd: FloatArray) -> float:
    """Volts of the supply over the design's own."""
    return float(np.exp(tolerances.supply * at_sd[len(CAUSES) :]).prod())


def _as_learned(design: Design, tolerances: Tolerances, at_sd: FloatArray) -> Design:
    """The design with causes so far off its own."""
    made = design.scaled(**dict(zip(CAUSES, _factors(tolerances, at_sd), strict=True)))
    times = _supply(tolerances, at_sd)
    fed = tuple(replace(feed, volts=feed.volts * times) for feed in made.feeds)
    return replace(made, feeds=fed)


def _narrower(tolerances: Tolerances, covariance: FloatArray) -> Tolerances:
    """Tolerances of the next unit."""
    sd = np.sqrt(np.diag(covariance))
    together = covariance / np.outer(sd, sd)
    return replace(
        tolerances,
        current=float(tolerances.current * sd[0]),
        wire=float(tolerances.wire * sd[1]),
        copper=float(tolerances.copper * sd[2]),
        supply=float(tolerances.supply * sd[len(CAUSES) :].min(initial=1.0)),
        alike=(float(together[0, 1]), float(together[0, 2]), float(together[1, 2])),
    )
