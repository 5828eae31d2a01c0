"""The look worth taking next: what a pair of eyes would settle sooner than a meter.

Strands exchanged or turned round, colours out of order and dead nodes hardly move a reading, and
are seen at a glance with the right strands lit. A look's outcome is taken for what a fault shows
of the lit nodes, so what it tells is the information between that and the fault's name.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.finding import NextLook
from benchtest.diagnosis.response import Responses
from benchtest.evidence.marks import Mark
from benchtest.prop.lit import COLOURS, Lit, everything

LOOK_LEVEL = 0.25
"""Light that is kind to eyes and to wires."""
WORTH_LOOKING_BITS = 0.05
"""A look that tells less is not worth a person's time: it takes about as long as a reading."""
LEAST_CHAIN = 2e-3
"""Faults of the chain with less probability together are not worth a look, whatever it shows."""
RIGHT = -1
"""What a look shows where nothing is amiss."""
SEES = 0.95
"""Share of what there is to see that an eye reports. Common practice, no source."""


def look_next(
    responses: Responses, chain: FloatArray, marks: Sequence[Mark], reading_bits: float
) -> NextLook | None:
    """The look that tells most, where that is more than the best reading tells.

    Args:
        responses: the prop; faults that are taken for given are no longer asked about.
        chain: probability of each chain fault of `responses.space`.
        marks: what was seen so far; the same look twice tells nothing new.
        reading_bits: what the best reading is expected to tell.
    """
    if float(chain.sum()) < LEAST_CHAIN:
        return None
    seen = {(mark.lit.strands, mark.lit.colour) for mark in marks}
    best: NextLook | None = None
    for lit in _looks(responses):
        if (lit.strands, lit.colour) in seen:
            continue
        bits = SEES * _bits(responses, chain, lit)
        # rounded, so that looks alike by symmetry fall to the first of them everywhere
        if best is None or round(bits, 9) > round(best.expect_bits, 9):
            best = NextLook(lit, bits)
    if best is None or best.expect_bits < max(WORTH_LOOKING_BITS, reading_bits):
        return None
    return best


def _looks(responses: Responses) -> list[Lit]:
    """Everything and every other strand, in white and in one colour of its own."""
    design = responses.design
    colours = ["white"]
    colours += [name for name in ("red",) if name in design.node.colours and name in COLOURS]
    odd = frozenset(entry.strand for entry in design.data_path[::2])
    found = [everything(design, LOOK_LEVEL, colour) for colour in colours]
    found += [Lit(odd, LOOK_LEVEL, colour) for colour in colours]
    return list(dict.fromkeys(found))


def _bits(responses: Responses, chain: FloatArray, lit: Lit) -> float:
    """Information between what a look shows and the name of what is wrong. [bit]"""
    ways = _ways(responses, lit)
    names = {fault.where: place for place, fault in enumerate(responses.space.chain)}
    named = np.array([names[fault.where] for fault in responses.space.chain], dtype=np.int64)
    # whatever is no fault of the chain looks right as a rule, so far as this look goes
    seen = _sums(np.append(ways, RIGHT), np.append(chain, 1.0 - chain.sum()))
    told = _sums(named * (ways.max(initial=0) + 1 - RIGHT) + ways, chain)
    each = _sums(named, chain)
    # what is seen, less what is seen with the name known
    return max(0.0, _entropy(seen) - (_entropy(told) - _entropy(each)))


def _sums(keys: NDArray[np.int64], parts: FloatArray) -> FloatArray:
    """Parts summed by key."""
    _, of = np.unique(keys, return_inverse=True)
    return np.asarray(np.bincount(of.reshape(-1), weights=parts), dtype=np.float64)


def _entropy(parts: FloatArray) -> float:
    """Entropy of parts, which need not sum to 1, but for the logarithm of their sum. [bit]"""
    part = parts[parts > 0.0]
    return float(-(part * np.log2(part)).sum())


def _ways(responses: Responses, lit: Lit) -> NDArray[np.int64]:
    """What each chain fault shows under a lit set, as a number: alike for what looks alike."""
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
