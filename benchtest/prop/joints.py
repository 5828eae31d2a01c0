"""Every joint of a design, in the order that a person would walk round the prop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchtest.prop.data_path import data_hops
from benchtest.prop.design import (
    HEALTHY_JOINT_OHM,
    RAILS,
    BusPad,
    Design,
    FeedName,
    Point,
    Probe,
    StrandEnd,
)


@dataclass(frozen=True, slots=True)
class Joint:
    """One made connection of one conductor.

    `near` and `far` are the points on its two sides; a data joint has none that a meter reads.
    """

    name: str
    conductor: Literal["+", "-", "d"]
    strands: tuple[int, ...]
    """Strands whose ends it touches; empty for a feed's joint."""
    near: Point | None = None
    far: Point | None = None
    ohm: float = HEALTHY_JOINT_OHM
    """Its resistance when healthy; a data joint's is of no account. [Ω]"""

    @property
    def is_power(self) -> bool:
        return self.conductor != "d"

    @property
    def is_fuse(self) -> bool:
        """True for the fuse of a feed, which is whole or blown and has no drop to be read."""
        return self.is_power and self.near is None

    @property
    def probe(self) -> Probe:
        """The reading of the drop across this joint."""
        if self.near is None or self.far is None:
            raise ValueError(f"{self.name} has no two sides that leads can reach: no drop to read")
        return Probe(self.near, self.far)


def power_joints(design: Design) -> list[Joint]:
    """Joints of both rails: feeds first, then bus by bus, then links.

    The order is the order of the file, so that two runs agree to the last digit.
    """
    found = []
    for feed in design.feeds:
        for rail in RAILS:
            near, far = Point(FeedName(feed.name), rail), Point(feed.at, rail)
            found.append(Joint(f"{feed.name}{rail}", rail, (), near, far, feed.joint_ohm))
    for bus in design.buses:
        for end in bus.ends:
            for rail in RAILS:
                near = Point(BusPad(bus.name, end.strand), rail)
                far = Point(end, rail)
                found.append(Joint(f"{end}{rail}", rail, (end.strand,), near, far, bus.joint_ohm))
    for link in design.links:
        touched = (link.first.strand, link.second.strand)
        for rail in link.rails:
            near, far = Point(link.first, rail), Point(link.second, rail)
            found.append(Joint(f"{link.name}{rail}", rail, touched, near, far, link.joint_ohm))
    return found


def data_joints(design: Design) -> list[Joint]:
    """Joints of the data line in the order data flows, the controller's first.

    A hop over a link is one joint (`1B~2Bd`); any other hop is two, out of one strand end and
    into the next. The last strand's way out carries nothing and is left out.
    """
    first = design.data_path[0]
    found = [Joint(f"{first}d", "d", (first.strand,))]
    for leaving, entering in data_hops(design):
        touched = (leaving.strand, entering.strand)
        if (link := _link_between(design, leaving, entering)) is not None:
            found.append(Joint(f"{link}d", "d", touched))
        else:
            found.append(Joint(f"{leaving}d", "d", (leaving.strand,)))
            found.append(Joint(f"{entering}d", "d", (entering.strand,)))
    return found


def _link_between(design: Design, one: StrandEnd, other: StrandEnd) -> str | None:
    for link in design.links:
        if {link.first, link.second} == {one, other}:
            return link.name
    return None
