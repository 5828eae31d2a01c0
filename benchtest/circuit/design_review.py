"""Review of a design before it is wired: ratings, and the best extra feed.

Ratings are those of fuses, supplies, wire and copper for continuous use. Ratings of conductors are
hints: the real limit depends on how they are laid, and local codes take precedence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np

from benchtest.circuit.feed_limits import (
    FUSE_SHARE,
    SUPPLY_SHARE,
    FeedBudget,
    circulating_warning,
    feed_budgets,
)
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import node_light
from benchtest.circuit.solution import Solution, highest_level, require_start, solve
from benchtest.prop.conductors import Conductor, awg_area_mm2
from benchtest.prop.design import (
    Bus,
    BusPad,
    Design,
    Feed,
    Link,
    NodeName,
    Point,
    Strand,
    StrandEnd,
)
from benchtest.prop.lit_set import all_lit

_OPEN_AIR_A = {24: 2.0, 22: 3.0, 20: 5.0, 18: 7.5, 16: 13.0, 14: 15.0, 12: 20.0, 10: 30.0}
"""Amperes of single leads in open air after a fuse, by AWG. Common practice, no source."""
_CCA_SHARE = 0.75
"""Rating of copper-clad aluminium over that of copper. The same heat would allow 0.80, which is
sqrt(1 / 1.55), but NFPA 70 (NEC), 240.4(D)(4) and (5), gives 12 AWG 15 A where copper has 20."""
_TRACE_RISE_K = 20.0
_TRACE_K, _TRACE_RISE_POWER, _TRACE_AREA_POWER = 0.048, 0.44, 0.725
"""Outer layer: I = k ΔT^0.44 A^0.725, A in square mils. Source: IPC-2221 as printed by makers'
calculators; the later IPC-2152 allows about half."""
_MIL2_PER_MM2 = 1550.0031
_LEVEL_HALVINGS = 10
"""Halvings of the range of levels: to a resolution of 1/1024."""


@dataclass(frozen=True, slots=True)
class _RatedPart:
    """A part that carries current, with its rating."""

    part: str
    """Such as `fuse of feed main (75 % of 7.5 A)`."""
    allowed_a: float
    carries: Callable[[Solution], float]
    """Current of the part at a solution. [A]"""
    is_hint: bool = True
    """False for a maker's rating; that of wire and copper depends on how they are laid."""


@dataclass(frozen=True, slots=True)
class RatingCheck:
    """Current of a part at full white, against its rating."""

    part: str
    """Such as `fuse of feed main (75 % of 7.5 A)`."""
    amps: float
    """Current at full white. [A]"""
    allowed_a: float
    """Rated continuous current. [A]"""
    level: float
    """Highest level within the rating, 0 to 1."""
    is_hint: bool
    """False for a maker's rating; that of wire and copper depends on how they are laid."""


def rated_current_a(conductor: Conductor) -> float:
    """Return the current that a conductor may carry for hours, as a hint. [A]

    Of wire, the logarithm of the current is interpolated over the logarithm of the area in a table
    by AWG; of board copper, I = k ΔT^0.44 A^0.725 with 20 K of rise.

    Source: common practice for single leads in open air; IPC-2221 for board copper.
    """
    if conductor.board:
        area_mil2 = conductor.area_mm2 * _MIL2_PER_MM2
        return float(_TRACE_K * _TRACE_RISE_K**_TRACE_RISE_POWER * area_mil2**_TRACE_AREA_POWER)
    areas_mm2 = np.log([awg_area_mm2(gauge) for gauge in _OPEN_AIR_A])
    amps = np.log(list(_OPEN_AIR_A.values()))
    wanted = np.log(conductor.area_mm2)
    # extrapolate with the last slope of the table
    low = int(np.clip(np.searchsorted(areas_mm2, wanted) - 1, 0, len(amps) - 2))
    slope = (amps[low + 1] - amps[low]) / (areas_mm2[low + 1] - areas_mm2[low])
    found = float(np.exp(amps[low] + slope * (wanted - areas_mm2[low])))
    return found * (_CCA_SHARE if conductor.clad else 1.0)


def check_ratings(circuit: Circuit, full: Solution) -> list[RatingCheck]:
    """Compare every fuse, supply and kind of wire with its rating at full white.

    Args:
        circuit: the prop.
        full: the prop at full white.

    Returns:
        Feeds first; of strands, links and each bus the one that is nearest to its rating. [A]

    Source: ratings of `rated_current_a`, fuses and supplies of `benchtest.circuit.feed_limits`.
    """
    solved: dict[float, Solution] = {1.0: full}

    def at(level: float) -> Solution:
        if level not in solved:
            solved[level] = solve(circuit, level * full.duty)
        return solved[level]

    found = []
    for load in _loads(circuit.design, full):
        amps = load.carries(full)
        level = 1.0
        if amps > load.allowed_a:
            level = highest_level(partial(_within, load, at), _LEVEL_HALVINGS)
        found.append(RatingCheck(load.part, amps, load.allowed_a, level, load.is_hint))
    return found


def _within(load: _RatedPart, at: Callable[[float], Solution], level: float) -> bool:
    return load.carries(at(level)) <= load.allowed_a


def _loads(design: Design, full: Solution) -> Iterator[_RatedPart]:
    for feed in design.feeds:
        yield from _feed_loads(feed)
    strands = [_strand_run(design, strand.number) for strand in design.strands]
    links = [_link_run(full.circuit, link) for link in design.links]
    for alike in (strands, links):
        if alike:
            yield max(alike, key=lambda load: load.carries(full) / load.allowed_a)
    for bus in design.buses:
        if len(bus.ends) > 1:
            yield _bus_run(bus)


def _feed_loads(feed: Feed) -> Iterator[_RatedPart]:
    def carries(solution: Solution) -> float:
        return abs(solution.feed_a[feed.name])

    for rated_a, share, part in (
        (feed.fuse_a, FUSE_SHARE, "fuse"),
        (feed.supply_a, SUPPLY_SHARE, "supply"),
    ):
        if rated_a is not None:
            name = f"{part} of feed {feed.name} ({share:.0%} of {rated_a:g} A)"
            yield _RatedPart(name, share * rated_a, carries, is_hint=False)
    name = f"cable of feed {feed.name} ({feed.wire.text})"
    yield _RatedPart(name, rated_current_a(feed.wire), carries)


def _strand_run(design: Design, number: int) -> _RatedPart:
    """Return the wire of a strand; its current is greatest at one of the ends."""
    strand = design.strand(number)
    start = design.first_index[number - 1]
    ohm = strand.pitch_mm * strand.wire.ohm_per_mm

    def carries(solution: Solution) -> float:
        own_a = solution.node_a[start : start + strand.nodes]
        plus_v = solution.point_v[start : start + strand.nodes]
        between_a = -np.diff(plus_v) / ohm
        if not len(between_a):
            return float(own_a[0])
        return float(max(abs(between_a[0] + own_a[0]), abs(between_a[-1] - own_a[-1])))

    return _RatedPart(
        f"strand {number}'s wire ({strand.wire.text})", rated_current_a(strand.wire), carries
    )


def _link_run(circuit: Circuit, link: Link) -> _RatedPart:
    branch = circuit.netlist.joint[f"{link.name}{link.rails[-1]}"]

    def carries(solution: Solution) -> float:
        row = np.flatnonzero(solution.circuit.kept == branch)
        return float(np.abs(solution.branch_a[row]).sum())

    return _RatedPart(f"link {link.name} ({link.wire.text})", rated_current_a(link.wire), carries)


def _bus_run(bus: Bus) -> _RatedPart:
    ohm = bus.spacing_mm * bus.copper.ohm_per_mm

    def carries(solution: Solution) -> float:
        number = solution.circuit.netlist.number
        most_a = 0.0
        for one, other in pairwise(bus.run):
            for rail in ("+", "-"):
                drop_v = (
                    solution.point_v[number(Point(one, rail))]
                    - solution.point_v[number(Point(other, rail))]
                )
                most_a = max(most_a, abs(float(drop_v)) / ohm)
        return most_a

    return _RatedPart(f"bus {bus.name} ({bus.copper.text})", rated_current_a(bus.copper), carries)


@dataclass(frozen=True, slots=True)
class FirstFade:
    """The colour that fades first, and its node."""

    node: NodeName
    colour: str
    volts: float
    """Supply of that node. [V]"""
    share: float
    """Share of its full light, 0 to 1."""
    spare_v: float
    """Volts that may be lost before it begins to fade; 0 where it has begun. [V]"""


def find_first_fade(solution: Solution) -> FirstFade:
    """Return the colour that fades first, and its node.

    Args:
        solution: the prop at full white.

    Returns:
        The channel with the least light; where all have full light, the one with the fewest volts
        to spare. [V]

    Source: `full_v` of the node catalogue.
    """
    design = solution.circuit.design
    kind = design.node
    light = np.minimum(node_light(kind, solution.node_v), 1.0)  # resistor kinds exceed 1
    full_v = np.array([kind.full_v[colour] for colour in kind.colours])
    spare_v = solution.node_v[:, None] - full_v
    # least light first; with full light everywhere, fewest volts to spare
    rank = np.where(light < 1.0 - 1e-12, light - 1.0 - 1e6, spare_v)
    index, column = np.unravel_index(int(np.argmin(rank)), rank.shape)
    return FirstFade(
        design.node_at(int(index)),
        kind.colours[column],
        float(solution.node_v[index]),
        float(light[index, column]),
        max(0.0, float(spare_v[index, column])),
    )


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
