"""From weights to probabilities."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.finding import Ohms
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID, GRID_OHM, STEP_LOG
from benchtest.diagnosis.model.faults import ChainFault, FaultKind, FaultSpace

EDGES_LOG = np.append(np.log(GRID_OHM) - STEP_LOG / 2.0, np.log(GRID_OHM[-1]) + STEP_LOG / 2.0)
"""Logarithms of the resistances that bound the grid's steps, shape (GRID + 1,)."""
CLEARED = 0.25
"""A joint counts as cleared above R when the evidence has cut its odds of being above to this."""


@dataclass(frozen=True)
class Posterior:
    """Probability of each fault, given all evidence.

    Attributes:
        healthy: that nothing is wrong.
        joints: each power joint at each resistance, open last, shape (joints, COLUMNS).
        chain: each fault of the data line or a node, shape (chain faults,).
        log_total: logarithm of all their weights together.
    """

    healthy: float
    joints: FloatArray
    chain: FloatArray
    log_total: float

    @property
    def resistive(self) -> FloatArray:
        """Probability that each joint is resistive, shape (joints,)."""
        return np.asarray(self.joints[:, :GRID].sum(axis=1))

    @property
    def open(self) -> FloatArray:
        """Probability that each joint is open, shape (joints,)."""
        return self.joints[:, GRID]

    def ohms(self, joint: int) -> Ohms:
        """What is known of a resistive joint's resistance."""
        part = self.joints[joint, :GRID]
        # a place in the grid stands for all from half a step below it to half a step above
        upto = np.append(0.0, np.cumsum(part) / part.sum())
        low, high = np.exp(np.interp([0.05, 0.95], upto, EDGES_LOG))
        best = float(np.clip(GRID_OHM[np.argmax(part)], low, high))
        return Ohms(float(low), best, float(high))


def cleared_by_joint(healthy: float, joints: FloatArray) -> FloatArray:
    """Return the resistance above which the evidence speaks against each joint, by `CLEARED`.

    It must do so at every resistance above, open among them: faults far up that no prop could hide
    do not clear those below.

    Args:
        healthy: logarithm of the evidence's likelihood if nothing is wrong.
        joints: of each power joint's faults, shape (joints, COLUMNS).

    Returns:
        The least such resistance, infinite where even an open joint may not have shown,
        shape (joints,). [Ω]
    """
    # the first place from the top that the evidence does not speak against
    shown = (joints - healthy)[:, ::-1] >= np.log(CLEARED)
    first = np.where(shown.any(axis=1), COLUMNS - np.argmax(shown, axis=1), 0)
    return np.append(GRID_OHM, [np.inf, np.inf])[first]


def cleared_ohm(by_joint: FloatArray) -> float | None:
    """Return the resistance above which every joint is cleared; None where one is not. [Ω]

    Args:
        by_joint: of each joint, see `cleared_by_joint`. [Ω]
    """
    worst = float(by_joint.max())
    return worst if np.isfinite(worst) else None


FAULTY_TIMES = 4.0
"""Times its healthy resistance past which a joint is at fault: two of its spreads and a half."""
OPEN_RAILS = 0.02
"""Share of its odds that a short keeps once an ohmmeter showed none. Common practice, no source: a
bridge may come later, or the leads were on the wrong wires."""
REMADE = 0.05
"""Share of its odds that a joint or node keeps once it was worked on. Common practice, no source:
a repair seldom fails, and the first suspicion was often of its neighbour."""

ONE_MORE_LOG = float(np.log(3.0))
"""Logarithm of how much likelier a further fault is once there is one: a hand that made one bad
joint makes others. Common practice, no source."""


def log_odds(
    space: FaultSpace, repaired: Collection[str] = (), unshorted: Sequence[str] = ()
) -> tuple[FloatArray, FloatArray]:
    """Logarithm of each fault's odds against none before any evidence.

    Args:
        space: faults and their odds.
        repaired: joints and nodes that were worked on.
        unshorted: feeds between whose rails an ohmmeter showed no short, once for each measurement.

    Returns:
        Of power joints, shape (joints, COLUMNS), and of chain faults, shape (chain faults,).
    """
    odds = np.full((len(space.joints), COLUMNS), space.priors.resistive / GRID)
    healthy_ohm = np.array([joint.ohm for joint in space.joints])
    # a plug's pin may be as high as another joint's fault
    odds[:, :GRID] *= FAULTY_TIMES * healthy_ohm[:, None] < GRID_OHM
    odds[:, GRID] = space.priors.open
    odds[space.soldered :, :GRID] = 0.0  # a fuse is whole or blown
    odds[space.soldered :, GRID] = space.priors.fuse

    def times(where: str) -> float:
        return space.rate_factors.get(where, 1.0) * (REMADE if where in repaired else 1.0)

    remade = np.array([times(joint.name) for joint in space.joints])
    chain = [
        fault.odds * times(fault.where) * OPEN_RAILS ** _measured(fault, unshorted)
        for fault in space.chain
    ]
    with np.errstate(divide="ignore"):
        return np.log(odds) + np.log(remade)[:, None], np.log(np.array(chain))


def _measured(fault: ChainFault, unshorted: Sequence[str]) -> int:
    """Return how often an ohmmeter spoke against a fault, if that is a short."""
    if fault.shorted is None or not fault.shorted.amps_sd:
        return 0  # a fuse that is gone shows no ohms
    return sum(feed in fault.shorted.feeds for feed in unshorted)


def posterior(
    healthy: float, joints: FloatArray, chain: FloatArray, odds: tuple[FloatArray, FloatArray]
) -> Posterior:
    """Combine logarithms of likelihood with the odds before evidence.

    Args:
        healthy: logarithm of likelihood if nothing is wrong.
        joints: of each power joint's faults, shape (joints, COLUMNS).
        chain: of each chain fault, shape (chain faults,).
        odds: see `log_odds`.
    """
    joint_weight, chain_weight = joints + odds[0], chain + odds[1]
    most = max(
        healthy, float(joint_weight.max(initial=-np.inf)), float(chain_weight.max(initial=-np.inf))
    )
    healthy_part = float(np.exp(healthy - most))
    joint_part, chain_part = np.exp(joint_weight - most), np.exp(chain_weight - most)
    total = healthy_part + joint_part.sum() + chain_part.sum()
    return Posterior(
        float(healthy_part / total),
        joint_part / total,
        chain_part / total,
        most + float(np.log(total)),
    )


def named_suspects(
    space: FaultSpace, found: Posterior
) -> list[tuple[str, FaultKind, float, int | None]]:
    """Every fault by name with its probability, and its joint where it has one; likeliest first.

    Two ways of one fault at one node (dark alone, or with all after it) are one suspect.
    """
    rows: dict[tuple[str, FaultKind], tuple[float, int | None]] = {}
    for number, joint in enumerate(space.joints):
        rows[joint.name, "resistive"] = (float(found.resistive[number]), number)
        rows[joint.name, "open"] = (float(found.open[number]), number)
    for fault, part in zip(space.chain, found.chain.tolist(), strict=True):
        before = rows.get((fault.where, fault.kind), (0.0, None))[0]
        rows[fault.where, fault.kind] = (before + part, None)
    named = [(where, kind, p, joint) for (where, kind), (p, joint) in rows.items()]
    return sorted(named, key=lambda row: -row[2])


def likeliest_part(
    space: FaultSpace, found: Posterior, where: str, kind: FaultKind, joint: int | None
) -> FaultHypothesis:
    """A suspect at the resistance, or in the way, that is most probable.

    Args:
        space: every single fault.
        found: probabilities.
        where: name of the suspect, as `named_suspects` gives it.
        kind: what is wrong there.
        joint: its place among the power joints, None where it is none.
    """
    if joint is not None:
        column = GRID if kind == "open" else int(found.joints[joint, :GRID].argmax())
        return FaultHypothesis(where, kind, column)
    ways = [n for n, f in enumerate(space.chain) if (f.where, f.kind) == (where, kind)]
    return FaultHypothesis(where, kind, chain=max(ways, key=lambda way: float(found.chain[way])))
