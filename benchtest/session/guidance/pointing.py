"""Nodes that light up to show where leads, an iron or an eye go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchtest.prop.design import (
    BusPad,
    Design,
    FeedName,
    NodeName,
    Place,
    Point,
    Probe,
    StrandEnd,
)
from benchtest.prop.notation import location_ends, parse_location

Role = Literal["red", "black", "place"]
"""Lead that a node points for; `place` for an iron or an eye."""
POINT_LEVEL = 0.5
"""Level of a node that points: seen from above the bench, and milliamperes only."""
BLINK_S = 0.5
"""Time that a blinking node is on, and off. One flash a second of a single node; WCAG 2.2, success
criterion 2.3.1, allows three."""
LEAD_POINT_S = 2.0
"""Time that the place of each lead is shown: less than a lead takes to its place. [s] See
`benchtest.diagnosis.planning.cost`."""


@dataclass(frozen=True, slots=True)
class Pointer:
    """One node that lights up, and the lead that it points for.

    The node of the red lead and of a place is red and steady, that of the black lead blue and
    blinking, so that they differ without colour vision too.
    """

    role: Role
    node: NodeName


def nearest_node(design: Design, place: Place) -> NodeName | None:
    """Return the node nearest to a place; None for a feed, whose cable has no node."""
    if isinstance(place, NodeName):
        return place
    if isinstance(place, BusPad):
        bus = next(bus for bus in design.buses if bus.name == place.bus)
        place = next(end for end in bus.ends if end.strand == place.strand)
    if not isinstance(place, StrandEnd):
        return None
    return NodeName(place.strand, 1 if place.end == "A" else design.strand(place.strand).nodes)


def lead_pointers(
    design: Design, probe: Probe, leads: Sequence[Point | None] = (None, None)
) -> tuple[Pointer, ...]:
    """Return the nodes at which the leads of a reading go.

    Args:
        design: the prop.
        probe: the points of the leads.
        leads: points of the red and of the black lead now; a lead that stays is not shown.
    """
    found: list[Pointer] = []
    for role, point, now in (("red", probe.red, leads[0]), ("black", probe.black, leads[1])):
        node = nearest_node(design, point.place)
        if point == now or node is None:
            continue
        if any(other.node == node for other in found):
            node = _inward(design, node)
        if node is not None:
            found.append(Pointer("red" if role == "red" else "black", node))
    return tuple(found)


def place_pointers(design: Design, where: str) -> tuple[Pointer, ...]:
    """Return the nodes at a joint, node or strand that is repaired or asked about.

    Args:
        design: the prop.
        where: a joint, a node, strands, a feed or `colour_order`; none of the last two has a node.

    Raises:
        NameFault: the design has no such place.
    """
    location = parse_location(where, design)
    if isinstance(location, NodeName):
        return (Pointer("place", location),)
    nodes = (nearest_node(design, end) for end in location_ends(location))
    return tuple(Pointer("place", node) for node in dict.fromkeys(nodes) if node is not None)


def unshown_places(probe: Probe) -> str:
    """Return which leads no node points for, as a sentence; empty if there is one for each."""
    places = [point.place for point in (probe.red, probe.black)]
    feeds = dict.fromkeys(str(place) for place in places if isinstance(place, FeedName))
    return f"No node is near feed {' or '.join(feeds)}; see the drawing." if feeds else ""


def pointer_duty(
    design: Design, pointers: Sequence[Pointer], *, blink_on: bool
) -> NDArray[np.float64]:
    """Return the light of pointers as a share of full current, shape (nodes, colours).

    Nodes without such colours light wholly.
    """
    colours = design.node.colours
    duty = np.zeros((design.node_count, len(colours)))
    for pointer in pointers:
        colour = "blue" if pointer.role == "black" else "red"
        channels = [colours.index(colour)] if colour in colours else list(range(len(colours)))
        if pointer.role != "black" or blink_on:
            duty[design.index(pointer.node.strand, pointer.node.node), channels] = POINT_LEVEL
    return duty


def describe_pointers(pointers: Sequence[Pointer]) -> str:
    """Return which node points for what.

    >>> describe_pointers([Pointer("red", NodeName(4, 1)), Pointer("black", NodeName(7, 27))])
    'shows red at 4.1, black (blinks) at 7.27'
    """
    words = {"red": "red at", "black": "black (blinks) at", "place": "the place at"}
    return f"shows {', '.join(f'{words[one.role]} {one.node}' for one in pointers)}"


def _inward(design: Design, node: NodeName) -> NodeName | None:
    """Return the neighbour of an end node; None for a strand of one node."""
    if design.strand(node.strand).nodes == 1:
        return None
    return NodeName(node.strand, node.node + 1 if node.node == 1 else node.node - 1)
