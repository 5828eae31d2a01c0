"""The look worth taking next: what a pair of eyes would settle sooner than a meter.

Strands exchanged or turned round, colours out of order and dead nodes hardly move a reading, and
are seen at a glance with the right strands lit. A look's outcome is taken for what a fault shows
of the lit nodes, so what it tells is the information between that and the fault's name.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.faults import FaultSpace
from benchtest.diagnosis.finding import NextLook
from benchtest.diagnosis.response import Responses
from benchtest.evidence.marks import Mark
from benchtest.prop.lit import COLOURS, Lit, everything

LOOK_LEVEL = 0.25
"""Light that is kind to eyes and to wires."""
WORTH_LOOKING_BITS = 0.05
"""A look that tells less is not worth a person's time: it takes about as long as a reading."""
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
    by_way: dict[tuple[int, ...], float] = defaultdict(float)
    by_where: dict[str, dict[tuple[int, ...], float]] = defaultdict(lambda: defaultdict(float))
    for fault, way, part in zip(responses.space.chain, ways, chain.tolist(), strict=True):
        by_way[way] += part
        by_where[fault.where][way] += part
    # whatever is no fault of the chain looks right as a rule, so far as this look goes
    by_way[()] += 1.0 - float(chain.sum())
    within = sum(_entropy(list(each.values())) for each in by_where.values())
    return max(0.0, _entropy(list(by_way.values())) - within)


def _entropy(parts: list[float]) -> float:
    """Entropy of parts of their sum, times that sum. [bit]"""
    part = np.array([one for one in parts if one > 0.0])
    if not len(part):
        return 0.0
    return float(-(part * np.log2(part / part.sum())).sum())


def _ways(responses: Responses, lit: Lit) -> list[tuple[int, ...]]:
    """What each chain fault shows under a lit set: equal for faults that look alike."""
    space: FaultSpace = responses.space
    asked = responses.told(lit)
    shown = (asked > 0.0).any(axis=1)
    upto = np.append(0, np.cumsum(shown[space.order]))
    found: list[tuple[int, ...]] = []
    for fault in space.chain:
        if fault.misled is not None:
            # colours of their own tell orders apart too, but hardly matter to the iron
            other = (fault.misled.own(asked) != asked[fault.misled.nodes]).any(axis=1)
            nodes = np.sort(fault.misled.nodes[other])
            found.append((-1, *nodes.tolist()) if len(nodes) else ())
            continue
        first, last = int(upto[fault.start]), int(upto[fault.stop])
        found.append((first, last) if last > first else ())
    return found
