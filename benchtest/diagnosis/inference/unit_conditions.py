"""Conditions of a unit that are no fault: high joints, another wire, two reels, other supplies.

A healthy joint may be from the long upper tail of its kind, which a Gaussian lacks: its variance is
then wide, for all readings that it moves.

Wire sold as copper may be copper-clad aluminium, of half as much resistance again: no tolerance of
copper reaches that far.

Node current is a property of a strand's reel. The strand at which the reel changes is unknown; each
possible change is evaluated as one more cause that all readings share, and the likeliest ones join
the tolerances of the unit.

Effects of causes add up linearly around the design. Between unequal supplies flows a current that
the design does not have, and the drop of a joint is that current times its resistance: a product,
which is not linear. With the measured volts as the design's, effects are linear again.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import Tolerances, cause_names
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.node_variation import REEL_SD, reel_shares
from benchtest.diagnosis.thresholds import (
    CLAD_WIRE_PROBABILITY,
    MAX_HIGH_JOINT_SHARE,
    MAX_REEL_DEFICIT_LOG,
    MAX_SUPPLY_DEVIATION_SD,
    MIN_CLAD_READINGS,
    MIN_FAULT_OHM,
    MIN_FAULT_RATIO,
    MIN_HIGH_JOINT_RATIO,
    MIN_PROOF_SD,
    MIN_REEL_READINGS,
    MIN_SUPPLY_DEVIATION_SD,
    MIN_TWO_REELS_ODDS,
    MIN_USUAL_UNIT_PROBABILITY,
    TWO_REELS_PROBABILITY,
    UPPER_TAIL_PROBABILITY,
)
from benchtest.prop.design import FeedName, rail_probe

MAX_REEL_CHANGES = 2
"""Number of possible changes that are assumed at once."""


def two_reel_tolerances(conditional: ConditionalEvidence) -> Tolerances | None:
    """Return the tolerances of a unit with two reels; None unless the readings show two.

    Args:
        conditional: the evidence with no faults given and strands from one reel.
    """
    strands = len(conditional.design.strands)
    likelihood = _unusual_readings(conditional, MIN_REEL_READINGS) if strands > 1 else None
    if likelihood is None:
        return None
    shifts = _reel_shifts(likelihood)
    mean, covariance = likelihood.under(-1, 0)
    gains = _log_gains(likelihood.values - mean, covariance, shifts)
    gains += conditional.healthy
    best = conditional.likeliest_fault
    if best is not None and best.chain < 0:
        row = conditional.row(best.where)
        mean, covariance = conditional.under(best)
        more = shifts + _joint_shifts(likelihood, conditional, best.where, mean)
        other = _log_gains(likelihood.values - mean, covariance, more)
        gains = np.maximum(gains, other + float(np.logaddexp.reduce(row)))
    odds = two_reels_log_odds(strands, 1)
    if float(np.logaddexp.reduce(gains)) + odds <= conditional.posterior.log_total:
        return None
    order = np.argsort(-np.round(gains, 9), kind="stable")[:MAX_REEL_CHANGES]
    least = gains.max() - MAX_REEL_DEFICIT_LOG
    places = [int(place) + 1 for place in order if gains[place] > least]
    return replace(conditional.tolerances, reels=tuple(sorted(places)))


def high_joint_tolerances(conditional: ConditionalEvidence) -> Tolerances | None:
    """Return the tolerances of a unit with healthy joints in the upper tail; None without such.

    Args:
        conditional: the evidence with no faults given and usual joints.

    Returns:
        Tolerances with the joints whose own drops are high, yet below those of a fault.
    """
    if (likelihood := _unusual_readings(conditional, 1)) is None:
        return None
    usual_v, least_v = likelihood.healthy_mean(), MIN_PROOF_SD * likelihood.noise.own
    high = []
    for joint in sorted(set(likelihood.across.tolist()) - {-1}):
        one, own = likelihood.responses.space.joints[joint], likelihood.across == joint
        fault_ohm = max(MIN_FAULT_OHM, MIN_FAULT_RATIO * one.ohm)
        ratio = likelihood.values[own] / np.where(usual_v[own] == 0.0, np.inf, usual_v[own])
        is_high = ratio > MIN_HIGH_JOINT_RATIO
        is_high &= ratio < MAX_HIGH_JOINT_SHARE * fault_ohm / one.ohm
        is_high &= np.abs(likelihood.values - usual_v)[own] > least_v[own]
        if is_high.any():
            high.append(one.name)
    return replace(conditional.tolerances, high_joints=frozenset(high)) if high else None


def high_joint_log_odds(count: int) -> float:
    """Return the log prior odds of so many joints in the upper tail over none."""
    return count * _log_odds(UPPER_TAIL_PROBABILITY)


def needs_clad_wire(conditional: ConditionalEvidence) -> bool:
    """Return True if the evidence leaves something that another strand wire may explain.

    Args:
        conditional: the evidence with no faults given and the design's wire.
    """
    return _unusual_readings(conditional, MIN_CLAD_READINGS) is not None


def may_be_clad_wire(usual: ConditionalEvidence, clad: ConditionalEvidence) -> bool:
    """Return True if strand wire of copper-clad aluminium may be the likelier assumption.

    Without a fault, or with the likeliest one of the design's wire: to compute all others would
    cost as much as the whole evidence under the design's wire.

    Args:
        usual: the evidence with no faults given and the design's wire.
        clad: the same with the other wire.
    """
    weight, best = clad.healthy, usual.likeliest_fault
    if best is not None and best.chain < 0 and clad.carries_current(best.where):
        weight = max(weight, float(np.logaddexp.reduce(clad.row(best.where))))
    return weight + clad_wire_log_odds() > usual.posterior.log_total


def clad_wire_log_odds() -> float:
    """Return the log prior odds of strand wire of copper-clad aluminium over copper."""
    return _log_odds(CLAD_WIRE_PROBABILITY)


def two_reels_log_odds(strands: int, places: int) -> float:
    """Return the log prior odds of two reels over one, less the log of `MIN_TWO_REELS_ODDS`.

    Args:
        strands: number of strands of the unit.
        places: number of strands at which the second reel may begin, of `strands` - 1.
    """
    odds = TWO_REELS_PROBABILITY / (1.0 - TWO_REELS_PROBABILITY) * places / (strands - 1)
    return float(np.log(odds / MIN_TWO_REELS_ODDS))


def _unusual_readings(
    conditional: ConditionalEvidence, min_readings: int
) -> ReadingLikelihood | None:
    """Return the readings if they are enough, and leave another condition something to explain."""
    likelihood = conditional.likelihood
    if likelihood is None or len(likelihood.values) < min_readings:
        return None
    is_usual = conditional.posterior.healthy >= MIN_USUAL_UNIT_PROBABILITY
    return None if is_usual else likelihood


def _log_odds(probability: float) -> float:
    return float(np.log(probability / (1.0 - probability)))


def _reel_shifts(likelihood: ReadingLikelihood) -> FloatArray:
    """Return the shift of the readings by one standard deviation of a second reel's node current.

    Returns:
        For each strand at which the second reel may begin, shape (strands - 1, readings). [V, or A]
    """
    design = likelihood.responses.design
    loaded = likelihood.responses.circuit.loaded
    shares = reel_shares(design, tuple(range(1, len(design.strands))))[loaded]
    return likelihood.in_reading_order(
        [REEL_SD * (shares.T @ effect.load) for effect in likelihood.effects], axis=1
    )


def _joint_shifts(
    likelihood: ReadingLikelihood, conditional: ConditionalEvidence, where: str, mean: FloatArray
) -> FloatArray:
    """Return the change of a bad joint's effect with its strand's current, same shape."""
    joint = next(one for one in conditional.responses.space.joints if one.name == where)
    if len(joint.strands) != 1:
        return np.zeros((len(conditional.design.strands) - 1, len(mean)))
    second = joint.strands[0] > np.arange(1, len(conditional.design.strands))
    return REEL_SD * second[:, None] * (mean - likelihood.healthy_mean())


def _log_gains(off: FloatArray, covariance: FloatArray, shifts: FloatArray) -> FloatArray:
    """Return the gain of the readings' log likelihood by one more shared cause, shape (causes,).

    (r · C⁻¹s)² / (1 + s · C⁻¹s) / 2 − log(1 + s · C⁻¹s) / 2 for residual r, covariance C and shift
    s.

    Args:
        off: measured less predicted readings, shape (readings,). [V, or A]
        covariance: shape (readings, readings).
        shifts: by one standard deviation of each cause, shape (causes, readings). [V, or A]

    Source: Sherman-Morrison formula and matrix determinant lemma.
    """
    solved = np.linalg.solve(covariance, shifts.T)
    square = np.einsum("kn,nk->k", shifts, solved)
    pull = off @ solved
    return np.asarray(0.5 * (pull**2 / (1.0 + square) - np.log1p(square)))


SUPPLY_STEP_V = 0.01
"""Step to which measured supply volts are rounded, so that one more reading seldom changes them.
[V]"""


def measured_supply_volts(conditional: ConditionalEvidence) -> dict[str, float]:
    """Return the volts of each supply whose feed was measured, if one deviates from the design.

    Args:
        conditional: the evidence with no faults given.

    Returns:
        Volts by feed, without feeds whose volts a fault must have changed; empty if the design has
        one feed or no supply deviates. [V]
    """
    likelihood, design = conditional.likelihood, conditional.design
    if likelihood is None or len(design.feeds) < 2:
        return {}
    causes = cause_names(design)
    off_v = likelihood.values - likelihood.healthy_mean()
    found, max_sd = {}, 0.0
    for feed in design.feeds:
        probe = rail_probe(FeedName(feed.name))
        rows = [n for n, reading in enumerate(conditional.case.readings) if reading.probe == probe]
        if not rows:
            continue
        per_sd_v = likelihood.healthy_spread.shared[rows, causes.index(f"supply {feed.name}")]
        off_sd = float(np.median(off_v[rows] / np.maximum(per_sd_v, 1e-9)))
        if abs(off_sd) > MAX_SUPPLY_DEVIATION_SD:
            continue
        volts = feed.volts * (1.0 + likelihood.tolerances.supply * off_sd)
        found[feed.name] = round(round(volts / SUPPLY_STEP_V) * SUPPLY_STEP_V, 6)
        max_sd = max(max_sd, abs(off_sd))
    return found if max_sd >= MIN_SUPPLY_DEVIATION_SD else {}


def supply_log_prior(conditional: ConditionalEvidence, volts: dict[str, float]) -> float:
    """Return the log prior of supplies with these volts, over the design's volts: −Σ z² / 2.

    Args:
        conditional: the evidence with the design's supplies.
        volts: of each measured supply, by feed. [V]
    """
    off_sd = [
        (volts[feed.name] / feed.volts - 1.0) / conditional.tolerances.supply
        for feed in conditional.design.feeds
        if feed.name in volts
    ]
    return -0.5 * float(np.square(off_sd).sum())
