"""The design of a prop and the names of its places: frozen values, no arithmetic but counting."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

from benchtest.prop.conductors import Conductor
from benchtest.prop.enough import USUAL_RULE, EnoughRule
from benchtest.prop.node_kinds import NodeKind

End = Literal["A", "B"]
Rail = Literal["+", "-"]
Lead = Literal["red", "black"]
"""One of a meter's two leads."""
RAILS: tuple[Rail, Rail] = ("+", "-")
HEALTHY_JOINT_OHM = 0.002
"""Resistance of a good joint as probed. [Ω] Common practice, no source: mostly wire and pad between
the probe tips."""


@dataclass(frozen=True, slots=True)
class Strand:
    """One run of nodes with two ends. Node 1 is nearest end A."""

    number: int
    nodes: int
    pitch_mm: float
    lead_mm: tuple[float, float]
    """Length of wire between the joint and the outermost node, at A and at B. [mm]"""
    wire: Conductor


@dataclass(frozen=True, slots=True, order=True)
class StrandEnd:
    """One end of a strand, written `4A`."""

    strand: int
    end: End

    @property
    def other(self) -> StrandEnd:
        """The far end of the same strand."""
        return StrandEnd(self.strand, "B" if self.end == "A" else "A")

    def __str__(self) -> str:
        return f"{self.strand}{self.end}"


@dataclass(frozen=True, slots=True, order=True)
class BusPad:
    """The pad of a bus at a strand, written `foot:4`."""

    bus: str
    strand: int

    def __str__(self) -> str:
        return f"{self.bus}:{self.strand}"


@dataclass(frozen=True, slots=True)
class Bus:
    """Copper that joins strand ends on both rails; pads are in the order of `ends`."""

    name: str
    ends: tuple[StrandEnd, ...]
    copper: Conductor
    spacing_mm: float
    ring: bool = False
    joint_ohm: float = HEALTHY_JOINT_OHM
    """Resistance of each of its joints when healthy. [Ω]"""

    @property
    def pads(self) -> tuple[BusPad, ...]:
        return tuple(BusPad(self.name, end.strand) for end in self.ends)

    @property
    def run(self) -> tuple[BusPad, ...]:
        """Pads in the order of the copper; in a ring the first is repeated at the end."""
        return self.pads + self.pads[:1] if self.ring and len(self.ends) > 2 else self.pads


@dataclass(frozen=True, slots=True)
class Link:
    """Two strand ends joined wire to wire, with one joint per conductor."""

    first: StrandEnd
    second: StrandEnd
    length_mm: float
    wire: Conductor
    rails: tuple[Rail, ...] = RAILS
    """Rails that it joins: only `-` between strands with supplies of their own."""
    joint_ohm: float = HEALTHY_JOINT_OHM

    @property
    def name(self) -> str:
        return f"{self.first}~{self.second}"


@dataclass(frozen=True, slots=True)
class Feed:
    """An ideal supply with its cable, and the joint of the cable on each rail."""

    name: str
    at: BusPad | StrandEnd
    volts: float
    wire: Conductor
    length_mm: float
    """Length of the cable, one way. [mm]"""
    fuse_a: float | None = None
    fuse_mohm: float = 0.0
    supply_a: float | None = None
    joint_ohm: float = HEALTHY_JOINT_OHM
    source_mohm: float = 0.0
    """Source resistance of the supply, as measured; 0 where it was not. [mΩ]"""


@dataclass(frozen=True, slots=True)
class NodeRun:
    """Neighbouring nodes of one strand, written `4.1-15`; a whole strand is written `4`."""

    strand: int
    first: int
    last: int

    @property
    def nodes(self) -> int:
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class Output:
    """One output of a controller, and the place of its nodes in E1.31 universes.

    Attributes:
        universe: universe of its first channel, 1 to 63999.
        channel: its first channel in that universe, 1 to 512.
        runs: nodes on it, in the order of data; empty for the whole prop.
        slots: slots used of each universe, from the first on, 1 to 512.
        packed: True where a node may span two universes.
        colour_order: its colour order on the wire; None for that of the node kind.
        null_nodes: addresses before the first node, which show nothing.
        group: neighbouring nodes that share one address.
        host: address of its controller; None for that of `--to`.
    """

    universe: int = 1
    channel: int = 1
    runs: tuple[NodeRun, ...] = ()
    slots: int = 512
    packed: bool = False
    colour_order: str | None = None
    null_nodes: int = 0
    group: int = 1
    host: str | None = None


@dataclass(frozen=True)
class Design:
    """One finished, wired decoration, as its file describes it."""

    name: str
    node: NodeKind
    strands: tuple[Strand, ...]
    data_path: tuple[StrandEnd, ...]
    """End by which data enters each strand, in the order of data; every strand once."""
    buses: tuple[Bus, ...] = ()
    links: tuple[Link, ...] = ()
    feeds: tuple[Feed, ...] = ()
    outputs: tuple[Output, ...] = (Output(),)
    """Outputs of the controller, in the order of data: each drives a data line of its own."""
    enough: EnoughRule = USUAL_RULE
    """Evidence from which a sign-off is offered, unless the bench has its own."""

    @cached_property
    def node_count(self) -> int:
        return sum(strand.nodes for strand in self.strands)

    @cached_property
    def first_index(self) -> tuple[int, ...]:
        """Index of node 1 of each strand in arrays over all nodes (strand after strand, A to B)."""
        starts, start = [], 0
        for strand in self.strands:
            starts.append(start)
            start += strand.nodes
        return tuple(starts)

    @cached_property
    def data_lines(self) -> tuple[tuple[int, int], ...]:
        """Positions of each output's nodes in the order of data: first, and after the last."""
        if len(self.outputs) == 1:
            return ((0, self.node_count),)
        found, start = [], 0
        for output in self.outputs:
            stop = start + sum(run.nodes for run in output.runs)
            found.append((start, stop))
            start = stop
        return tuple(found)

    def line_end(self, position: int) -> int:
        """Return the position after the last node of the data line that a position is on."""
        return next(stop for _, stop in self.data_lines if position < stop)

    def strand(self, number: int) -> Strand:
        """Return the strand of a number, from 1."""
        return self.strands[number - 1]

    def index(self, strand: int, node: int) -> int:
        """Return the index of a node in arrays over all nodes."""
        return self.first_index[strand - 1] + node - 1

    def node_at(self, index: int) -> NodeName:
        """Return the node at an index of arrays over all nodes."""
        for strand, start in zip(self.strands, self.first_index, strict=True):
            if index < start + strand.nodes:
                return NodeName(strand.number, index - start + 1)
        raise IndexError(f"node {index} of {self.node_count}")

    def at_celsius(self, celsius: float) -> Design:
        """Return the design with all its wire and board copper at another temperature. [°C]"""
        return self._map_conductors(lambda conductor: conductor.at_celsius(celsius))

    def scaled(self, *, current: float = 1.0, wire: float = 1.0, copper: float = 1.0) -> Design:
        """Return the design with some of its figures multiplied.

        Args:
            current: factor of the current of every node, dark or lit.
            wire: factor of the resistance of all wire but the feeds' cables.
            copper: factor of the resistance of all board copper.
        """
        kind = self.node
        node = replace(
            kind, channel_ma=kind.channel_ma * current, quiescent_ma=kind.quiescent_ma * current
        )
        scaled = replace(self, node=node)._map_conductors(
            lambda one: replace(one, ratio=one.ratio * (copper if one.board else wire))
        )
        return replace(scaled, feeds=self.feeds)

    def with_supply_volts(self, volts: Mapping[str, float]) -> Design:
        """Return the design with other supply volts; itself where nothing changes.

        Args:
            volts: volts of feeds, by name; other feeds keep theirs. [V]
        """
        feeds = tuple(replace(feed, volts=volts.get(feed.name, feed.volts)) for feed in self.feeds)
        return self if feeds == self.feeds else replace(self, feeds=feeds)

    def with_clad_strands(self) -> Design:
        """Return the design with strand wire of copper-clad aluminium; itself where all is."""
        strands = tuple(replace(strand, wire=strand.wire.as_clad()) for strand in self.strands)
        return self if strands == self.strands else replace(self, strands=strands)

    def _map_conductors(self, change: Callable[[Conductor], Conductor]) -> Design:
        """Return the design with all its wire and board copper changed."""
        return replace(
            self,
            strands=tuple(replace(s, wire=change(s.wire)) for s in self.strands),
            buses=tuple(replace(b, copper=change(b.copper)) for b in self.buses),
            links=tuple(replace(k, wire=change(k.wire)) for k in self.links),
            feeds=tuple(replace(f, wire=change(f.wire)) for f in self.feeds),
        )

    def bus_of(self, end: StrandEnd) -> Bus | None:
        """Return the bus that joins a strand end; None where none does."""
        return next((bus for bus in self.buses if end in bus.ends), None)


@dataclass(frozen=True, slots=True, order=True)
class NodeName:
    """One addressable light, written `4.17`."""

    strand: int
    node: int

    def __str__(self) -> str:
        return f"{self.strand}.{self.node}"


@dataclass(frozen=True, slots=True, order=True)
class FeedName:
    """The cable side of a feed's joint, written as the feed's name."""

    feed: str

    def __str__(self) -> str:
        return self.feed


Place = BusPad | StrandEnd | NodeName | FeedName
"""A place with both rails."""


@dataclass(frozen=True, slots=True)
class Point:
    """A place on one rail that a meter lead can touch, written `foot:4+`."""

    place: Place
    rail: Rail

    def __str__(self) -> str:
        return f"{self.place}{self.rail}"


@dataclass(frozen=True, slots=True)
class Probe:
    """The two points of one reading: `4A` for a rail voltage, else `red>black`."""

    red: Point
    black: Point

    @property
    def is_rail(self) -> bool:
        """True for the rail voltage at one place: red lead on +, black on -."""
        return (
            self.red.place == self.black.place and self.red.rail == "+" and self.black.rail == "-"
        )

    @property
    def points(self) -> frozenset[Point]:
        """The two points, without regard to which lead is on which."""
        return frozenset((self.red, self.black))

    @property
    def reversed(self) -> Probe:
        """The same two points with the leads exchanged."""
        return Probe(self.black, self.red)

    def __str__(self) -> str:
        return str(self.red.place) if self.is_rail else f"{self.red}>{self.black}"


def rail_probe(place: Place) -> Probe:
    """Return the probe for the rail voltage at a place: red lead on +, black on -."""
    return Probe(Point(place, "+"), Point(place, "-"))
