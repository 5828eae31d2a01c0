"""A design as points and the branches between them, before anything is solved.

A branch carries `(v[tail] - v[head] + supply) / ohm` amperes from its tail to its head.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from benchtest.errors import InputError
from benchtest.prop.design import (
    BusPad,
    Design,
    Feed,
    FeedName,
    NodeName,
    Place,
    Point,
    Rail,
    StrandEnd,
)
from benchtest.prop.joints import HEALTHY_JOINT_OHM, RAILS, power_joints
from benchtest.prop.names import joint_by_name

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]


class Made(IntEnum):
    """What a branch is made of: that is what its tolerance follows."""

    WIRE = 0
    COPPER = 1
    FUSE = 2
    JOINT = 3


@dataclass(frozen=True)
class Wiring:
    """Points by number and the branches between them.

    Points 0 … nodes - 1 are the `+` pads of the nodes in prop order, the next `nodes` their `-`
    pads; the rest follow as the design names them.

    Attributes:
        design: what was wired up.
        places: number of each point that is no node's.
        tail: shape (branches,).
        head: shape (branches,).
        ohm: shape (branches,); infinite where a joint is open. [Ω]
        made: what each branch is made of, values of `Made`, shape (branches,).
        feed: number of the feed whose supply stands in the branch, -1 for none.
        joint: branch of each power joint, by its name.
        sources: inner point of each feed's supply.
        point_count: how many points there are.
    """

    design: Design
    places: Mapping[Point, int]
    tail: IndexArray
    head: IndexArray
    ohm: FloatArray
    made: IndexArray
    feed: IndexArray
    joint: Mapping[str, int]
    sources: tuple[int, ...]
    point_count: int

    def number(self, point: Point) -> int:
        """Number of a point."""
        if isinstance(point.place, NodeName):
            index = self.design.index(point.place.strand, point.place.node)
            return index if point.rail == "+" else self.design.node_count + index
        return self.places[point]


class _Builder:
    """Numbers points as they are met and collects branches."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.places: dict[Point, int] = {}
        self.count = 2 * design.node_count
        self.joint: dict[str, int] = {}
        self._rows: list[tuple[IndexArray, IndexArray, FloatArray, Made, int]] = []
        self._branches = 0

    def at(self, place: Place, rail: Rail) -> int:
        point = Point(place, rail)
        if point not in self.places:
            self.places[point] = self.new()
        return self.places[point]

    def new(self) -> int:
        self.count += 1
        return self.count - 1

    def add(self, tail: int, head: int, ohm: float, made: Made, feed: int = -1) -> None:
        self.chain([tail, head], ohm, made, feed)

    def chain(
        self, points: list[int] | IndexArray, ohm: float | FloatArray, made: Made, feed: int = -1
    ) -> None:
        """Branches from each point to the next."""
        run = np.asarray(points, dtype=np.intp)
        ohms = np.broadcast_to(np.asarray(ohm, dtype=np.float64), (len(run) - 1,))
        self._rows.append((run[:-1], run[1:], ohms, made, feed))
        self._branches += len(run) - 1

    def add_joint(self, name: str, tail: int, head: int, ohm: float) -> None:
        self.joint[name] = self._branches
        self.add(tail, head, ohm, Made.JOINT)

    def finish(self, sources: tuple[int, ...]) -> Wiring:
        sizes = [len(row[0]) for row in self._rows]
        return Wiring(
            design=self.design,
            places=self.places,
            tail=np.concatenate([row[0] for row in self._rows]),
            head=np.concatenate([row[1] for row in self._rows]),
            ohm=np.concatenate([row[2] for row in self._rows]),
            made=np.repeat(np.array([int(row[3]) for row in self._rows]), sizes),
            feed=np.repeat(np.array([row[4] for row in self._rows]), sizes),
            joint=self.joint,
            sources=sources,
            point_count=self.count,
        )


def wire_up(design: Design, joint_ohm: Mapping[str, float]) -> Wiring:
    """Every point and branch of a design.

    Args:
        design: a design without faults.
        joint_ohm: resistance of joints that are not 2 mΩ, `math.inf` for open; the key
            `default` changes all that are not named. [Ω]

    Returns:
        The wiring; open joints are left in with an infinite resistance.

    Raises:
        NameFault: the design has no such joint.
        InputError: a resistance is negative or no number.
    """
    builder = _Builder(design)
    sources = tuple(_feed(builder, number, feed) for number, feed in enumerate(design.feeds))
    for rail in RAILS:
        for number in range(1, len(design.strands) + 1):
            _strand(builder, number, rail)
        _buses(builder, rail)
    _joints(builder, joint_ohm)
    return builder.finish(sources)


def _feed(builder: _Builder, number: int, feed: Feed) -> int:
    """Both cables of a feed out of one inner point; its supply stands in the `+` cable."""
    source = builder.new()
    cable_ohm = feed.wire.ohm_per_mm * feed.length_mm
    start = source
    if feed.fuse_mohm > 0.0:
        start = builder.new()
        builder.add(source, start, feed.fuse_mohm * 1e-3, Made.FUSE)
    builder.add(start, builder.at(FeedName(feed.name), "+"), cable_ohm, Made.WIRE, feed=number)
    builder.add(builder.at(FeedName(feed.name), "-"), source, cable_ohm, Made.WIRE)
    return source


def _strand(builder: _Builder, number: int, rail: Rail) -> None:
    strand = builder.design.strand(number)
    first = builder.design.first_index[number - 1]
    offset = 0 if rail == "+" else builder.design.node_count
    nodes = np.arange(first, first + strand.nodes) + offset
    ends = builder.at(StrandEnd(number, "A"), rail), builder.at(StrandEnd(number, "B"), rail)
    lengths_mm = np.full(strand.nodes + 1, strand.pitch_mm)
    lengths_mm[0], lengths_mm[-1] = strand.lead_mm
    run = np.concatenate([[ends[0]], nodes, [ends[1]]]).astype(np.intp)
    builder.chain(run, lengths_mm * strand.wire.ohm_per_mm, Made.WIRE)


def _buses(builder: _Builder, rail: Rail) -> None:
    for bus in builder.design.buses:
        pads = [builder.at(BusPad(bus.name, end.strand), rail) for end in bus.ends]
        if bus.ring and len(pads) > 2:
            pads.append(pads[0])
        made = Made.COPPER if bus.copper.board else Made.WIRE
        builder.chain(pads, bus.copper.ohm_per_mm * bus.spacing_mm, made)


def _joints(builder: _Builder, joint_ohm: Mapping[str, float]) -> None:
    """All joints; a link's wire stands in series with its one joint."""
    design = builder.design
    _check_joints(design, joint_ohm)
    default_ohm = joint_ohm.get("default", HEALTHY_JOINT_OHM)
    link_ohm = {link.name: link.length_mm * link.wire.ohm_per_mm for link in design.links}
    for joint in power_joints(design):
        assert joint.near is not None
        assert joint.far is not None
        near = builder.at(joint.near.place, joint.near.rail)
        far = builder.at(joint.far.place, joint.far.rail)
        wire_ohm = link_ohm.get(joint.name[:-1], 0.0)
        if wire_ohm > 0.0:
            middle = builder.new()
            builder.add(near, middle, wire_ohm, Made.WIRE)
            near = middle
        builder.add_joint(joint.name, near, far, joint_ohm.get(joint.name, default_ohm))


def _check_joints(design: Design, joint_ohm: Mapping[str, float]) -> None:
    for name, ohm in joint_ohm.items():
        if not ohm >= 0.0:
            raise InputError(f"joint {name}: resistance is {ohm:g} Ω; give 0 or more, or inf")
        if name != "default" and not joint_by_name(name, design).is_power:
            raise InputError(f"joint {name} carries data; give a power joint, such as {name[:-1]}+")
