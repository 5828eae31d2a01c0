"""The look worth taking next: what a pair of eyes settles sooner than a meter.

Strands exchanged or reversed, colors out of order and dead nodes hardly move a reading, and are
seen at a glance with the right strands lit. A joint that leaves nodes short of volts shows as
white gone warm. A look is worth the information between what it shows and the name of the fault,
and is weighed against a reading by the person's seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.finding import NextLook, NextReading
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.model.fault_response import Responses
from benchtest.diagnosis.planning.cost import USUAL_TIMES, look_s
from benchtest.diagnosis.planning.next_reading import USUAL_READING_S, WORTH_TAKING_BITS
from benchtest.evidence.marks import Mark
from benchtest.prop.lit_set import COLOUR_CHANNELS, LitSet, all_lit

LOOK_LEVEL = 0.25
"""Light that is kind to eyes and to wires."""
LEAST_SEEN = 2e-4
"""Faults with less probability together are not worth a look, whatever it shows."""
RIGHT = -1
"""Outcome of a look where nothing looks wrong."""
SEES = 0.95
"""Share of what there is to see that an eye reports. Common practice, no source."""
SEES_WARM = 0.5
"""The same of white gone warm, which begins faintly. Common practice, no source."""


def look_next(
    responses: Responses,
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
    least = max(WORTH_TAKING_BITS, reading.expect_bits) / USUAL_READING_S
    best: tuple[float, NextLook] | None = None
    for lit in _looks(responses):
        if seen.get((lit.strands, lit.colour), 0.0) >= lit.level or not permitted(lit):
            continue
        bits = _bits(responses, found, lit)
        rate = round(bits / look_s(lit, USUAL_TIMES), 9)
        # rounded, so that looks alike by symmetry fall to the first of them everywhere
        if rate > least and (best is None or rate > best[0]):
            best = rate, NextLook(lit, bits)
    return None if best is None else best[1]


def _looks(responses: Responses) -> list[LitSet]:
    """Return everything and every other strand, in single colors, in white, and in full white."""
    design = responses.design
    primaries = [name for name in ("red", "green", "blue") if name in design.node.colours]
    colours = ["white", *(name for name in primaries if name in COLOUR_CHANNELS)]
    odd = frozenset(entry.strand for entry in design.data_path[::2])
    found = [all_lit(design, LOOK_LEVEL, colour) for colour in colours]
    found += [LitSet(odd, LOOK_LEVEL, colour) for colour in colours[:2]]
    return list(dict.fromkeys([*found, all_lit(design)]))


def _bits(responses: Responses, found: Posterior, lit: LitSet) -> float:
    """Return the information between what a look shows and the name of the fault. [bit]"""
    ways, chain = _ways(responses, lit), found.chain * SEES
    names = {fault.where: place for place, fault in enumerate(responses.space.chain)}
    named = np.array([names[fault.where] for fault in responses.space.chain], dtype=np.int64)
    seen_of, name_of, parts = [ways], [named], [chain]
    if lit.level >= 1.0 and lit.colour == "white":
        warm, starving = _warm(responses, found, lit)
        seen_of.append(ways.max(initial=0) + 1 + warm)
        name_of.append(len(named) + np.arange(len(warm)))
        parts.append(starving * SEES_WARM)
    outcome, name = np.concatenate(seen_of), np.concatenate(name_of)
    part = np.concatenate(parts)
    if float(part[outcome != RIGHT].sum()) < LEAST_SEEN:
        return 0.0
    # whatever else is wrong looks right as a rule, so far as this look goes
    outcome, name = np.append(outcome, RIGHT), np.append(name, -1)
    part = np.append(part, max(0.0, 1.0 - float(part.sum())))
    both = (name + 1) * (outcome.max() + 2) + outcome + 1
    return max(0.0, _entropy(_sums(outcome, part)) + _entropy(_sums(name, part))
               - _entropy(_sums(both, part)))  # fmt: skip


def _warm(
    responses: Responses, found: Posterior, lit: LitSet
) -> tuple[NDArray[np.int64], FloatArray]:
    """Return where each joint's faults show as warm white, and how likely they do, (joints,) each.

    A fault shows where it takes a node's headroom away: at the joint's strand, or everywhere.
    """
    joints = responses.space.joints
    strand = np.array([min(joint.strands, default=0) for joint in joints], dtype=np.int64)
    return strand, np.asarray((found.joints * responses.base(lit).bent).sum(axis=1))


def _sums(keys: NDArray[np.int64], parts: NDArray[np.float64]) -> FloatArray:
    """Return parts summed by key."""
    _, of = np.unique(keys, return_inverse=True)
    return np.asarray(np.bincount(of.reshape(-1), weights=parts), dtype=np.float64)


def _entropy(parts: FloatArray) -> float:
    """Return the entropy of parts that sum to 1. [bit]"""
    part = parts[parts > 0.0]
    return float(-(part * np.log2(part)).sum())


def _ways(responses: Responses, lit: LitSet) -> NDArray[np.int64]:
    """Return a number for what each chain fault shows, the same for what looks the same."""
    space, asked = responses.space, responses.told(lit)
    shown = np.asarray((asked > 0.0).any(axis=1))
    upto = np.append(0, np.cumsum(shown[space.order]))
    first = upto[np.array([fault.start for fault in space.chain], dtype=np.intp)]
    last = upto[np.array([fault.stop for fault in space.chain], dtype=np.intp)]
    count = len(shown) + 1
    ways = np.where(last > first, first * count + last, RIGHT).astype(np.int64)
    others: dict[bytes, int] = {}
    for place, fault in enumerate(space.chain):
        if fault.misled is not None:
            # colours of their own tell orders apart too, but hardly matter to the iron
            apart = fault.misled.own(asked) - asked[fault.misled.nodes]
            nodes = np.sort(fault.misled.nodes[apart.any(axis=1)])
            number = others.setdefault(nodes.tobytes(), len(others))
            ways[place] = count * count + number if len(nodes) else RIGHT
    return ways
