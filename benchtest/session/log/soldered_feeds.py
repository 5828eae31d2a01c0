"""Feeds that a repair may have shorted, so that they are checked again before power."""

from __future__ import annotations

from benchtest.prop.design import Design
from benchtest.prop.notation import (
    ColourOrderSetting,
    location_feed,
    location_strands,
    parse_location,
)
from benchtest.session.log.power_checks import CheckKey, all_checks


def feeds_soldered(design: Design, where: str) -> frozenset[str]:
    """Return the feeds with a copper connection to the place of a soldered repair.

    At a node or a data joint both rails are within two millimetres, so solder bridges them there as
    easily as at a power joint. Only the order of colours is corrected without soldering.

    Args:
        design: the prop.
        where: a joint (`4A+`), a node (`4.17`), a strand (`4`), two of them (`4 5`), a feed's name
            or `colour_order`.

    Raises:
        NameFault: the design has no such place.
    """
    location = parse_location(where, design)
    if isinstance(location, ColourOrderSetting):
        return frozenset()
    places = {str(number) for number in location_strands(location)}
    places |= {feed for feed in [location_feed(location)] if feed is not None}
    part = _joined(design)
    parts = {part[place] for place in places}
    return frozenset(feed.name for feed in design.feeds if part[feed.name] in parts)


def checks_after(design: Design, where: str) -> frozenset[CheckKey]:
    """Return the checks to repeat before power after a repair.

    These are the resistance between the rails of every feed with a copper connection to the place
    and, after work on a feed's own joint or cable, its polarity.

    Raises:
        NameFault: the design has no such place.
    """
    feeds = feeds_soldered(design, where)
    own = {location_feed(parse_location(where, design))}
    rails = {("rails", name) for name in feeds}
    return frozenset(key for key in all_checks(design)
                     if key in rails or (key[0] == "polarity" and key[1] in own))  # fmt: skip


def _joined(design: Design) -> dict[str, str]:
    """Return a label for every strand (by number) and feed, equal for connected ones.

    Either rail connects: supplies that share only a return are checked together.
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
