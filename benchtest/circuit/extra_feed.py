"""Where one more feed would help most: places are tried, and solved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution, solve
from benchtest.prop.design import BusPad, Design, StrandEnd

FeedPlace = BusPad | StrandEnd
MAX_FIRST_PLACES = 32
"""Places that are tried at first; of more, every so many, and then those about the best."""
ABOUT = 4
"""Best places so far whose neighbours are tried."""
NAME = "another"


@dataclass(frozen=True, slots=True)
class ExtraFeed:
    """A feed like the design's first, at the place where it lifts the lowest node most."""

    at: FeedPlace
    lowest_v: float
    """What the lowest node would see. [V]"""
    most_feed_a: float
    """What the busiest feed would give. [A]"""


def feed_places(design: Design) -> list[FeedPlace]:
    """Bus pads, and strand ends that no bus joins, where no feed is yet."""
    taken = {feed.at for feed in design.feeds}
    places: list[FeedPlace] = [pad for bus in design.buses for pad in bus.pads]
    for strand in design.strands:
        end = StrandEnd(strand.number, "A")
        places += [each for each in (end, end.other) if design.bus_of(each) is None]
    return [place for place in places if place not in taken]


def best_extra_feed(design: Design, full: Solution) -> ExtraFeed | None:
    """Try one more feed at every place.

    Args:
        design: the prop.
        full: it at full white.

    Returns:
        The best place; None where every place is fed already.
    """
    places = feed_places(design)
    if not places:
        return None
    tried: dict[int, ExtraFeed] = {}

    def try_at(numbers: Sequence[int]) -> list[int]:
        for number in numbers:
            if number not in tried:
                tried[number] = _with_feed_at(design, full, places[number])
        # rounded, so that places alike by symmetry fall to the first of them everywhere
        return sorted(tried, key=lambda number: (-round(tried[number].lowest_v, 6), number))

    step = -(-len(places) // MAX_FIRST_PLACES)
    best = try_at(range(0, len(places), step))
    while step > 1:
        step = -(-step // 2)
        # two buses can be nearly as good: the runners-up may have the better neighbour
        near = np.add.outer(best[:ABOUT], [-step, step]).clip(0, len(places) - 1)
        best = try_at(near.ravel().tolist())
    return tried[best[0]]


def _with_feed_at(design: Design, full: Solution, place: FeedPlace) -> ExtraFeed:
    more = replace(design.feeds[0], name=_free_name(design), at=place)
    wider = replace(design, feeds=(*design.feeds, more))
    solution = solve(Circuit(wider), full.duty)
    return ExtraFeed(place, solution.lowest_node[1], max(solution.feed_a.values()))


def _free_name(design: Design) -> str:
    taken = {feed.name for feed in design.feeds} | {bus.name for bus in design.buses}
    name = NAME
    while name in taken:
        name += "_"
    return name
