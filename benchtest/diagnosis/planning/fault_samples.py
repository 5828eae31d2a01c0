"""The posterior as a weighted list of faults, each at one resistance."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.masked_pairs import MaskedPairs
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.model.fault_response import GRID_SIZE, OPEN_COLUMN
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.thresholds import MIN_DISTINCT_PROBABILITY, MIN_SAMPLE_PROBABILITY

SAMPLES_PER_JOINT, FEW_SAMPLES_PER_JOINT = 6, 3
"""Resistances that represent the posterior of one joint: of a suspect, and of an unlikely joint."""
MAX_CHAIN_SAMPLES = 16
"""Maximum number of distinct effects of chain faults on readings."""
ISLAND_SAMPLES = 3
"""Voltages that represent the unknown voltage of copper that an open joint cuts off, lowest first.
At the highest its logic runs and passes data on."""
SHORT, SOFT_SHORT = -2, -3
"""In `FaultSamples.joint`: a short that leaves copper without volts, and one that leaves some."""


@dataclass(frozen=True)
class FaultSamples:
    """Weighted samples of the fault, each array of shape (samples,).

    Attributes:
        weight: probability; the sum is 1.
        joint: index of the joint in the fault space, -1 without a joint fault, `SHORT` or
            `SOFT_SHORT` for joined rails.
        column: its resistance, as an index of the grid; of a `SOFT_SHORT` an index of
            `RailShort.likeliest`.
        other: index of a second joint, -1 without one.
        other_column: resistance of the second joint, as an index of the grid.
        fault_id: equal for samples of one fault, at any resistance.
        chain: index of a chain fault (data line, node or feed) in the fault space, -1 without one;
            with an open joint, the chain fault that leaves the same nodes dark.
        island: which of `ISLAND_SAMPLES` voltages the cut-off copper has, -1 without such copper.
    """

    weight: FloatArray
    joint: NDArray[np.intp]
    column: NDArray[np.intp]
    other: NDArray[np.intp]
    other_column: NDArray[np.intp]
    fault_id: NDArray[np.intp]
    chain: NDArray[np.intp]
    island: NDArray[np.intp]

    @cached_property
    def same_fault_pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """All ordered pairs of samples of one fault, each sample with itself too, (pairs,) each."""
        order = np.argsort(self.fault_id, kind="stable")
        _, sizes = np.unique(self.fault_id, return_counts=True)
        groups = np.split(order, np.cumsum(sizes)[:-1])
        one = [np.repeat(group, len(group)) for group in groups]
        return np.concatenate(one), np.concatenate([np.tile(g, len(g)) for g in groups])

    @cached_property
    def fault_weight(self) -> FloatArray:
        """Probability of each sample's fault, at any resistance, shape (samples,)."""
        one, other = self.same_fault_pairs
        summed = np.bincount(one, self.weight[other], len(self.weight))
        return np.asarray(summed, dtype=np.float64)


def sample_faults(
    posterior: Posterior,
    space: FaultSpace,
    pairs: MaskedPairs | None = None,
    soft: Callable[[int], Sequence[float] | FloatArray] = lambda _: (),
) -> FaultSamples:
    """Return samples of the posterior; very unlikely faults are merged with the healthy unit.

    A joint is represented by the middles of equally likely parts of its resistance, and by open.

    Args:
        posterior: of single faults.
        space: every single fault.
        pairs: two joints at fault together.
        soft: returns the shares of a chain fault, by its index, that leave some volts each.
    """
    chain_samples, rest = _group_chain_faults(posterior, space)
    rows: list[tuple[float, int, int, int]] = [(posterior.healthy + rest, -1, 0, -1)]
    for place, weight in chain_samples:
        if space.chain[place].shorted is None:
            rows.append((weight, -1, 0, place))
        else:
            shares = soft(place)
            rows.append(((1.0 - sum(shares)) * weight, SHORT, 0, place))
            rows += [(share * weight, SOFT_SHORT, n, place) for n, share in enumerate(shares)]
    for joint, part in enumerate(posterior.joints):
        total = float(part[:GRID_SIZE].sum())
        if total > MIN_SAMPLE_PROBABILITY:
            is_suspect = total > MIN_DISTINCT_PROBABILITY
            count = SAMPLES_PER_JOINT if is_suspect else FEW_SAMPLES_PER_JOINT
            cumulative = np.cumsum(part[:GRID_SIZE]) / total
            middles = np.searchsorted(cumulative, (np.arange(count) + 0.5) / count)
            rows += [(total / count, joint, int(column), -1) for column in middles]
        rows.append((float(part[OPEN_COLUMN]), joint, OPEN_COLUMN, -1))
    rows = [row for row in rows if row[0] > MIN_SAMPLE_PROBABILITY / SAMPLES_PER_JOINT]
    share = np.array([row[0] for row in rows])
    joint_of, column, chain = np.array([row[1:] for row in rows], dtype=np.intp).T
    # a dead short and one of some ohms have the same repair
    fault_id = np.where(chain >= 0, -2 - chain, joint_of)
    none = np.full(len(rows), -1)
    single = FaultSamples(share / share.sum(), joint_of, column, none, none, fault_id, chain, none)
    return single if pairs is None else _append_pairs(single, pairs, len(space.joints))


def _append_pairs(single: FaultSamples, pairs: MaskedPairs, joints: int) -> FaultSamples:
    """Return samples followed by those of pairs, whose weight is relative to all others."""
    none = np.full(len(pairs.weight), -1)
    weight = np.append(single.weight, pairs.weight)
    return FaultSamples(
        weight / weight.sum(),
        np.append(single.joint, pairs.joint),
        np.append(single.column, pairs.column),
        np.append(single.other, pairs.other),
        np.append(single.other_column, pairs.other_column),
        np.append(single.fault_id, joints + np.arange(len(pairs.weight))),
        np.append(single.chain, none),
        np.append(single.island, none),
    )


def _group_chain_faults(
    posterior: Posterior, space: FaultSpace
) -> tuple[list[tuple[int, float]], float]:
    """Return groups of chain faults with equal effects on readings, and the weight of the rest.

    Faults that leave the same nodes dark have equal effects.

    Returns:
        The likeliest fault of each group and the group's weight, likeliest group first; the weight
        of all faults in no group.
    """
    groups: dict[Hashable, tuple[float, float, int]] = {}
    for place, (fault, part) in enumerate(zip(space.chain, posterior.chain.tolist(), strict=True)):
        key: Hashable = (fault.start, fault.stop)
        if fault.remap is not None:
            key = (fault.kind, fault.where)
        elif fault.shorted is not None:
            key = fault.shorted.strands
        total, most, best = groups.get(key, (0.0, -1.0, place))
        groups[key] = (total + part, max(most, part), place if part > most else best)
    ranked = sorted(groups.values(), key=lambda group: -round(group[0], 9))
    kept = [
        (place, total)
        for total, _, place in ranked[:MAX_CHAIN_SAMPLES]
        if total >= MIN_DISTINCT_PROBABILITY
        or (space.chain[place].shorted is not None and total > 0.0)
    ]
    return kept, max(0.0, float(posterior.chain.sum()) - sum(weight for _, weight in kept))


def expand_islands(
    samples: FaultSamples, cut: NDArray[np.bool_], dark: NDArray[np.intp]
) -> FaultSamples:
    """Return samples with each of those that cut copper off repeated at `ISLAND_SAMPLES` voltages.

    Args:
        samples: one voltage each.
        cut: True for samples that cut copper off, shape (samples,).
        dark: chain fault that leaves dark the nodes without data, -1 for none, same shape.
    """
    if not cut.any():
        return samples
    times = np.where(cut, ISLAND_SAMPLES, 1)
    rows = np.repeat(np.arange(len(cut)), times)
    island = np.arange(len(rows)) - np.repeat(np.cumsum(times) - times, times)
    is_blocked = cut[rows] & (island < ISLAND_SAMPLES - 1)
    return FaultSamples(
        samples.weight[rows] / times[rows],
        samples.joint[rows],
        samples.column[rows],
        samples.other[rows],
        samples.other_column[rows],
        samples.fault_id[rows],
        np.where(is_blocked, dark[rows], samples.chain[rows]),
        np.where(cut[rows], island, -1),
    )
