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
    RAILS,
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
from benchtest.prop.joints import power_joints
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
        self._chains: list[tuple[IndexArray, IndexArray, FloatArray, Made]] = []
        self._singles: list[tuple[int, int, float, Made, int]] = []

    def at(self, place: Place, rail: Rail) -> int:
        point = Point(place, rail)
        number = self.places.get(point)
        if number is None:
            self.places[point] = number = self.new()
        return number

    def new(self) -> int:
        self.count += 1
        return self.count - 1

    def add(self, tail: int, head: int, ohm: float, made: Made, feed: int = -1) -> None:
        """One branch."""
        self._singles.append((tail, head, ohm, made, feed))

    def chain(self, points: list[int] | IndexArray, ohm: float | FloatArray, made: Made) -> None:
        """Branches from each point to the next."""
        run = np.asarray(points, dtype=np.intp)
        ohms = np.broadcast_to(np.asarray(ohm, dtype=np.float64), (len(run) - 1,))
        self._chains.append((run[:-1], run[1:], ohms, made))

    def add_joint(self, name: str, tail: int, head: int, ohm: float) -> None:
        self.joint[name] = len(self._singles)
        self.add(tail, head, ohm, Made.JOINT)

    def finish(self, sources: tuple[int, ...]) -> Wiring:
        """Single branches first, then the chains."""
        singles, chains = self._singles, self._chains
        sizes = [len(chain[0]) for chain in chains]
        made = [np.array([int(single[3]) for single in singles])]
        made.append(np.repeat(np.array([int(chain[3]) for chain in chains]), sizes))
        feed = np.full(len(singles) + sum(sizes), -1)
        feed[: len(singles)] = [single[4] for single in singles]
        return Wiring(
            design=self.design,
            places=self.places,
            tail=_joined([single[0] for single in singles], [chain[0] for chain in chains]),
            head=_joined([single[1] for single in singles], [chain[1] for chain in chains]),
            ohm=np.concatenate([[single[2] for single in singles], *[c[2] for c in chains]]),
            made=np.concatenate(made),
            feed=feed,
            joint=self.joint,
            sources=sources,
            point_count=self.count,
        )


def _joined(singles: list[int], chains: list[IndexArray]) -> IndexArray:
    return np.concatenate([np.array(singles, dtype=np.intp), *chains])


def wire_up(design: Design, joint_ohm: Mapping[str, float]) -> Wiring:
    """Every point and branch of a design.

    Args:
        design: a design without faults.
        joint_ohm: resistance of joints that are not as designed, `math.inf` for open; the key
            `default` changes all that are not named. [Ω]

    Returns:
        The wiring; open joints are left in with an infinite resistance.

    Raises:
        NameFault: the design has no such joint.
        InputError: a resistance is negative or no number.
    """
    builder = _Builder(design)
    sources = tuple(_feed(builder, number, feed) for number, feed in enumerate(design.feeds))
    for number in range(1, len(design.strands) + 1):
        _strand(builder, number)
    for rail in RAILS:
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


def _strand(builder: _Builder, number: int) -> None:
    """Lead, pitches and lead of a strand, on each rail."""
    design = builder.design
    strand = design.strand(number)
    lengths_mm = np.full(strand.nodes + 1, strand.pitch_mm)
    lengths_mm[0], lengths_mm[-1] = strand.lead_mm
    ohms = lengths_mm * strand.wire.ohm_per_mm
    run = np.arange(-1, strand.nodes + 1) + design.first_index[number - 1]
    for rail in RAILS:
        run[0] = builder.at(StrandEnd(number, "A"), rail)
        run[-1] = builder.at(StrandEnd(number, "B"), rail)
        builder.chain(run.copy(), ohms, Made.WIRE)
        run[1:-1] += design.node_count


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
        ohm = joint_ohm.get(joint.name, joint_ohm.get("default", joint.ohm))
        builder.add_joint(joint.name, near, far, ohm)


def _check_joints(design: Design, joint_ohm: Mapping[str, float]) -> None:
    for name, ohm in joint_ohm.items():
        if not ohm >= 0.0:
            raise InputError(f"joint {name}: resistance is {ohm:g} Ω; give 0 or more, or inf")
        if name != "default" and not joint_by_name(name, design).is_power:
            raise InputError(f"joint {name} carries data; give a power joint, such as {name[:-1]}+")
