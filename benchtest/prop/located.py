"""Names of joints and nodes together with where on the prop they are."""

from __future__ import annotations

import re

from benchtest.prop.design import BusPad, Design, StrandEnd
from benchtest.prop.notation import parse_end

_END = re.compile(r"[1-9][0-9]*[AB]", re.ASCII)
_RAILS = {"+": "+ wire", "-": "- wire", "d": "data wire"}


def located(design: Design, where: str) -> str:
    """Return a suspect's name and where it is on the prop.

    Args:
        design: the prop.
        where: a joint, node, strand, feed or setting as the diagnosis names it.

    Returns:
        Such as `4A+ (strand 4's + wire at the foot board)`; the name alone where it has no place.
    """
    place = _place_of(design, where)
    return f"{where} ({place})" if place else where


def _place_of(design: Design, where: str) -> str:
    joint, rail = where[:-1], where[-1:]
    feeds = {feed.name: feed for feed in design.feeds}
    if where in feeds:
        return f"feed at {_at(design, feeds[where].at)}"
    if rail in _RAILS:
        wire = _RAILS[rail]
        if joint in feeds:
            return f"feed {joint}'s {rail} cable at {_at(design, feeds[joint].at)}"
        if "~" in joint:
            one, other = joint.split("~")
            return f"{wire} between strands {one[:-1]} and {other[:-1]}, ends {one} and {other}"
        if _END.fullmatch(joint):
            end = parse_end(joint)
            return f"strand {end.strand}'s {wire} at {_at(design, end)}"
    strand, dot, node = where.partition(".")
    if dot and strand.isdigit() and node.isdigit():
        return f"node {node} of strand {strand}, counted from end A"
    if where.isdigit():
        return f"strand {where}"
    return ""


def _at(design: Design, place: BusPad | StrandEnd) -> str:
    if isinstance(place, BusPad):
        return f"pad {place}"
    bus = design.bus_of(place)
    if bus is None:
        return f"end {place}"
    return f"the {bus.name} {'board' if bus.copper.board else 'bus'}"
