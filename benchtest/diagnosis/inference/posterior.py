"""Single faults as hypotheses: prior odds, posterior probabilities, cleared resistances."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.model.fault_response import (
    COLUMNS,
    GRID_OHM,
    GRID_SIZE,
    GRID_STEP_LOG,
    OPEN_COLUMN,
)
from benchtest.diagnosis.model.faults import ChainFault, FaultKind, FaultSpace
from benchtest.diagnosis.thresholds import (
    CLEARED_ODDS_RATIO,
    MIN_FAULT_RATIO,
    OHMMETER_SHORT_SHARE,
    REPAIRED_ODDS_SHARE,
    SEEN_SETTING_ODDS_RATIO,
    UNSEEN_SETTING_SHARE,
)


@dataclass(frozen=True, slots=True)
class FaultHypothesis:
    """One fault: a power joint at one resistance, or a chain fault.

    A chain fault is a fault of the data line, of nodes or of a whole rail; see
    `benchtest.diagnosis.model.faults.ChainFault`.

    Attributes:
        where: name of the joint, node, strand or feed.
        kind: kind of fault.
        column: resistance of a joint as a column of the grid, `OPEN_COLUMN` for open; -1 for chain
            faults.
        chain: index of a chain fault in the design's whole fault space; -1 for joints.
    """

    where: str
    kind: FaultKind
    column: int = -1
    chain: int = -1

    @property
    def ohm(self) -> float:
        """Return the resistance of the joint, infinite for an open one. [Ω]"""
        return float(GRID_OHM[self.column]) if self.column < OPEN_COLUMN else np.inf

    def at(self, column: int) -> FaultHypothesis:
        """Return the same joint at another resistance.

        Args:
            column: index of the grid, `OPEN_COLUMN` for open.
        """
        return replace(self, column=column, kind="open" if column == OPEN_COLUMN else "resistive")


GRID_EDGES_LOG_OHM = np.append(
    np.log(GRID_OHM) - GRID_STEP_LOG / 2.0, np.log(GRID_OHM[-1]) + GRID_STEP_LOG / 2.0
)
"""Natural logarithms of the resistances that bound the cells of the grid, shape (GRID_SIZE + 1,).
[ln Ω]"""


@dataclass(frozen=True, slots=True)
class Ohms:
    """Resistance of a joint according to the evidence: 5 %, most probable and 95 %. [Ω]"""

    low: float
    best: float
    high: float


@dataclass(frozen=True)
class Posterior:
    """Probability of each fault, given all evidence.

    Attributes:
        healthy: probability of no fault.
        joints: probability of each power joint at each resistance, open last,
            shape (joints, COLUMNS).
        chain: probability of each chain fault, shape (chain faults,).
        log_total: natural logarithm of the sum of all weights (likelihood times prior odds), the
            evidence of Bayes' rule.
    """

    healthy: float
    joints: FloatArray
    chain: FloatArray
    log_total: float

    @property
    def resistive(self) -> FloatArray:
        """Return the probability that each joint is resistive, shape (joints,)."""
        return np.asarray(self.joints[:, :GRID_SIZE].sum(axis=1))

    @property
    def open(self) -> FloatArray:
        """Return the probability that each joint is open, shape (joints,)."""
        return self.joints[:, OPEN_COLUMN]

    def ohms(self, joint: int) -> Ohms:
        """Return the 5 %, most probable and 95 % resistance of a joint that is resistive. [Ω]

        Args:
            joint: index of the joint in the fault space.
        """
        part = self.joints[joint, :GRID_SIZE]
        # a column is a cell of the grid: half a step to either side of its resistance
        upto = np.append(0.0, np.cumsum(part) / part.sum())
        low, high = np.exp(np.interp([0.05, 0.95], upto, GRID_EDGES_LOG_OHM))
        best = float(np.clip(GRID_OHM[np.argmax(part)], low, high))
        return Ohms(float(low), best, float(high))


def cleared_by_joint(healthy: float, joints: FloatArray) -> FloatArray:
    """Return the resistance above which the evidence clears each joint.

    A joint is cleared at R if the likelihood ratio of its fault to no fault is below
    `CLEARED_ODDS_RATIO` at R and at every resistance above it, open included: very large faults,
    which show on any prop, do not clear smaller ones.

    Args:
        healthy: log likelihood of the evidence without a fault.
        joints: log likelihood with each power joint at fault, shape (joints, COLUMNS).

    Returns:
        Least cleared resistance, infinite if not even an open joint is cleared, shape (joints,).
        [Ω]
    """
    # the largest resistance that is not cleared, searched from the top
    shown = (joints - healthy)[:, ::-1] >= np.log(CLEARED_ODDS_RATIO)
    first = np.where(shown.any(axis=1), COLUMNS - np.argmax(shown, axis=1), 0)
    return np.append(GRID_OHM, [np.inf, np.inf])[first]


def cleared_ohm(by_joint: FloatArray) -> float | None:
    """Return the resistance above which every joint is cleared; None if one is not cleared. [Ω]

    Args:
        by_joint: cleared resistance of each joint, see `cleared_by_joint`. [Ω]
    """
    worst = float(by_joint.max())
    return worst if np.isfinite(worst) else None


def log_odds(
    space: FaultSpace,
    repaired: Collection[str] = (),
    unshorted: Sequence[str] = (),
    *,
    is_seen_amiss: bool = False,
    controller_look: Sequence[str] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return the logarithm of each fault's prior odds against no fault.

    A power joint's odds are spread evenly over the grid from `MIN_FAULT_RATIO` times its healthy
    resistance; a fuse can only be open. Odds of repaired places are multiplied by
    `REPAIRED_ODDS_SHARE` for each repair, those of a short by `OHMMETER_SHORT_SHARE` for each
    measurement against it. Settings of the controller have no odds until something was seen that is
    not right: all of them show.

    Args:
        space: faults and their odds.
        repaired: names of joints and nodes that were repaired, once for each repair.
        unshorted: feeds where an ohmmeter showed no short between the rails, once for each
            measurement.
        is_seen_amiss: True if a mark is not `ok`.
        controller_look: settings of the controller that show what was seen in the look at it; empty
            if it agrees with the prop file, None without such a look.

    Returns:
        Of power joints, shape (joints, COLUMNS), and of chain faults, shape (chain faults,).
    """
    odds = np.full((len(space.joints), COLUMNS), space.priors.resistive / GRID_SIZE)
    healthy_ohm = np.array([joint.ohm for joint in space.joints])
    # the healthy resistance of a plug's pin may equal a fault of another joint
    odds[:, :GRID_SIZE] *= MIN_FAULT_RATIO * healthy_ohm[:, None] < GRID_OHM
    odds[:, OPEN_COLUMN] = space.priors.open
    odds[space.soldered :, :GRID_SIZE] = 0.0  # a fuse is intact or blown
    odds[space.soldered :, OPEN_COLUMN] = space.priors.fuse

    def rate_factor(where: str) -> float:
        times = sum(one == where for one in repaired)
        return space.rate_factors.get(where, 1.0) * REPAIRED_ODDS_SHARE**times

    rate_factors = np.array([rate_factor(joint.name) for joint in space.joints])
    chain = [
        fault.odds
        * rate_factor(fault.where)
        * OHMMETER_SHORT_SHARE ** _contradicting_measurements(fault, unshorted)
        * _setting_factor(fault, controller_look, is_seen_amiss=is_seen_amiss)
        for fault in space.chain
    ]
    with np.errstate(divide="ignore"):
        return np.log(odds) + np.log(rate_factors)[:, None], np.log(np.array(chain))


def _setting_factor(fault: ChainFault, look: Sequence[str] | None, *, is_seen_amiss: bool) -> float:
    """Return the factor on the odds of a setting of the controller by what was seen; else 1."""
    if fault.kind != "mapping":
        return 1.0
    if look is None:
        return float(is_seen_amiss)
    return SEEN_SETTING_ODDS_RATIO if fault.where in look else UNSEEN_SETTING_SHARE * is_seen_amiss


def _contradicting_measurements(fault: ChainFault, unshorted: Sequence[str]) -> int:
    """Return the number of ohmmeter measurements that contradict a fault, if it is a short."""
    if fault.shorted is None or not fault.shorted.amps_sd:
        return 0  # no bridge: an ohmmeter does not show a missing fuse
    return sum(feed in fault.shorted.feeds for feed in unshorted)


def compute_posterior(
    healthy: float, joints: FloatArray, chain: FloatArray, odds: tuple[FloatArray, FloatArray]
) -> Posterior:
    """Return probabilities from log likelihoods and prior odds by Bayes' rule.

    Args:
        healthy: log likelihood without a fault.
        joints: log likelihood with each power joint at fault, shape (joints, COLUMNS).
        chain: log likelihood of each chain fault, shape (chain faults,).
        odds: logarithm of prior odds, see `log_odds`.
    """
    joint_weight, chain_weight = joints + odds[0], chain + odds[1]
    largest_log = max(
        healthy, float(joint_weight.max(initial=-np.inf)), float(chain_weight.max(initial=-np.inf))
    )
    healthy_part = float(np.exp(healthy - largest_log))
    joint_part, chain_part = np.exp(joint_weight - largest_log), np.exp(chain_weight - largest_log)
    total = healthy_part + joint_part.sum() + chain_part.sum()
    return Posterior(
        float(healthy_part / total),
        joint_part / total,
        chain_part / total,
        largest_log + float(np.log(total)),
    )


def named_suspects(
    space: FaultSpace, found: Posterior
) -> list[tuple[str, FaultKind, float, int | None]]:
    """Return name, kind, probability and joint index of every fault, likeliest first.

    Variants of one fault at one node (dark alone, or with all nodes after it) are one suspect.
    Chain faults have no joint index.
    """
    rows: dict[tuple[str, FaultKind], tuple[float, int | None]] = {}
    for number, joint in enumerate(space.joints):
        rows[joint.name, "resistive"] = (float(found.resistive[number]), number)
        rows[joint.name, "open"] = (float(found.open[number]), number)
    for fault, part in zip(space.chain, found.chain.tolist(), strict=True):
        earlier = rows.get((fault.where, fault.kind), (0.0, None))[0]
        rows[fault.where, fault.kind] = (earlier + part, None)
    named = [(where, kind, p, joint) for (where, kind), (p, joint) in rows.items()]
    return sorted(named, key=lambda row: -row[2])


def likeliest_hypothesis(
    space: FaultSpace, found: Posterior, where: str, kind: FaultKind, joint: int | None
) -> FaultHypothesis:
    """Return a suspect at its most probable resistance, or in its most probable variant.

    Args:
        space: every single fault.
        found: probabilities.
        where: name of the suspect, from `named_suspects`.
        kind: kind of its fault.
        joint: its index among the power joints; None for a chain fault.
    """
    if joint is not None:
        column = OPEN_COLUMN if kind == "open" else int(found.joints[joint, :GRID_SIZE].argmax())
        return FaultHypothesis(where, kind, column)
    variants = [n for n, f in enumerate(space.chain) if (f.where, f.kind) == (where, kind)]
    return FaultHypothesis(where, kind, chain=max(variants, key=lambda n: float(found.chain[n])))
