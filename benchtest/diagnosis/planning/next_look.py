"""Choice of the next look: the most information about the fault per second, if more than a reading.

Exchanged or reversed strands, a wrong color order and dead nodes hardly change a reading, and are
seen at once with the right strands lit. A joint that leaves nodes without enough volts turns white
warm. The score of a look is the mutual information between its outcome and the fault.
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
from benchtest.diagnosis.model.wiring_faults import DataRemap
from benchtest.diagnosis.planning.cost import USUAL_TIMES, look_s
from benchtest.diagnosis.planning.fault_samples import sample_faults
from benchtest.diagnosis.planning.next_reading import TYPICAL_READING_S
from benchtest.diagnosis.solve_budget import SolveBudget
from benchtest.diagnosis.thresholds import (
    MIN_JOINT_FAULT_PROBABILITY,
    MIN_READING_BITS,
    MIN_SECOND_LOOK_PROBABILITY,
    MIN_VISIBLE_PROBABILITY,
)
from benchtest.evidence.marks import Mark
from benchtest.prop.lit_set import COLOUR_CHANNELS, LitSet, all_lit

LOOK_LEVEL = 0.25
"""Level of a look, comfortable for eyes and safe for wires."""
LOOKS_RIGHT = -1
"""Outcome of a look in which all nodes look right."""
SEEN_SHARE = 0.95
"""Probability that a person reports a visible fault. Common practice, no source."""
WARM_SEEN_SHARE = 0.5
"""The same of white turned warm, which begins faintly. Common practice, no source."""
MAX_JOINT_FAULTS = 128
"""Maximum number of joint faults, likeliest first; all others are assumed to look right."""
SHADE, PARTLY_DARK, DARK = 1, 2, 3
"""Appearances of a strand with a joint fault, worst last; 0 is right."""


def choose_look(
    responses: DesignResponse,
    posterior: Posterior,
    marks: Sequence[Mark],
    reading: NextReading,
    permitted: Callable[[LitSet], bool] = lambda _: True,
) -> NextLook | None:
    """Return the look with the most information per second, or None if the reading has more.

    Args:
        responses: the prop; given faults are not in its fault space.
        posterior: of the faults of `responses.space`.
        marks: looks so far; the same look is not taken twice.
        reading: the next reading.
        permitted: returns whether fuses and supplies can carry a lit set.
    """
    if (second := second_look(responses, posterior, marks)) is not None and permitted(second.lit):
        return second
    seen: dict[tuple[frozenset[int], str], float] = {}
    for mark in marks:
        key = mark.lit.strands, mark.lit.colour
        seen[key] = max(mark.lit.level, seen.get(key, 0.0))
    least = max(MIN_READING_BITS, reading.expect_bits) / TYPICAL_READING_S
    faults = _joint_faults(responses, posterior)
    best: tuple[float, NextLook] | None = None
    for lit in _looks(responses):
        if seen.get((lit.strands, lit.colour), 0.0) >= lit.level or not permitted(lit):
            continue
        bits = _bits(responses, posterior, faults, lit)
        rate = round(bits / look_s(lit, USUAL_TIMES), 9)
        # rounded, so that of looks equal by symmetry the first is chosen on every machine
        if rate > least and (best is None or rate > best[0]):
            best = rate, NextLook(lit, bits)
    return None if best is None else best[1]


def second_look(
    responses: DesignResponse, posterior: Posterior, marks: Sequence[Mark]
) -> NextLook | None:
    """Return a look at the strand of a node that is to be repaired and was seen amiss only once.

    An eye, or a key, errs at one node among hundreds: a second look costs seconds, and a new node
    minutes. None if the likeliest fault is another, or more nodes look amiss.
    """
    chain = responses.space.chain
    likeliest = int(posterior.chain.argmax()) if len(chain) else -1
    if likeliest < 0 or posterior.chain[likeliest] < MIN_SECOND_LOOK_PROBABILITY:
        return None
    if chain[likeliest].kind != "dead-node":
        return None
    strand = responses.design.node_at(int(responses.space.order[chain[likeliest].start])).strand
    amiss = [mark for mark in marks if mark.strand == strand and mark.seen != "ok"]
    nodes = sum(mark.last - mark.first + 1 for mark in amiss)
    if nodes != 1:
        return None
    lit = LitSet(frozenset({strand}), LOOK_LEVEL, amiss[0].lit.colour)
    taken = [(mark.lit.strands, mark.lit.colour) for mark in marks]
    if (lit.strands, lit.colour) in taken:
        return None
    return NextLook(lit, _bits(responses, posterior, _joint_faults(responses, posterior), lit))


def _looks(responses: DesignResponse) -> list[LitSet]:
    """Return the candidate looks: all and every other strand, in white and in single colors."""
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
        joint: index in the fault space.
        column: resistance, as an index of the grid.
        weight: probability.
    """

    joint: NDArray[np.intp]
    column: NDArray[np.intp]
    weight: FloatArray


def _joint_faults(responses: DesignResponse, posterior: Posterior) -> _JointFaults:
    samples = sample_faults(posterior, responses.space)
    order = np.argsort(-np.round(samples.weight, 9), kind="stable")
    is_likely = samples.weight[order] >= MIN_JOINT_FAULT_PROBABILITY
    kept = order[(samples.joint[order] >= 0) & is_likely][:MAX_JOINT_FAULTS]
    return _JointFaults(samples.joint[kept], samples.column[kept], samples.weight[kept])


def _bits(
    responses: DesignResponse, posterior: Posterior, faults: _JointFaults, lit: LitSet
) -> float:
    """Return the mutual information between the outcome of a look and the fault. [bit]

    `I = H(outcome) + H(fault) - H(outcome, fault)`, with H the entropy in bits. A fault is the same
    at any resistance, and chain faults of one place are one fault.
    """
    last_of_place = {fault.where: number for number, fault in enumerate(responses.space.chain)}
    chain_fault = np.array(
        [last_of_place[fault.where] for fault in responses.space.chain], dtype=np.int64
    )
    outcomes = _LookOutcomes(responses, lit)
    joint_outcome, joint_seen = outcomes.of_joints(faults)
    outcome = np.concatenate([outcomes.of_chain_faults(), joint_outcome])
    fault_id = np.concatenate([chain_fault, len(chain_fault) + faults.joint])
    weight = np.concatenate([posterior.chain, faults.weight])
    report = np.concatenate([np.full(len(chain_fault), SEEN_SHARE), joint_seen])
    seen = weight * np.where(outcome == LOOKS_RIGHT, 0.0, report)
    if float(seen.sum()) < MIN_VISIBLE_PROBABILITY:
        return 0.0
    # an overlooked fault looks right, and so does every other state of the unit
    missed = weight - seen
    rest = max(0.0, 1.0 - float(weight.sum()))
    outcome = np.concatenate([outcome, np.full(len(missed) + 1, LOOKS_RIGHT)])
    fault_id = np.concatenate([fault_id, fault_id, [-1]])
    probability = np.concatenate([seen, missed, [rest]])
    both = (fault_id + 1) * (outcome.max() + 2) + outcome + 1
    separate = _entropy(_sums(outcome, probability)) + _entropy(_sums(fault_id, probability))
    return max(0.0, separate - _entropy(_sums(both, probability)))


def _sums(keys: NDArray[np.int64], probability: NDArray[np.float64]) -> FloatArray:
    """Return the total probability of each distinct key."""
    _, group = np.unique(keys, return_inverse=True)
    summed = np.bincount(group.reshape(-1), weights=probability)
    return np.asarray(summed, dtype=np.float64)


def _entropy(probability: FloatArray) -> float:
    """Return the entropy of probabilities with sum 1. [bit]"""
    positive = probability[probability > 0.0]
    return float(-(positive * np.log2(positive)).sum())


class _LookOutcomes:
    """Outcomes of one look under each fault, as numbers that are equal for equal appearances."""

    def __init__(self, responses: DesignResponse, lit: LitSet) -> None:
        self._responses, self._lit = responses, lit
        self._received = responses.received(lit)
        design = responses.design
        self._likelihood = MarkLikelihood(responses, (), SolveBudget.of(design), ())
        lights = [lit.lights(strand.number) for strand in design.strands]
        self._strand = np.repeat(np.arange(len(lights)), [one.nodes for one in design.strands])
        self._lights = np.array(lights)[self._strand]
        self._ground = self._seen(self._likelihood.expected(lit, None))
        # a node that is dark already looks the same under a fault that makes it dark
        self._shown = (self._received > 0.0).any(axis=1) & ~_is_dark(self._ground)
        self._upto = np.append(0, np.cumsum(self._shown[responses.space.order]))
        self._others: dict[bytes, int] = {}

    def _seen(self, should: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the `Appearance` of nodes from that of lit nodes, same shape."""
        return np.where(self._lights, should, UNLIT[should])

    def _range(self, first: NDArray[np.intp], last: NDArray[np.intp]) -> NDArray[np.int64]:
        """Return the number of a dark range of shown nodes, in data order."""
        count = len(self._shown) + 1
        return np.where(last > first, first * count + last, LOOKS_RIGHT).astype(np.int64)

    def _other(self, key: bytes) -> int:
        """Return the number of an outcome that is not one dark range."""
        count = len(self._shown) + 1
        return count * count + self._others.setdefault(key, len(self._others))

    def of_chain_faults(self) -> NDArray[np.int64]:
        """Return the outcome of every chain fault, shape (chain faults,)."""
        space = self._responses.space
        first = self._upto[np.array([fault.start for fault in space.chain], dtype=np.intp)]
        last = self._upto[np.array([fault.stop for fault in space.chain], dtype=np.intp)]
        outcome = self._range(first, last)
        for place, fault in enumerate(space.chain):
            if fault.remap is not None:
                outcome[place] = self._of_remap(fault.remap)
        return outcome

    def _of_remap(self, remap: DataRemap) -> int:
        """Return the outcome of a fault that gives nodes the data of others, or none."""
        at_nodes = remap.received_at_nodes(self._received)
        changed = (at_nodes != self._received[remap.nodes]).any(axis=1)
        if not changed.any():
            return LOOKS_RIGHT
        if not (at_nodes[changed] > 0.0).any():  # they are dark, as behind an open data joint
            dark = np.zeros(len(self._shown), dtype=bool)
            dark[remap.nodes[changed]] = True
            along = np.flatnonzero(dark[self._responses.space.order][self._in_order])
            if not len(along):
                return LOOKS_RIGHT
            if len(along) == along[-1] - along[0] + 1:
                return int(self._range(along[:1], along[-1:] + 1)[0])
        # the wrong colors themselves distinguish orders too, but not their repair
        return self._other(np.sort(remap.nodes[changed]).tobytes())

    def of_joints(self, faults: _JointFaults) -> tuple[NDArray[np.int64], FloatArray]:
        """Return the outcome of joint faults, and the probability that it is seen, (faults,) each.

        Volts are estimates if nodes are undervoltage.
        """
        count, circuit = len(faults.joint), self._responses.circuit
        outcome, report = np.full(count, LOOKS_RIGHT, dtype=np.int64), np.full(count, SEEN_SHARE)
        if not count:
            return outcome, report
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
                report[place] = WARM_SEEN_SHARE
            along = np.flatnonzero(dark[self._responses.space.order][self._in_order])
            if np.isin(strands, (0, DARK)).all() and len(along) == along[-1] - along[0] + 1:
                outcome[place] = self._range(along[:1], along[-1:] + 1)[0]
            else:
                outcome[place] = self._other(strands.tobytes())
        return outcome, report

    @property
    def _in_order(self) -> NDArray[np.bool_]:
        """True for nodes that are lit and visible, in data order, shape (nodes,)."""
        return np.asarray(self._shown[self._responses.space.order])

    def _by_strand(self, dark: NDArray[np.bool_], other: NDArray[np.bool_]) -> NDArray[np.intp]:
        """Return the appearance of each strand, shape (strands,)."""
        strands = int(self._strand.max()) + 1

        def count(nodes: NDArray[np.bool_]) -> NDArray[np.intp]:
            return np.bincount(self._strand[nodes], minlength=strands)

        found = np.where(count(other) > 0, SHADE, 0)
        found[count(dark) > 0] = PARTLY_DARK
        found[(count(dark) == count(self._shown)) & (count(dark) > 0)] = DARK
        return found


def _is_dark(appearance: NDArray[np.intp]) -> NDArray[np.bool_]:
    is_unpowered = appearance == Appearance.UNPOWERED
    return np.asarray(is_unpowered | (appearance == Appearance.NO_DATA))
