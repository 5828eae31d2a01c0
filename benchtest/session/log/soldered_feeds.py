"""Feeds whose rails a repair may have bridged, so that they are checked again before power."""

from __future__ import annotations

from benchtest.prop.design import Design
from benchtest.prop.notation import (
    ColourOrderSetting,
    location_feed,
    location_strands,
    parse_location,
)
from benchtest.session.log.power_checks import Key, all_checks


def feeds_soldered(design: Design, where: str) -> frozenset[str]:
    """Return the feeds that copper joins to the place of a repair with an iron.

    A node and a data joint have both rails within two millimetres, so solder there bridges them
    as easily as at a power joint. Only the order of colours is put right without an iron.

    Args:
        design: the prop.
        where: a joint (`4A+`), a node (`4.17`), a strand (`4`), two of them (`4 5`), a feed's name
            or `colour_order`.

    Raises:
        NameFault: the design has no such thing.
    """
    location = parse_location(where, design)
    if isinstance(location, ColourOrderSetting):
        return frozenset()
    places = {str(number) for number in location_strands(location)}
    places |= {feed for feed in [location_feed(location)] if feed is not None}
    part = _joined(design)
    parts = {part[place] for place in places}
    return frozenset(feed.name for feed in design.feeds if part[feed.name] in parts)


def checks_after(design: Design, where: str) -> frozenset[Key]:
    """Return the checks that must be made again before power after a repair.

    Ohms between the rails of every feed that copper joins to the place; where a feed's own joint
    or cable was worked on, its polarity too.

    Raises:
        NameFault: the design has no such thing.
    """
    feeds = feeds_soldered(design, where)
    own = {location_feed(parse_location(where, design))}
    rails = {("rails", name) for name in feeds}
    return frozenset(key for key in all_checks(design)
                     if key in rails or (key[0] == "polarity" and key[1] in own))  # fmt: skip


def _joined(design: Design) -> dict[str, str]:
    """Return a label for every strand (by number) and feed, alike where copper joins them.

    Either rail counts: supplies that share one return only are checked together.
    """
    label = {str(strand.number): str(strand.number) for strand in design.strands}
    label |= {feed.name: feed.name for feed in design.feeds}
    groups = [[str(end.strand) for end in bus.ends] for bus in design.buses]
    groups += [[str(link.first.strand), str(link.second.strand)]
               for link in design.links if link.rails]  # fmt: skip
    groups += [[feed.name, str(feed.at.strand)] for feed in design.feeds]
    for first, *others in groups:
        for other in others:
            old, new = label[other], label[first]
            label = {name: new if one == old else one for name, one in label.items()}
    return label
