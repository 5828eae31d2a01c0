"""Review of a design before it is wired: full white against ratings, and the best extra feed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchtest.circuit.feed_limits import FeedBudget, circulating_warning, feed_budgets
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.ratings import FirstFade, RatingCheck, check_ratings, find_first_fade
from benchtest.circuit.solution import Solution, solve
from benchtest.circuit.startup import require_start
from benchtest.prop.design import BusPad, Design, Strand, StrandEnd
from benchtest.prop.lit_set import all_lit

MAX_FIRST_PLACES = 32
"""Places for an extra feed that are tried at first; the places around the best ones follow."""
_BEST_PLACES = 4
"""Best places so far whose neighbours are tried."""
_EXTRA_NAME = "another"


@dataclass(frozen=True)
class DesignReview:
    """A prop at full white, against the ratings of its parts.

    Attributes:
        full: the prop at full white.
        budgets: load of each feed.
        limits: each fuse, supply and kind of wire against its rating.
        fading: the colour that fades first, and its node.
        extra: the best place for one more feed; None where every place has one.
        warnings: one sentence each on what to change before wiring.
    """

    full: Solution
    budgets: list[FeedBudget]
    limits: list[RatingCheck]
    fading: FirstFade
    extra: ExtraFeed | None
    warnings: list[str]

    @property
    def extra_needed(self) -> bool:
        """True where the lowest node has fewer volts than its kind should have."""
        return self.full.lowest_node[1] < self.full.circuit.design.node.lowest_v

    @property
    def lowest_strand(self) -> Strand:
        """The strand of the lowest node."""
        return self.full.circuit.design.strand(self.full.lowest_node[0].strand)

    @property
    def profile_v(self) -> FloatArray:
        """Supply volts along that strand, node 1 first, shape (nodes of the strand,). [V]"""
        strand = self.lowest_strand
        start = self.full.circuit.design.first_index[strand.number - 1]
        return np.asarray(self.full.node_v[start : start + strand.nodes])


def review_design(design: Design) -> DesignReview:
    """Solve a design at full white and compare it with the ratings of its parts.

    Raises:
        CircuitFault: the regulated nodes of the prop do not start, or the circuit has no solution.
    """
    full = solve(Circuit(design), all_lit(design).duty(design))
    require_start(full)
    budgets = feed_budgets(full)
    limits = check_ratings(full.circuit, full)
    warnings = [warning for budget in budgets for warning in budget.warnings]
    warnings += _warnings(full, limits)
    extra = best_extra_feed(design, full)
    return DesignReview(full, budgets, limits, find_first_fade(full), extra, warnings)


def _warnings(full: Solution, limits: list[RatingCheck]) -> list[str]:
    design, (node, volts) = full.circuit.design, full.lowest_node
    found = []
    if volts < design.node.lowest_v:
        found.append(
            f"node {node} gets {volts:.2f} V at full white; {design.node.name} should have "
            f"{design.node.lowest_v:g} V: use thicker wire, another feed, or a lower level"
        )
    if (warning := circulating_warning(full.circuit)) is not None:
        found.append(warning)
    found += [
        f"{limit.part} would carry {limit.amps:.1f} A; more than {limit.allowed_a:.1f} A for hours "
        "is unusual (a hint: local codes take precedence)"
        for limit in limits
        if limit.level < 1.0 and limit.is_hint
    ]
    return found


# -- one more feed --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ExtraFeed:
    """A feed like the first of the design, at the place where it raises the lowest node most."""

    at: BusPad | StrandEnd
    lowest_v: float
    """Supply volts of the lowest node. [V]"""
    most_feed_a: float
    """Current of the feed with the greatest load. [A]"""


def extra_feed_places(design: Design) -> list[BusPad | StrandEnd]:
    """Return the bus pads, and the strand ends without a bus, that have no feed yet."""
    taken = {feed.at for feed in design.feeds}
    places: list[BusPad | StrandEnd] = [pad for bus in design.buses for pad in bus.pads]
    for strand in design.strands:
        end = StrandEnd(strand.number, "A")
        places += [each for each in (end, end.other) if design.bus_of(each) is None]
    return [place for place in places if place not in taken]


def best_extra_feed(design: Design, full: Solution) -> ExtraFeed | None:
    """Return the best place for one more feed; None where every place has one.

    Up to `MAX_FIRST_PLACES` evenly spaced places are solved, then neighbours of the best ones at
    half the spacing, and so on.

    Args:
        design: the prop.
        full: the prop at full white.
    """
    places = extra_feed_places(design)
    if not places:
        return None
    tried: dict[int, ExtraFeed] = {}

    def try_at(numbers: Sequence[int]) -> list[int]:
        for number in numbers:
            if number not in tried:
                tried[number] = _with_feed_at(design, full, places[number])
        # rounded, so that of places equal by symmetry the first one wins on every machine
        return sorted(tried, key=lambda number: (-round(tried[number].lowest_v, 6), number))

    step = -(-len(places) // MAX_FIRST_PLACES)
    best = try_at(range(0, len(places), step))
    while step > 1:
        step = -(-step // 2)
        # two buses can be nearly equal: the better neighbour may be one of a runner-up
        near = np.add.outer(best[:_BEST_PLACES], [-step, step]).clip(0, len(places) - 1)
        best = try_at(near.ravel().tolist())
    return tried[best[0]]


def _with_feed_at(design: Design, full: Solution, place: BusPad | StrandEnd) -> ExtraFeed:
    more = replace(design.feeds[0], name=_free_name(design), at=place)
    wider = replace(design, feeds=(*design.feeds, more))
    solution = solve(Circuit(wider), full.duty)
    return ExtraFeed(place, solution.lowest_node[1], max(solution.feed_a.values()))


def _free_name(design: Design) -> str:
    taken = {feed.name for feed in design.feeds} | {bus.name for bus in design.buses}
    name = _EXTRA_NAME
    while name in taken:
        name += "_"
    return name
