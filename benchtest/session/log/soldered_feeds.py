"""Feeds whose rails a repair may have bridged, so that they are checked again before power."""

from __future__ import annotations

from benchtest.diagnosis.repair_scope import strands_of
from benchtest.prop.design import Design
from benchtest.prop.joints import find_joint
from benchtest.prop.notation import COLOUR_ORDER, parse_node
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
    if where == COLOUR_ORDER:
        return frozenset()
    if where in {feed.name for feed in design.feeds}:
        places = {where}
    elif strands := strands_of(design, where):
        places = {str(number) for number in strands}
    elif "." in where:
        places = {str(parse_node(where, design).strand)}
    else:
        places = _of_joint(design, where)
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
    own = {feed.name for feed in design.feeds if feed.name == where.rstrip("+-")}
    rails = {("rails", name) for name in feeds}
    return frozenset(key for key in all_checks(design)
                     if key in rails or (key[0] == "polarity" and key[1] in own))  # fmt: skip


def _of_joint(design: Design, where: str) -> set[str]:
    joint = find_joint(where, design)
    return {str(number) for number in joint.strands} or {joint.name[:-1]}


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
