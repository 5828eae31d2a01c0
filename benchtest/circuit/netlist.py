"""Netlist of a design: points by number, the branches between them, and their incidence.

A branch carries `(v[tail] - v[head] + supply) / ohm` amperes from its tail to its head.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from benchtest.errors import InputError
from benchtest.prop.design import (
    Design,
    Feed,
    FeedName,
    NodeName,
    Place,
    Point,
    Probe,
    Rail,
    StrandEnd,
)
from benchtest.prop.joints import find_joint, power_joints

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

_MIN_OHM = 1e-9
"""Resistance below which 0 is used: at 10 A it drops less than a meter of nine digits shows. [Ω]"""


class Material(IntEnum):
    """Materials of branches; each has a tolerance of its own."""

    WIRE = 0
    COPPER = 1
    FUSE = 2
    JOINT = 3
    SHORT = 4
    CABLE = 5
    """A feed's cable, which comes from another reel than the strands' wire."""
    SOURCE = 6
    """Source resistance of a supply."""


@dataclass(frozen=True)
class Netlist:
    """Points by number and the branches between them.

    Points 0 … nodes - 1 are the `+` pads of the nodes in prop order, the next `nodes` their `-`
    pads; the others follow in the order of the design.

    Attributes:
        design: the design.
        places: numbers of the + and the - point of each place that is not a node.
        tail: point at the tail of each branch, shape (branches,).
        head: point at the head of each branch, shape (branches,).
        ohm: resistance of each branch, infinite for an open joint, shape (branches,). [Ω]
        material: material of each branch, values of `Material`, shape (branches,).
        feed: number of the feed whose supply is in the branch, -1 for none, shape (branches,).
        joint: branch of each power joint by its name, and of each fuse by its feed's name.
        fuses: names of the fuses in `joint`.
        sources: inner point of each feed's supply.
        returns: branch of each feed's return cable.
        shorts: branches of shorts.
        point_count: number of points.
    """

    design: Design
    places: Mapping[Place, tuple[int, int]]
    tail: IndexArray
    head: IndexArray
    ohm: FloatArray
    material: IndexArray
    feed: IndexArray
    joint: Mapping[str, int]
    fuses: frozenset[str]
    sources: tuple[int, ...]
    returns: tuple[int, ...]
    shorts: tuple[int, ...]
    point_count: int
    _last_leads: list[tuple[Sequence[Probe], tuple[IndexArray, IndexArray]]] = field(
        default_factory=list, compare=False, repr=False
    )

    def changed(self, joint_ohm: Mapping[str, float]) -> Netlist:
        """Return the netlist with other resistances of some joints, by name. [Ω]"""
        ohm = self.ohm.copy()
        for name, joint in joint_ohm.items():
            ohm[self.joint[name]] = joint
        return replace(self, ohm=_without_tiny(ohm))

    def is_blown(self, feed: int) -> bool:
        """Return whether the fuse in a feed's cable is blown."""
        return bool(np.isinf(self.ohm[self.feed == feed]).any())

    def number(self, point: Point) -> int:
        """Return the number of a point."""
        if isinstance(point.place, NodeName):
            return _pad(self.design, point.place, point.rail)
        return self.places[point.place][point.rail == "-"]

    def leads(self, probes: Sequence[Probe]) -> tuple[IndexArray, IndexArray]:
        """Return the points at the red and the black lead of each probe, shape (probes,) each.

        The points of the last tuple are kept: a forecast asks for the same thousand probes in turn.
        """
        for known, leads in self._last_leads[:1]:
            if known is probes:
                return leads
        both = [(self.number(probe.red), self.number(probe.black)) for probe in probes]
        red, black = np.array(both, dtype=np.intp).reshape(-1, 2).T
        if isinstance(probes, tuple):
            self._last_leads[:] = [(probes, (red, black))]
        return red, black


def _pad(design: Design, node: NodeName, rail: Rail) -> int:
    index = design.index(node.strand, node.node)
    return index if rail == "+" else design.node_count + index


class _Builder:
    """A netlist under construction: points are numbered as they first occur."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.places: dict[Place, tuple[int, int]] = {}
        self.count = 2 * design.node_count
        self.joint: dict[str, int] = {}
        self.fuse: dict[str, int] = {}
        self.returns: list[int] = []
        self.shorts: list[int] = []
        self._chains: list[tuple[IndexArray, IndexArray, FloatArray, Material]] = []
        self._singles: list[tuple[int, int, float, Material, int]] = []

    def at(self, place: Place) -> tuple[int, int]:
        """Return the + and the - point of a place."""
        numbers = self.places.get(place)
        if numbers is None:
            self.places[place] = numbers = self.new(), self.new()
        return numbers

    def point(self, point: Point) -> int:
        if isinstance(point.place, NodeName):
            return _pad(self.design, point.place, point.rail)
        return self.at(point.place)[point.rail == "-"]

    def new(self) -> int:
        self.count += 1
        return self.count - 1

    @property
    def branches(self) -> int:
        """Number of single branches."""
        return len(self._singles)

    def add(self, tail: int, head: int, ohm: float, material: Material, feed: int = -1) -> None:
        """Add one branch."""
        self._singles.append((tail, head, ohm, material, feed))

    def chain(
        self, tail: IndexArray, head: IndexArray, ohm: FloatArray, material: Material
    ) -> None:
        """Add many branches of one material."""
        self._chains.append((tail, head, ohm, material))

    def add_joint(self, name: str, tail: int, head: int, ohm: float) -> None:
        self.joint[name] = len(self._singles)
        self.add(tail, head, ohm, Material.JOINT)

    def add_short(self, touching: Probe, ohm: float) -> None:
        self.shorts.append(len(self._singles))
        self.add(self.point(touching.red), self.point(touching.black), ohm, Material.SHORT)

    def finish(self, sources: tuple[int, ...]) -> Netlist:
        """Return the netlist: single branches first, then the chains."""
        singles, chains = self._singles, self._chains
        sizes = [len(chain[0]) for chain in chains]
        material = [np.array([int(single[3]) for single in singles])]
        material.append(np.repeat(np.array([int(chain[3]) for chain in chains]), sizes))
        feed = np.full(len(singles) + sum(sizes), -1)
        feed[: len(singles)] = [single[4] for single in singles]
        return Netlist(
            design=self.design,
            places=self.places,
            tail=_joined([single[0] for single in singles], [chain[0] for chain in chains]),
            head=_joined([single[1] for single in singles], [chain[1] for chain in chains]),
            ohm=_without_tiny(
                np.concatenate([[single[2] for single in singles], *[c[2] for c in chains]])
            ),
            material=np.concatenate(material),
            feed=feed,
            joint=self.joint | self.fuse,
            fuses=frozenset(self.fuse),
            sources=sources,
            returns=tuple(self.returns),
            shorts=tuple(self.shorts),
            point_count=self.count,
        )


def _without_tiny(ohm: FloatArray) -> FloatArray:
    """Return resistances with 0 for those below `_MIN_OHM`, whose conductance would be enormous."""
    return np.where(ohm < _MIN_OHM, 0.0, ohm)


def _joined(singles: list[int], chains: list[IndexArray]) -> IndexArray:
    return np.concatenate([np.array(singles, dtype=np.intp), *chains])


def build_netlist(
    design: Design, joint_ohm: Mapping[str, float], short_ohm: Mapping[Probe, float] | None = None
) -> Netlist:
    """Return the netlist of a design.

    Each length of wire or copper is one branch of ρ l / A; see `Conductor.ohm_per_mm`.

    Args:
        design: a valid design.
        joint_ohm: resistance of joints that are not as designed, by name, `math.inf` for open;
            the key `default` applies to all joints that are not named, and the name of a feed to
            its fuse. [Ω]
        short_ohm: resistance of shorts between two points, 0 or more. [Ω]

    Returns:
        The netlist; open joints remain in it with an infinite resistance.

    Raises:
        NameFault: the design has no such joint.
        InputError: a resistance is negative, infinite (of a short) or not a number.

    Source: resistances of `benchtest.prop.conductors`.
    """
    builder = _Builder(design)
    sources = tuple(_feed(builder, number, feed) for number, feed in enumerate(design.feeds))
    _strands(builder)
    _buses(builder)
    _joints(builder, joint_ohm)
    _shorts(builder, short_ohm or {})
    netlist = builder.finish(sources)
    blown = [name for name in joint_ohm if name in netlist.fuses]
    return netlist.changed({name: joint_ohm[name] for name in blown}) if blown else netlist


def _feed(builder: _Builder, number: int, feed: Feed) -> int:
    """Add both cables of a feed, from one inner point; the supply is in the `+` cable."""
    source = builder.new()
    cable_ohm = feed.wire.ohm_per_mm * feed.length_mm
    start = source
    for mohm, material in ((feed.source_mohm, Material.SOURCE), (feed.fuse_mohm, Material.FUSE)):
        if mohm > 0.0:
            near, start = start, builder.new()
            builder.add(near, start, mohm * 1e-3, material)
    plus, minus = builder.at(FeedName(feed.name))
    if has_fuse(builder.design, feed):
        # a fuse of unknown resistance is in series with the cable: blown, it opens the cable
        builder.fuse[feed.name] = builder.branches - (1 if feed.fuse_mohm > 0.0 else 0)
    builder.add(start, plus, cable_ohm, Material.CABLE, feed=number)
    builder.returns.append(builder.branches)
    builder.add(minus, source, cable_ohm, Material.CABLE)
    return source


def has_fuse(design: Design, feed: Feed) -> bool:
    """Return whether the prop keeps its volts while this feed gives no current.

    That takes another feed. A fuse is in the `+` lead only (common practice, no source); a supply
    that is switched off has the same effect.
    """
    return len(design.feeds) > 1 and (feed.length_mm > 0.0 or feed.fuse_mohm > 0.0)


def fuse_ohm(feed: Feed) -> float:
    """Return the resistance of the branch that a blown fuse opens. [Ω]

    It is that of the fuse, or ρ l / A of one cable where the fuse's is not known.
    """
    return feed.fuse_mohm * 1e-3 or feed.wire.ohm_per_mm * feed.length_mm


def _strands(builder: _Builder) -> None:
    """Add lead, pitches and lead of every strand, on each rail."""
    design, strands = builder.design, builder.design.strands
    ends = [
        [builder.at(StrandEnd(number, "A")), builder.at(StrandEnd(number, "B"))]
        for number in range(1, len(strands) + 1)
    ]
    per_mm = np.array([strand.wire.ohm_per_mm for strand in strands])
    pitch_ohm = per_mm * [strand.pitch_mm for strand in strands]
    lead_ohm = per_mm[:, None] * [strand.lead_mm for strand in strands]
    sizes = np.array([strand.nodes + 1 for strand in strands], dtype=np.intp)
    last = np.cumsum(sizes) - 1
    first = last - sizes + 1
    ohms = np.repeat(pitch_ohm, sizes)
    ohms[first], ohms[last] = lead_ohm.T
    # a strand has one branch more than nodes: the number after its last node is its end B
    node = np.arange(len(ohms)) - np.repeat(np.arange(len(strands)), sizes)
    for rail in (0, 1):
        head = node + rail * design.node_count
        tail = head - 1
        tail[first] = [near[rail] for near, _ in ends]
        head[last] = [far[rail] for _, far in ends]
        builder.chain(tail, head, ohms, Material.WIRE)


def _buses(builder: _Builder) -> None:
    """Add the segments from each pad to the next, on each rail."""
    for bus in builder.design.buses:
        pads = np.array([builder.at(pad) for pad in bus.run])
        material = Material.COPPER if bus.copper.board else Material.WIRE
        ohms = np.full(len(pads) - 1, bus.copper.ohm_per_mm * bus.spacing_mm)
        for rail in pads.T:
            builder.chain(rail[:-1], rail[1:], ohms, material)


def _joints(builder: _Builder, joint_ohm: Mapping[str, float]) -> None:
    """Add all joints; the wire of a link is in series with its joint."""
    design = builder.design
    _check_joints(design, joint_ohm)
    link_ohm = {link.name: link.length_mm * link.wire.ohm_per_mm for link in design.links}
    for joint in power_joints(design):
        assert joint.near is not None
        assert joint.far is not None
        near, far = builder.point(joint.near), builder.point(joint.far)
        wire_ohm = link_ohm.get(joint.name[:-1], 0.0)
        if wire_ohm > 0.0:
            middle = builder.new()
            builder.add(near, middle, wire_ohm, Material.WIRE)
            near = middle
        ohm = joint_ohm.get(joint.name, joint_ohm.get("default", joint.ohm))
        builder.add_joint(joint.name, near, far, ohm)


def _shorts(builder: _Builder, short_ohm: Mapping[Probe, float]) -> None:
    """Add the shorts: solder, whiskers and pinched wires between two points."""
    for touching, ohm in short_ohm.items():
        if not 0.0 <= ohm < math.inf:
            raise InputError(f"short {touching}: resistance is {ohm:g} Ω; give 0 or more")
        builder.add_short(touching, ohm)


def _check_joints(design: Design, joint_ohm: Mapping[str, float]) -> None:
    fuses = {feed.name for feed in design.feeds if has_fuse(design, feed)}
    for name, ohm in joint_ohm.items():
        if name in fuses:
            if not math.isinf(ohm):
                raise InputError(f"fuse of feed {name}: give inf for a blown one, or leave it out")
            continue
        if not ohm >= 0.0:
            raise InputError(f"joint {name}: resistance is {ohm:g} Ω; give 0 or more, or inf")
        if name != "default" and not find_joint(name, design).is_power:
            raise InputError(f"joint {name} carries data; give a power joint, such as {name[:-1]}+")


@dataclass(frozen=True, slots=True)
class Incidence:
    """Incidence matrix A of branches: +1 at the tail and -1 at the head of each.

    Attributes:
        tail: unknown at the tail of each branch, -1 for the reference point, shape (branches,).
        head: unknown at the head of each branch, shape (branches,).
        count: number of unknowns.

    Source: nodal analysis, as in any text on network theory.
    """

    tail: IndexArray
    head: IndexArray
    count: int

    def across(self, x: FloatArray) -> FloatArray:
        """Return Aᵀ x: the volts from tail to head of each branch.

        Args:
            x: unknowns, shape (unknowns,) or (unknowns, columns). [V]

        Returns:
            Shape (branches,) or (branches, columns). [V]
        """
        padded = np.concatenate([x, np.zeros((1, *x.shape[1:]))])  # -1 selects the reference
        return np.asarray(padded[self.tail] - padded[self.head])

    def gather(self, along: FloatArray) -> FloatArray:
        """Return A i: the current that branches take out of each unknown.

        Args:
            along: current from tail to head of each branch, shape (branches,) or (branches,
                columns). [A]

        Returns:
            Shape (unknowns,) or (unknowns, columns). [A]
        """
        if along.ndim == 2:
            summed = [self.gather(column) for column in along.T]
            return np.stack(summed, axis=1) if summed else np.zeros((self.count, 0))
        # bincount accepts no negative index: the reference becomes the first
        out = np.bincount(self.tail + 1, along, self.count + 1)
        back = np.bincount(self.head + 1, along, self.count + 1)
        return np.asarray((out - back)[1:])

    def only(self, rows: IndexArray) -> Incidence:
        """Return the incidence of some of the branches."""
        return Incidence(self.tail[rows], self.head[rows], self.count)

    def among(self, place: IndexArray, count: int) -> Incidence:
        """Return the incidence of the branches on some of the unknowns.

        Args:
            place: new index of each unknown, -1 for those left out and, last, for the reference
                point, shape (unknowns + 1,).
            count: number of unknowns that remain.
        """
        return Incidence(place[self.tail], place[self.head], count)

    def columns(self) -> FloatArray:
        """Return A as a dense matrix, shape (unknowns, branches)."""
        dense = np.zeros((self.count + 1, len(self.tail)))
        every = np.arange(len(self.tail))
        dense[self.tail, every] = 1.0
        dense[self.head, every] -= 1.0
        return dense[:-1]
