"""What a reading would tell: mutual information between its number and the fault's name.

The posterior is taken for a list of points, and a candidate's number is Gaussian around each.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.masked_pairs import MaskedPairs
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.model.fault_response import GRID
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.planning.forecast import SHORT, SOFT_SHORT, PredictedReadings

SAMPLES_PER_JOINT, FEW_SAMPLES_PER_JOINT = 6, 3
"""Resistances that stand for a joint's whole range: of a suspect, and of one hardly suspected."""
MIN_DISTINCT_PROBABILITY = 1e-3
MAX_CHAIN_SAMPLES = 16
"""Ways of a fault of the data line or a node to move readings that are told apart, at most."""
ISLAND_SAMPLES = 3
"""Volts that stand for all that copper may have which an open joint cuts off, least first. With the
most of them its logic runs and passes data on."""
MIN_SAMPLE_PROBABILITY = 1e-7
"""Faults with less probability are left out of the choice."""
BLOCK_ROWS = 64
"""Components whose distances to all others are worked out together."""


@dataclass(frozen=True)
class FaultSamples:
    """Faults as a list of points: what each candidate would read is Gaussian around each.

    Attributes:
        weight: probability, shape (components,).
        joint: place of the joint in the fault space, -1 where no joint is at fault, `SHORT` where
            copper has no volts, `SOFT_SHORT` where it has some.
        column: its resistance, as a place in the grid.
        other: likewise of a second joint, -1 where there is none.
        other_column: likewise.
        name: a number for what is at fault; what is at fault in the same place has the same.
        chain: fault of the data line, of a node or of a feed, as a place in the fault space, -1
            where there is none; with a joint one that leaves the same nodes dark.
        island: which of `ISLAND_SAMPLES` volts copper has that the joint cuts off, -1 where it cuts
            off none.
    """

    weight: FloatArray
    joint: NDArray[np.intp]
    column: NDArray[np.intp]
    other: NDArray[np.intp]
    other_column: NDArray[np.intp]
    name: NDArray[np.intp]
    chain: NDArray[np.intp]
    island: NDArray[np.intp]

    @cached_property
    def pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Every two components of one name, each with itself and both ways round."""
        order = np.argsort(self.name, kind="stable")
        _, sizes = np.unique(self.name, return_counts=True)
        groups = np.split(order, np.cumsum(sizes)[:-1])
        one = [np.repeat(group, len(group)) for group in groups]
        return np.concatenate(one), np.concatenate([np.tile(g, len(g)) for g in groups])

    @cached_property
    def named(self) -> FloatArray:
        """Probability of each one's name, shape (components,)."""
        one, other = self.pairs
        summed = np.bincount(one, self.weight[other], len(self.weight))
        return np.asarray(summed, dtype=np.float64)


def sample_faults(
    found: Posterior, space: FaultSpace, pairs: MaskedPairs | None = None, soft: float = 0.0
) -> FaultSamples:
    """Return the posterior as a list of points; what is hardly likely goes with the healthy.

    Args:
        found: probabilities.
        space: every single fault.
        pairs: two joints at fault together.
        soft: share of the shorts that leave some volts.
    """
    ways, rest = _group_chain_faults(found, space)
    rows: list[tuple[float, int, int, int]] = [(found.healthy + rest, -1, 0, -1)]
    for place, weight in ways:
        if space.chain[place].shorted is None:
            rows.append((weight, -1, 0, place))
        else:
            rows.append(((1.0 - soft) * weight, SHORT, 0, place))
            rows.append((soft * weight, SOFT_SHORT, 0, place))
    for joint, part in enumerate(found.joints):
        total = float(part[:GRID].sum())
        if total > MIN_SAMPLE_PROBABILITY:
            parts = SAMPLES_PER_JOINT if total > MIN_DISTINCT_PROBABILITY else FEW_SAMPLES_PER_JOINT
            upto = np.cumsum(part[:GRID]) / total
            middles = np.searchsorted(upto, (np.arange(parts) + 0.5) / parts)
            rows += [(total / parts, joint, int(column), -1) for column in middles]
        rows.append((float(part[GRID]), joint, GRID, -1))
    rows = [row for row in rows if row[0] > MIN_SAMPLE_PROBABILITY / SAMPLES_PER_JOINT]
    share = np.array([row[0] for row in rows])
    joint_of, column, chain = np.array([row[1:] for row in rows], dtype=np.intp).T
    # a dead short and one of some ohms are repaired alike
    name = np.where(chain >= 0, -2 - chain, joint_of)
    none = np.full(len(rows), -1)
    single = FaultSamples(share / share.sum(), joint_of, column, none, none, name, chain, none)
    return single if pairs is None else _append_pairs(single, pairs, len(space.joints))


def _append_pairs(single: FaultSamples, pairs: MaskedPairs, joints: int) -> FaultSamples:
    """Return components with those of pairs, whose weight is over that of all others, behind."""
    none = np.full(len(pairs.weight), -1)
    weight = np.append(single.weight, pairs.weight)
    return FaultSamples(
        weight / weight.sum(),
        np.append(single.joint, pairs.joint),
        np.append(single.column, pairs.column),
        np.append(single.other, pairs.other),
        np.append(single.other_column, pairs.other_column),
        np.append(single.name, joints + np.arange(len(pairs.weight))),
        np.append(single.chain, none),
        np.append(single.island, none),
    )


def _group_chain_faults(
    found: Posterior, space: FaultSpace
) -> tuple[list[tuple[int, float]], float]:
    """Return the likelier ways in which chain faults move readings, and the weight of the rest.

    Faults that leave the same nodes dark move every reading alike: they are one way.

    Returns:
        Of each way its likeliest fault and its weight, likeliest way first.
    """
    ways: dict[Hashable, tuple[float, float, int]] = {}
    for place, (fault, part) in enumerate(zip(space.chain, found.chain.tolist(), strict=True)):
        key: Hashable = (fault.start, fault.stop)
        if fault.remap is not None:
            key = (fault.kind, fault.where)
        elif fault.shorted is not None:
            key = fault.shorted.strands
        total, most, best = ways.get(key, (0.0, -1.0, place))
        ways[key] = (total + part, max(most, part), place if part > most else best)
    ranked = sorted(ways.values(), key=lambda way: -round(way[0], 9))
    worth = [
        (place, total)
        for total, _, place in ranked[:MAX_CHAIN_SAMPLES]
        if total >= MIN_DISTINCT_PROBABILITY
        or (space.chain[place].shorted is not None and total > 0.0)
    ]
    return worth, max(0.0, float(found.chain.sum()) - sum(weight for _, weight in worth))


def expand_islands(
    parts: FaultSamples, cut: NDArray[np.bool_], dark: NDArray[np.intp]
) -> FaultSamples:
    """Return components with each of those that cut copper off in `ISLAND_SAMPLES` ways.

    Args:
        parts: one way each.
        cut: which of them cut copper off, shape (components,).
        dark: chain fault that leaves dark what gets no data then, -1 for none, same shape.
    """
    if not cut.any():
        return parts
    times = np.where(cut, ISLAND_SAMPLES, 1)
    rows = np.repeat(np.arange(len(cut)), times)
    way = np.arange(len(rows)) - np.repeat(np.cumsum(times) - times, times)
    blocked = cut[rows] & (way < ISLAND_SAMPLES - 1)
    return FaultSamples(
        parts.weight[rows] / times[rows],
        parts.joint[rows],
        parts.column[rows],
        parts.other[rows],
        parts.other_column[rows],
        parts.name[rows],
        np.where(blocked, dark[rows], parts.chain[rows]),
        np.where(cut[rows], way, -1),
    )


class CandidateScreen:
    """How well a candidate tells the two likeliest faults from everything else; never exact."""

    def __init__(self, parts: FaultSamples) -> None:
        named: dict[int, float] = {}
        for name, weight in zip(parts.name.tolist(), parts.weight.tolist(), strict=True):
            named[name] = named.get(name, 0.0) + weight
        likeliest = sorted(named, key=lambda name: (-named[name], name))[:2]
        self._rows: list[tuple[int, FloatArray, FloatArray]] = []
        for name in likeliest:
            mine = np.flatnonzero(parts.name == name)
            middle = int(mine[np.argmax(parts.weight[mine])])
            share = np.where(parts.name == name, 0.0, parts.weight) * named[name] / 4.0
            self._rows.append((middle, share, -4.0 * np.log(parts.weight)))

    def worth(self, expected: PredictedReadings) -> FloatArray:
        """Worth of each probe, rounded: two that are alike stay in their order, shape (probes,)."""
        total = np.zeros(len(expected.value))
        middles = expected.under(np.array([middle for middle, _, _ in self._rows]))
        for some, off_sd in expected.blocks():
            for (_, share, most), middle in zip(self._rows, middles, strict=True):
                apart = off_sd - middle
                apart *= apart
                np.minimum(apart, most[some, None], out=apart)
                total += share[some] @ apart
        return np.round(total, 9)


def information_bits(off_sd: FloatArray, parts: FaultSamples) -> float:
    """Information that one candidate gives about which joint is at fault. [bit]

    Args:
        off_sd: what it would read under each component, in standard deviations,
            shape (components,).
        parts: the components.

    Source: entropy of a Gaussian mixture by pairwise distances, Kolchinsky and Tracey, Entropy
    19(7), 2017; the distance is half way between its bounds (`d²/4` between `d²/8` and `d²/2`).
    """
    one, other = parts.pairs
    near = np.exp(-((off_sd[one] - off_sd[other]) ** 2) / 4.0)
    own = np.bincount(one, near * parts.weight[other], len(off_sd)) / parts.named
    return float(parts.weight @ np.log2(own / _density(off_sd, parts.weight)))


def _density(off_sd: FloatArray, weight: FloatArray) -> FloatArray:
    """Sum of `weight * exp(-d²/4)` over all components, seen from each, shape (components,).

    The distance from one to another is that from the other to the one: half of them will do.
    """
    total = np.zeros(len(off_sd))
    for start in range(0, len(off_sd), BLOCK_ROWS):
        stop = min(start + BLOCK_ROWS, len(off_sd))
        near = off_sd[start:stop, None] - off_sd[start:]
        near *= near
        near *= -0.25
        np.exp(near, out=near)
        total[start:stop] += near @ weight[start:]
        total[stop:] += weight[start:stop] @ near[:, stop - start :]
    return total
