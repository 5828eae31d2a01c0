"""Validation of a whole design: clashing names, missing places, strands without a feed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import islice

from benchtest.errors import did_you_mean
from benchtest.prop.design import Bus, BusPad, Design, Feed, StrandEnd
from benchtest.prop.outputs import find_output_faults

_MAX_DESIGN_FAULTS = 200
"""Faults of a design after which validation stops: more of them have one cause."""


def find_design_faults(design: Design, *, sound: bool = True) -> list[str]:
    """Return the faults that no single table of a prop file shows, `_MAX_DESIGN_FAULTS` at most.

    Args:
        design: the design that the tables of a file describe.
        sound: False where a table has a fault of its own; checks that depend on it are left out.
    """
    return list(islice(_faults(design, sound), _MAX_DESIGN_FAULTS))


def _faults(design: Design, sound: bool) -> Iterator[str]:
    for check in (_names, _buses, _links, *((_feeds, find_output_faults) if sound else ())):
        for fault in check(design):
            sound = False
            yield fault
    if sound:  # otherwise copper to a missing place would be reported as a strand without a feed
        yield from _unfed(design)


def _names(design: Design) -> Iterator[str]:
    names = [bus.name for bus in design.buses] + [feed.name for feed in design.feeds]
    for name, times in Counter(names).items():
        if times > 1:
            yield f'name "{name}": used {times} times; give each bus and feed its own name'


def _buses(design: Design) -> Iterator[str]:
    joined: dict[StrandEnd, str] = {}
    for number, bus in enumerate(design.buses, 1):
        yield from _one_bus(bus, f"bus[{number}].joins")
        for end in dict.fromkeys(bus.ends):
            if end in joined and joined[end] != bus.name:
                yield (
                    f"bus[{number}].joins: {end} is on bus {joined[end]} already; "
                    "an end has a joint to one bus only"
                )
            joined.setdefault(end, bus.name)


def _one_bus(bus: Bus, key: str) -> Iterator[str]:
    for strand, times in Counter(end.strand for end in bus.ends).items():
        if times > 1:
            yield (
                f"{key}: strand {strand} is named {times} times, but a bus has one pad per strand; "
                "give its other end a bus of its own"
            )


def _links(design: Design) -> Iterator[str]:
    seen: set[frozenset[StrandEnd]] = set()
    for number, link in enumerate(design.links, 1):
        pair = frozenset((link.first, link.second))
        if len(pair) == 1:
            yield f"link[{number}]: joins {link.first} to itself; give two different ends"
        elif pair in seen:
            yield f"link[{number}]: {link.first} and {link.second} are linked already; remove one"
        seen.add(pair)


def _feeds(design: Design) -> Iterator[str]:
    for number, feed in enumerate(design.feeds, 1):
        if fault := _feed_place(design, feed):
            yield f"feed[{number}].at: {fault}"
        if feed.volts > design.node.most_v:
            yield (
                f"feed[{number}].volts: is {feed.volts:g}; nodes of kind {design.node.name} "
                f"are rated for {design.node.most_v:g} V at most"
            )


def _feed_place(design: Design, feed: Feed) -> str | None:
    place = feed.at
    if isinstance(place, StrandEnd):
        count = len(design.strands)
        return f'"{place}": the prop has strands 1 to {count}' if place.strand > count else None
    bus = next((bus for bus in design.buses if bus.name == place.bus), None)
    if bus is None:
        known = [bus.name for bus in design.buses]
        others = f"; buses are {', '.join(known)}" if known else "; the prop has no bus"
        hint = did_you_mean(place.bus, known) or others
        return f'"{place}": no bus is called "{place.bus}"{hint}'
    if place not in bus.pads:
        return f'"{place}": bus {bus.name} has no pad at strand {place.strand}'
    return None


def _unfed(design: Design) -> Iterator[str]:
    for number in sorted(number for run in unfed_strands(design) for number in run):
        yield (
            f"strand {number}: has no path to a feed; join an end to a bus with a feed, "
            "link it, or give it a feed"
        )


def unfed_strands(design: Design) -> list[list[int]]:
    """Return the strands without a path to a feed, one list for each group that copper joins.

    Only the + rail is followed: all copper that joins a + joins its - too.
    """
    group: dict[BusPad | StrandEnd, BusPad | StrandEnd] = {}

    def top(place: BusPad | StrandEnd) -> BusPad | StrandEnd:
        while (up := group.get(place, place)) != place:
            place = up
        return place

    def join(one: BusPad | StrandEnd, other: BusPad | StrandEnd) -> None:
        group[top(one)] = top(other)

    for strand in design.strands:
        join(StrandEnd(strand.number, "A"), StrandEnd(strand.number, "B"))
    for bus in design.buses:
        for end, pad in zip(bus.ends, bus.pads, strict=True):
            join(end, pad)
            join(pad, bus.pads[0])
    for link in design.links:
        if "+" in link.rails:
            join(link.first, link.second)
    fed = {top(feed.at) for feed in design.feeds}
    dark: dict[BusPad | StrandEnd, list[int]] = {}
    for strand in design.strands:
        if (where := top(StrandEnd(strand.number, "A"))) not in fed:
            dark.setdefault(where, []).append(strand.number)
    return list(dark.values())
