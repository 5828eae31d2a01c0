"""What a reading would tell: mutual information between its number and the fault's name.

The posterior is taken for a list of points, and a candidate's number is Gaussian around each.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.masked_pairs import Pairs
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.model.fault_response import GRID
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.planning.forecast import SHORT, SOFT_SHORT, Expected

PARTS, FEW_PARTS = 6, 3
"""Resistances that stand for a joint's whole range: of a suspect, and of one hardly suspected."""
WORTH_PARTING = 1e-3
LEAST_WEIGHT = 1e-7
"""Faults with less probability are left out of the choice."""
ROWS = 64
"""Components whose distances to all others are worked out together."""


@dataclass(frozen=True)
class Components:
    """Faults as a list of points: what each candidate would read is Gaussian around each.

    Attributes:
        weight: probability, shape (components,).
        joint: place of the joint in the fault space, -1 where no joint is at fault, `SHORT` where
            there are no volts, `SOFT_SHORT` where there are some.
        column: its resistance, as a place in the grid.
        other: likewise of a second joint, -1 where there is none.
        other_column: likewise.
        name: a number for what is at fault; what is at fault in the same place has the same.
    """

    weight: FloatArray
    joint: NDArray[np.intp]
    column: NDArray[np.intp]
    other: NDArray[np.intp]
    other_column: NDArray[np.intp]
    name: NDArray[np.intp]

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


def components_of(
    found: Posterior, space: FaultSpace, pairs: Pairs | None = None, soft: float = 0.0
) -> Components:
    """The posterior as a list of points; faults that hardly move a reading go with the healthy.

    Args:
        found: probabilities.
        space: every single fault.
        pairs: two joints at fault together.
        soft: share of the shorts that leave some volts.
    """
    is_short = np.array([fault.shorted is not None for fault in space.chain])
    short = float(found.chain[is_short].sum())
    rest = found.healthy + float(found.chain[~is_short].sum())
    rows: list[tuple[float, int, int]] = [(rest, -1, 0), ((1.0 - soft) * short, SHORT, 0)]
    rows.append((soft * short, SOFT_SHORT, 0))
    for place, part in enumerate(found.joints):
        total = float(part[:GRID].sum())
        if total > LEAST_WEIGHT:
            parts = PARTS if total > WORTH_PARTING else FEW_PARTS
            upto = np.cumsum(part[:GRID]) / total
            middles = np.searchsorted(upto, (np.arange(parts) + 0.5) / parts)
            rows += [(total / parts, place, int(column)) for column in middles]
        rows.append((float(part[GRID]), place, GRID))
    rows = [row for row in rows if row[0] > LEAST_WEIGHT / PARTS]
    weight = np.array([row[0] for row in rows])
    joint = np.array([row[1] for row in rows], dtype=np.intp)
    column = np.array([row[2] for row in rows], dtype=np.intp)
    none = np.full(len(rows), -1)
    name = np.where(joint == SOFT_SHORT, SHORT, joint)  # the repair is the same
    if pairs is None:
        return Components(weight / weight.sum(), joint, column, none, none, name)
    weight = np.append(weight, pairs.weight)
    return Components(
        weight / weight.sum(),
        np.append(joint, pairs.joint),
        np.append(column, pairs.column),
        np.append(none, pairs.other),
        np.append(none, pairs.other_column),
        np.append(name, len(space.joints) + np.arange(len(pairs.weight))),
    )


class Rough:
    """How well a candidate tells the two likeliest faults from everything else; never exact."""

    def __init__(self, parts: Components) -> None:
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

    def worth(self, expected: Expected) -> FloatArray:
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


def information_bits(off_sd: FloatArray, parts: Components) -> float:
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
    for start in range(0, len(off_sd), ROWS):
        stop = min(start + ROWS, len(off_sd))
        near = off_sd[start:stop, None] - off_sd[start:]
        near *= near
        near *= -0.25
        np.exp(near, out=near)
        total[start:stop] += near @ weight[start:]
        total[stop:] += weight[start:stop] @ near[:, stop - start :]
    return total
