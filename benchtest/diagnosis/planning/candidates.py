"""Candidates for the next reading: reachable probes and lit sets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.thresholds import MIN_SUSPECTED_PROBABILITY
from benchtest.prop.design import (
    RAILS,
    Bus,
    BusPad,
    Design,
    End,
    FeedName,
    Place,
    Point,
    Probe,
    StrandEnd,
    rail_probe,
)
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import meter_places

ENDS: tuple[End, End] = ("A", "B")
"""Letters of a strand's two ends."""
MAX_FULLY_PAIRED_PADS = 16
"""Pads of a bus up to which every pair is a probe; on a larger one, pairs 1, 4, 16 … apart."""
MAX_LIT_SETS_TRIED = 64
"""Maximum number of lit sets tried if feeds cannot carry all of them."""
MAX_SINGLE_STRANDS, MAX_SINGLE_STRANDS_UNSUSPECTED = 12, 3
"""Maximum number of strands lit alone, most suspected first; fewer while none is suspected."""

ReadingRequest = tuple[LitSet, Probe]
"""The strands to light, and the points for the leads."""


def reachable_probes(design: Design) -> list[Probe]:
    """Return every probe that a person can reach.

    These are the rail voltage at every place, the drop across every power joint, the drop between
    two pads of a bus, and the drop between two strands at the end without a feed: it depends on
    the joints at both ends of both strands, while current, wire and supply cancel out.
    """
    found = [rail_probe(place) for place in meter_places(design)]
    found += [joint.probe for joint in power_joints(design)]
    for bus in design.buses:
        found += _between(bus.pads)
    for ends in _far_ends(design):
        found += _between(ends)
    found += strand_spans(design)
    return list(dict.fromkeys(found))


def _between(row: Sequence[Place]) -> list[Probe]:
    """Return the probes between two places of a row, on each rail."""
    return [
        Probe(Point(row[first], rail), Point(row[first + step], rail))
        for rail in RAILS
        for step in _steps(len(row))
        for first in range(len(row) - step)
    ]


def strand_spans(design: Design) -> list[Probe]:
    """Return the probes along one rail from each bus and each feed to the next board or free end.

    All strands between two buses share the current along such a probe, so that its drop depends on
    every joint of theirs; along linked strands it depends on all of their joints. The ratio of two
    such drops under different lit sets depends on neither node current nor wire.
    """
    found: dict[frozenset[Point], Probe] = {}
    sides = [StrandEnd(strand.number, end) for strand in design.strands for end in ENDS]
    for feed, rail, end in product(design.feeds, RAILS, sides):
        if design.bus_of(end) is None:
            probe = Probe(Point(FeedName(feed.name), rail), Point(end, rail))
            found[probe.points] = probe
    for bus in design.buses:
        pads = [bus.pads[place] for place in sorted({0, len(bus.pads) // 2, len(bus.pads) - 1})]
        others = [other for other in design.buses if other is not bus]
        for rail, pad in product(RAILS, pads):
            near: list[Place] = [_nearest(other, bus.pads.index(pad)) for other in others]
            near += [FeedName(feed.name) for feed in design.feeds if feed.at not in bus.pads]
            for place in near:
                probe = Probe(Point(place, rail), Point(pad, rail))
                found.setdefault(probe.points, probe)
    return list(found.values())


def _nearest(bus: Bus, number: int) -> BusPad:
    """Return the pad of a bus with the given number, or the last pad."""
    return bus.pads[min(number, len(bus.pads) - 1)]


def _far_ends(design: Design) -> list[list[StrandEnd]]:
    """Return all A ends and all B ends, without the sides that a feed supplies."""
    sides = {end: [StrandEnd(strand.number, end) for strand in design.strands] for end in ENDS}
    fed = {end for end, row in sides.items() for one in row if _is_fed(design, one)}
    return [row for end, row in sides.items() if end not in fed or len(fed) == len(sides)]


def _is_fed(design: Design, end: StrandEnd) -> bool:
    """Return True if a feed enters at a strand end, or at the bus that joins it."""
    bus = design.bus_of(end)
    places: list[Place] = [end] if bus is None else list(bus.pads)
    return any(feed.at in places for feed in design.feeds)


def _steps(pads: int) -> list[int]:
    """Return the distances of the pads that are paired."""
    if pads <= MAX_FULLY_PAIRED_PADS:
        return list(range(1, pads))
    return sorted({*(4**power for power in range(pads.bit_length()) if 4**power < pads), pads - 1})


def lit_sets(design: Design, strand_weight: FloatArray) -> list[LitSet]:
    """Return all strands, none, halves by the bits of the strand number, and single strands.

    Args:
        design: the prop.
        strand_weight: probability of a fault at each strand, shape (strands,).
    """
    numbers = [strand.number for strand in design.strands]
    found = [all_lit(design), LitSet(frozenset())]
    for bit in range(max(1, (len(numbers) - 1).bit_length())):
        half = frozenset(n for n in numbers if (n - 1) >> bit & 1)
        found += [LitSet(half), LitSet(frozenset(numbers) - half)]
    is_suspected = strand_weight.max(initial=0.0) >= MIN_SUSPECTED_PROBABILITY
    most = MAX_SINGLE_STRANDS if is_suspected else MAX_SINGLE_STRANDS_UNSUSPECTED
    likeliest = sorted(numbers, key=lambda n: (-strand_weight[n - 1], n))[:most]
    found += [LitSet(frozenset([number])) for number in sorted(likeliest)]
    return list(dict.fromkeys(found))


def permitted_sets(lits: Sequence[LitSet], permitted: Callable[[LitSet], bool]) -> list[LitSet]:
    """Return the lit sets that feeds can carry; a larger one is replaced by its halves.

    Args:
        lits: the wanted lit sets.
        permitted: returns whether fuses and supplies can carry a lit set.
    """
    found: dict[LitSet, None] = {}
    waiting = list(lits)
    for lit in waiting:  # grows during the iteration
        if permitted(lit):
            found[lit] = None
        elif len(lit.strands) > 1 and len(waiting) < MAX_LIT_SETS_TRIED:
            numbers = sorted(lit.strands)
            waiting += [LitSet(frozenset(numbers[::2])), LitSet(frozenset(numbers[1::2]))]
    return list(found)
