"""The look worth taking next: what a pair of eyes settles sooner than a meter.

Strands exchanged or reversed, colors out of order and dead nodes hardly move a reading, and are
seen at a glance with the right strands lit. A joint that leaves nodes short of volts shows as
white gone warm. A look is worth the information between what it shows and the name of the fault,
and is weighed against a reading by the person's seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.finding import NextLook, NextReading
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.likelihood.marks import UNLIT, Appearance, MarkLikelihood
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.planning.cost import USUAL_TIMES, look_s
from benchtest.diagnosis.planning.information import sample_faults
from benchtest.diagnosis.planning.next_reading import MIN_READING_BITS, TYPICAL_READING_S
from benchtest.diagnosis.solve_budget import SolveBudget
from benchtest.evidence.marks import Mark
from benchtest.prop.lit_set import COLOUR_CHANNELS, LitSet, all_lit

LOOK_LEVEL = 0.25
"""Light that is kind to eyes and to wires."""
MIN_VISIBLE_PROBABILITY = 2e-4
"""Faults with less probability together are not worth a look, whatever it shows."""
LOOKS_RIGHT = -1
"""Outcome of a look where nothing looks wrong."""
SEEN_SHARE = 0.95
"""Share of what there is to see that an eye reports. Common practice, no source."""
WARM_SEEN_SHARE = 0.5
"""The same of white gone warm, which begins faintly. Common practice, no source."""
MIN_JOINT_FAULT_PROBABILITY, MAX_JOINT_FAULTS = 1e-4, 128
"""Joints' faults with less probability, and those past so many, are taken to look right."""
SHADE, PARTLY_DARK, DARK = 1, 2, 3
"""Appearances of a strand that a joint's fault makes look wrong, worst last; 0 is right."""


def choose_look(
    responses: DesignResponse,
    found: Posterior,
    marks: Sequence[Mark],
    reading: NextReading,
    permitted: Callable[[LitSet], bool] = lambda _: True,
) -> NextLook | None:
    """Return the look that is worth most per second, where that is more than the next reading.

    Args:
        responses: the prop; faults that are taken for given are no longer asked about.
        found: probabilities, of the faults of `responses.space`.
        marks: what was seen so far; the same look twice adds nothing.
        reading: the next reading.
        permitted: returns whether fuses and supplies can carry a lit set.
    """
    seen: dict[tuple[frozenset[int], str], float] = {}
    for mark in marks:
        key = mark.lit.strands, mark.lit.colour
        seen[key] = max(mark.lit.level, seen.get(key, 0.0))
    least = max(MIN_READING_BITS, reading.expect_bits) / TYPICAL_READING_S
    faults = _joint_faults(responses, found)
    best: tuple[float, NextLook] | None = None
    for lit in _looks(responses):
        if seen.get((lit.strands, lit.colour), 0.0) >= lit.level or not permitted(lit):
            continue
        bits = _bits(responses, found, faults, lit)
        rate = round(bits / look_s(lit, USUAL_TIMES), 9)
        # rounded, so that looks alike by symmetry fall to the first of them everywhere
        if rate > least and (best is None or rate > best[0]):
            best = rate, NextLook(lit, bits)
    return None if best is None else best[1]


def _looks(responses: DesignResponse) -> list[LitSet]:
    """Return everything and every other strand, in single colors, in white, and in full white."""
    design = responses.design
    primaries = [name for name in ("red", "green", "blue") if name in design.node.colours]
    colours = ["white", *(name for name in primaries if name in COLOUR_CHANNELS)]
    odd = frozenset(entry.strand for entry in design.data_path[::2])
    found = [all_lit(design, LOOK_LEVEL, colour) for colour in colours]
    found += [LitSet(odd, LOOK_LEVEL, colour) for colour in colours[:2]]
    return list(dict.fromkeys([*found, all_lit(design)]))


@dataclass(frozen=True)
class _JointFaults:
    """The likeliest faults of power joints, shape (faults,) each.

    Attributes:
        joint: place in the fault space.
        column: resistance, as a place in the grid.
        weight: probability.
    """

    joint: NDArray[np.intp]
    column: NDArray[np.intp]
    weight: FloatArray


def _joint_faults(responses: DesignResponse, found: Posterior) -> _JointFaults:
    parts = sample_faults(found, responses.space)
    order = np.argsort(-np.round(parts.weight, 9), kind="stable")
    wanted = (parts.joint[order] >= 0) & (parts.weight[order] >= MIN_JOINT_FAULT_PROBABILITY)
    mine = order[wanted][:MAX_JOINT_FAULTS]
    return _JointFaults(parts.joint[mine], parts.column[mine], parts.weight[mine])


def _bits(responses: DesignResponse, found: Posterior, faults: _JointFaults, lit: LitSet) -> float:
    """Return the information between what a look shows and the name of the fault. [bit]"""
    names = {fault.where: place for place, fault in enumerate(responses.space.chain)}
    named = np.array([names[fault.where] for fault in responses.space.chain], dtype=np.int64)
    view = _LookOutcomes(responses, lit)
    ways, sees = view.joints(faults)
    outcome = np.concatenate([view.chain(), ways])
    name = np.concatenate([named, len(named) + faults.joint])
    weight = np.concatenate([found.chain, faults.weight])
    seen = np.where(
        outcome == LOOKS_RIGHT, 0.0, np.concatenate([np.full(len(named), SEEN_SHARE), sees])
    )
    part = weight * seen
    if float(part.sum()) < MIN_VISIBLE_PROBABILITY:
        return 0.0
    # a fault that is overlooked looks right, as does everything else so far as this look goes
    missed = weight - part
    outcome = np.concatenate([outcome, np.full(len(missed) + 1, LOOKS_RIGHT)])
    name = np.concatenate([name, name, [-1]])
    part = np.concatenate([part, missed, [max(0.0, 1.0 - float(weight.sum()))]])
    both = (name + 1) * (outcome.max() + 2) + outcome + 1
    return max(0.0, _entropy(_sums(outcome, part)) + _entropy(_sums(name, part))
               - _entropy(_sums(both, part)))  # fmt: skip


def _sums(keys: NDArray[np.int64], parts: NDArray[np.float64]) -> FloatArray:
    """Return parts summed by key."""
    _, of = np.unique(keys, return_inverse=True)
    return np.asarray(np.bincount(of.reshape(-1), weights=parts), dtype=np.float64)


def _entropy(parts: FloatArray) -> float:
    """Return the entropy of parts that sum to 1. [bit]"""
    part = parts[parts > 0.0]
    return float(-(part * np.log2(part)).sum())


class _LookOutcomes:
    """Numbers for what each fault shows under one lit set, the same for what looks the same."""

    def __init__(self, responses: DesignResponse, lit: LitSet) -> None:
        self._responses, self._lit = responses, lit
        self._asked = responses.received(lit)
        design = responses.design
        self._likelihood = MarkLikelihood(responses, (), SolveBudget.of(design), ())
        lights = [lit.lights(strand.number) for strand in design.strands]
        self._strand = np.repeat(np.arange(len(lights)), [one.nodes for one in design.strands])
        self._lights = np.array(lights)[self._strand]
        self._ground = self._seen(self._likelihood.expected(lit, None))
        # a node that is dark already shows nothing new by staying dark
        self._shown = (self._asked > 0.0).any(axis=1) & ~_is_dark(self._ground)
        self._upto = np.append(0, np.cumsum(self._shown[responses.space.order]))
        self._others: dict[bytes, int] = {}

    def _seen(self, should: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return `Appearance` of nodes, lit or not, from how they look if lit; same shape."""
        return np.where(self._lights, should, UNLIT[should])

    def _range(self, first: NDArray[np.intp], last: NDArray[np.intp]) -> NDArray[np.int64]:
        """Return the number of a dark range of shown nodes, in the order of data."""
        count = len(self._shown) + 1
        return np.where(last > first, first * count + last, LOOKS_RIGHT).astype(np.int64)

    def _other(self, key: bytes) -> int:
        """Return the number of what is no dark range."""
        count = len(self._shown) + 1
        return count * count + self._others.setdefault(key, len(self._others))

    def chain(self) -> NDArray[np.int64]:
        """Return the numbers of chain faults, shape (chain faults,)."""
        space, asked = self._responses.space, self._asked
        first = self._upto[np.array([fault.start for fault in space.chain], dtype=np.intp)]
        last = self._upto[np.array([fault.stop for fault in space.chain], dtype=np.intp)]
        ways = self._range(first, last)
        for place, fault in enumerate(space.chain):
            if fault.remap is not None:
                # colours of their own tell orders apart too, but hardly matter to the iron
                apart = fault.remap.received_at_nodes(asked) - asked[fault.remap.nodes]
                nodes = np.sort(fault.remap.nodes[apart.any(axis=1)])
                ways[place] = self._other(nodes.tobytes()) if len(nodes) else LOOKS_RIGHT
        return ways

    def joints(self, faults: _JointFaults) -> tuple[NDArray[np.int64], FloatArray]:
        """Return the numbers of joints' faults, and how surely an eye sees each, (faults,) each.

        Volts are estimates where nodes are starved.
        """
        count, circuit = len(faults.joint), self._responses.circuit
        ways, sees = np.full(count, LOOKS_RIGHT, dtype=np.int64), np.full(count, SEEN_SHARE)
        if not count:
            return ways, sees
        base = self._responses.base(self._lit)
        compensating_a = self._responses.capped_compensating_a(base)[faults.joint, faults.column]
        node_v = np.tile(base.solution.node_v, (count, 1))
        node_v[:, circuit.loaded] += compensating_a[:, None] * base.joint_load[:, faults.joint].T
        for place, volts in enumerate(node_v):
            seen = self._seen(self._likelihood.expected_at(self._lit, volts)[0])
            if (seen == self._ground).all():
                continue
            dark = _is_dark(seen) & self._shown
            strands = self._by_strand(dark, (seen != self._ground) & self._shown)
            if not strands.any():
                continue
            if (strands == SHADE).any() and strands.max() == SHADE:
                sees[place] = WARM_SEEN_SHARE
            along = np.flatnonzero(dark[self._responses.space.order][self._in_order])
            if np.isin(strands, (0, DARK)).all() and len(along) == along[-1] - along[0] + 1:
                ways[place] = self._range(along[:1], along[-1:] + 1)[0]
            else:
                ways[place] = self._other(strands.tobytes())
        return ways, sees

    @property
    def _in_order(self) -> NDArray[np.bool_]:
        """Whether each node shows light, in the order of data, shape (nodes,)."""
        return np.asarray(self._shown[self._responses.space.order])

    def _by_strand(self, dark: NDArray[np.bool_], other: NDArray[np.bool_]) -> NDArray[np.intp]:
        """Return how each strand looks, shape (strands,)."""
        strands = int(self._strand.max()) + 1

        def count(nodes: NDArray[np.bool_]) -> NDArray[np.intp]:
            return np.bincount(self._strand[nodes], minlength=strands)

        found = np.where(count(other) > 0, SHADE, 0)
        found[count(dark) > 0] = PARTLY_DARK
        found[(count(dark) == count(self._shown)) & (count(dark) > 0)] = DARK
        return found


def _is_dark(look: NDArray[np.intp]) -> NDArray[np.bool_]:
    return np.asarray((look == Appearance.UNPOWERED) | (look == Appearance.NO_DATA))
