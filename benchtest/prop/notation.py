"""The contract's names for places, points, probes and joints, read back into values."""

from __future__ import annotations

import re

from benchtest.errors import NameFault, did_you_mean
from benchtest.input_files import printable
from benchtest.prop.design import (
    BusPad,
    Design,
    End,
    FeedName,
    NodeName,
    Place,
    Point,
    Probe,
    Rail,
    StrandEnd,
    rail_probe,
)
from benchtest.prop.joints import Joint, data_joints, power_joints

_END = re.compile(r"^([1-9]\d{0,5})([AB])$", re.ASCII)
_NODE = re.compile(r"^([1-9]\d{0,5})\.([1-9]\d{0,5})$", re.ASCII)
_PAD = re.compile(r"^([^:>]+):([1-9]\d{0,5})$", re.ASCII)


def parse_end(text: str) -> StrandEnd:
    """Read a strand end, such as `4A`. Whether the prop has it is not asked.

    Raises:
        NameFault: it is not of that form.
    """
    if not (found := _END.match(text.strip())):
        raise NameFault(
            f'"{printable(text)}" is no strand end; write a strand number and A or B: "4A"'
        )
    end: End = "A" if found[2] == "A" else "B"
    return StrandEnd(int(found[1]), end)


def parse_node(text: str, design: Design) -> NodeName:
    """Read a node, such as `4.17`.

    Raises:
        NameFault: it is not of that form, or the prop has no such node.
    """
    if not (found := _NODE.match(text.strip())):
        raise NameFault(f'"{printable(text)}" is no node; write strand, point, node: "4.17"')
    node = NodeName(int(found[1]), int(found[2]))
    _check_strand(node.strand, text, design)
    count = design.strand(node.strand).nodes
    if node.node > count:
        raise NameFault(f'"{text}": strand {node.strand} has nodes 1 to {count}')
    return node


def parse_place(text: str, design: Design) -> Place:
    """Read a place that has both rails: strand end, bus pad, node or feed.

    Raises:
        NameFault: the prop has no such place.
    """
    word = text.strip()
    if found := _END.match(word):
        end = parse_end(word)
        _check_strand(end.strand, word, design)
        return end
    if _NODE.match(word):
        return parse_node(word, design)
    if found := _PAD.match(word):
        return _pad(found[1], int(found[2]), word, design)
    if any(feed.name == word for feed in design.feeds):
        return FeedName(word)
    known = [str(place) for place in meter_places(design)]
    raise NameFault(
        f'"{printable(word)}" is no place on {design.name}; write a strand end (4A), a bus pad '
        f"(foot:4), a node (4.17) or a feed's name{did_you_mean(word, known)}"
    )


def parse_point(text: str, design: Design) -> Point:
    """Read a place on one rail, such as `foot:4+`.

    Raises:
        NameFault: the rail is missing or the prop has no such place.
    """
    word = text.strip()
    if word[-1:] not in ("+", "-"):
        raise NameFault(
            f'"{printable(word)}" names no rail; put + or - behind it: "{printable(word)}+"'
        )
    rail: Rail = "+" if word[-1] == "+" else "-"
    return Point(parse_place(word[:-1], design), rail)


def parse_probe(text: str, design: Design) -> Probe:
    """Read a probe: `4A` for a rail voltage, or `red>black` between two points.

    Raises:
        NameFault: a point is not on this prop, or both leads are on the same one.
    """
    red, arrow, black = text.partition(">")
    if not arrow:
        word = text.strip()
        if word[-1:] in ("+", "-"):
            shown = printable(word)
            raise NameFault(
                f'"{shown}" is one point; write "{printable(word[:-1])}" for the volts between its '
                f'rails, or "{shown}>…" for the drop to another point'
            )
        return rail_probe(parse_place(word, design))
    probe = Probe(parse_point(red, design), parse_point(black, design))
    if probe.red == probe.black:
        raise NameFault(
            f'"{printable(text)}": both leads are on {probe.red}; there is nothing to read'
        )
    return probe


def find_joint(text: str, design: Design) -> Joint:
    """Find a joint, such as `4A+`, `4Ad`, `main-` or `1B~2B+`.

    Raises:
        NameFault: the prop has no such joint.
    """
    word = text.strip()
    joints = [*power_joints(design), *data_joints(design)]
    for joint in joints:
        if joint.name == word:
            return joint
    near = did_you_mean(word, [joint.name for joint in joints])
    form = "; write an end and its rail or d (4A+, 4Ad), a feed's (main-) or a link's (1B~2B+)"
    raise NameFault(f'"{printable(word)}" is no joint of {design.name}{near or form}')


def meter_places(design: Design) -> list[Place]:
    """Every place that a meter reaches, nodes left out: feeds, pads and strand ends."""
    found: list[Place] = [FeedName(feed.name) for feed in design.feeds]
    found.extend(pad for bus in design.buses for pad in bus.pads)
    for strand in design.strands:
        found.extend((StrandEnd(strand.number, "A"), StrandEnd(strand.number, "B")))
    return found


def _pad(bus_name: str, strand: int, word: str, design: Design) -> BusPad:
    for bus in design.buses:
        if bus.name == bus_name:
            if any(end.strand == strand for end in bus.ends):
                return BusPad(bus_name, strand)
            raise NameFault(
                f'"{printable(word)}": bus {bus_name} has no pad beside strand {strand}'
            )
    known = [bus.name for bus in design.buses]
    there = f"; there are {', '.join(known)}" if known else "; the prop has none"
    raise NameFault(
        f'"{printable(word)}": no bus is called "{printable(bus_name)}"'
        f"{did_you_mean(bus_name, known) or there}"
    )


def _check_strand(strand: int, word: str, design: Design) -> None:
    if strand > len(design.strands):
        raise NameFault(f'"{word}": the prop has strands 1 to {len(design.strands)}')
