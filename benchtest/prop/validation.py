"""Faults that only a whole design shows: names that clash, copper that leads nowhere."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import islice

from benchtest.errors import did_you_mean
from benchtest.prop.design import Bus, BusPad, Design, Feed, StrandEnd

MAX_DESIGN_FAULTS = 200
"""Faults of the whole design that are looked for; more are of one cause."""
MAX_UNIVERSE = 63999
"""Highest universe number for data. Source: ANSI E1.31-2018, clause 6.2.7."""


def find_design_faults(design: Design, *, sound: bool = True) -> list[str]:
    """Faults that only the whole design shows: all of them, or the first two hundred.

    Args:
        design: what the tables of a file say.
        sound: False where some table had a fault of its own; what hangs on it is not judged.
    """
    return list(islice(_faults(design, sound), MAX_DESIGN_FAULTS))


def _faults(design: Design, sound: bool) -> Iterator[str]:
    for check in (_names, _buses, _links, *((_feeds, _universes) if sound else ())):
        for fault in check(design):
            sound = False
            yield fault
    if sound:  # copper to a place that is not there would be blamed on the strand it should feed
        yield from _fed(design)


def _names(design: Design) -> Iterator[str]:
    names = [bus.name for bus in design.buses] + [feed.name for feed in design.feeds]
    for name, times in Counter(names).items():
        if times > 1:
            yield f'name "{name}": given {times} times; buses and feeds each need their own'


def _buses(design: Design) -> Iterator[str]:
    joined: dict[StrandEnd, str] = {}
    for number, bus in enumerate(design.buses, 1):
        yield from _one_bus(bus, f"bus[{number}].joins")
        for end in dict.fromkeys(bus.ends):
            if end in joined and joined[end] != bus.name:
                yield (
                    f"bus[{number}].joins: {end} is on bus {joined[end]} already; "
                    "an end has one joint to one bus"
                )
            joined.setdefault(end, bus.name)


def _one_bus(bus: Bus, key: str) -> Iterator[str]:
    for strand, times in Counter(end.strand for end in bus.ends).items():
        if times > 1:
            yield (
                f"{key}: strand {strand} is named {times} times; pads are told apart by strand, "
                "so give its other end a bus of its own"
            )


def _links(design: Design) -> Iterator[str]:
    seen: set[frozenset[StrandEnd]] = set()
    for number, link in enumerate(design.links, 1):
        pair = frozenset((link.first, link.second))
        if len(pair) == 1:
            yield f"link[{number}]: joins {link.first} to itself"
        elif pair in seen:
            yield f"link[{number}]: {link.first} and {link.second} are linked already"
        seen.add(pair)


def _feeds(design: Design) -> Iterator[str]:
    for number, feed in enumerate(design.feeds, 1):
        if fault := _feed_place(design, feed):
            yield f"feed[{number}].at: {fault}"
        if feed.volts > design.node.most_v:
            yield (
                f"feed[{number}].volts: is {feed.volts:g}; nodes of kind {design.node.name} stand "
                f"at most {design.node.most_v:g} V"
            )


def _feed_place(design: Design, feed: Feed) -> str | None:
    place = feed.at
    if isinstance(place, StrandEnd):
        count = len(design.strands)
        return f'"{place}": the prop has strands 1 to {count}' if place.strand > count else None
    bus = next((bus for bus in design.buses if bus.name == place.bus), None)
    if bus is None:
        known = [bus.name for bus in design.buses]
        hint = did_you_mean(place.bus, known) or (
            f"; there are {', '.join(known)}" if known else ""
        )
        return f'"{place}": no bus is called "{place.bus}"{hint}'
    if place not in bus.pads:
        return f'"{place}": bus {bus.name} has no pad beside strand {place.strand}'
    return None


def _fed(design: Design) -> Iterator[str]:
    """Strands that no copper joins to a feed."""
    for number in sorted(number for run in unfed_strands(design) for number in run):
        yield (
            f"strand {number}: has no path to a feed; join an end to a bus that is fed, "
            "link it, or give it a feed"
        )


def unfed_strands(design: Design) -> list[list[int]]:
    """Strands without a path to a feed: each inner list is joined by copper among itself.

    All that joins a + joins its -, so + tells.
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


def _universes(design: Design) -> Iterator[str]:
    channels = design.node_count * design.node.channels
    last = design.output.universe + (design.output.channel - 1 + channels) // 510 + 1
    if last > MAX_UNIVERSE:
        yield (
            f"output.universe: is {design.output.universe}; this prop would run past universe "
            f"{MAX_UNIVERSE}, start lower"
        )
