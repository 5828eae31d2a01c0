"""Wiring faults and wrong settings: what they tell the nodes, and which volts they take away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, permutations
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution
from benchtest.prop.data_path import strand_order
from benchtest.prop.design import Design, FeedName, Place, Probe, StrandEnd

Number = TypeVar("Number", bound=np.generic)

SHORTED_V = 0.3
"""Standard deviation of any volts while rails are joined or a fuse is gone: what a supply that
holds back leaves, and what data lines leak in. [V] Common practice, no source."""
REPEATED_V = 0.05
"""Standard deviation of such volts from one reading to the next at one probe, with a supply that
limits its current: data lines leak in more or less with what is lit. [V] Common practice, no
source."""
LEAKED_V = 0.002
"""Standard deviation of a drop along one rail of copper whose fuse is gone, from what data lines
leak in: some milliamperes through some tenths of an ohm. [V] Ours."""
SHORTED_A = 10.0
"""Standard deviation of a feed's current into joined rails. [A] Common practice, no source: some
supplies give all they can, others nothing."""


@dataclass(frozen=True, eq=False)
class DataRemap:
    """Nodes that get data, but not their own.

    Attributes:
        nodes: the nodes, as places in arrays over all nodes, shape (n,).
        source: whose data each of them gets, shape (n,).
        columns: the colour that each of its channels takes for its own, shape (colours,); None
            where that is right.
    """

    nodes: NDArray[np.intp]
    source: NDArray[np.intp]
    columns: tuple[int, ...] | None = None

    def received(self, asked: NDArray[Number]) -> NDArray[Number]:
        """What every node is told.

        Args:
            asked: what it should be told, shape (nodes, colours); of any type.

        Returns:
            The same shape and type.
        """
        received = asked.copy()
        received[self.nodes] = self.own(asked)
        return received

    def own(self, asked: NDArray[Number]) -> NDArray[Number]:
        """What its own nodes are told, shape (n, colours); see `received`."""
        own = asked[self.source]
        return own if self.columns is None else own[:, self.columns]


def swaps(design: Design) -> list[tuple[str, DataRemap]]:
    """Each two neighbours of the data path that stand in each other's place on it.

    Data enters each place of the path at the end that it always entered there, since the wires
    from place to place run where they ran: the second strand is entered at the first one's end.
    """
    return [
        (f"{one.strand} {two.strand}", swap(design, one, two))
        for one, two in pairwise(design.data_path)
    ]


def swap(design: Design, one: StrandEnd, two: StrandEnd) -> DataRemap:
    """Two strands that follow each other on the data path, exchanged.

    Args:
        design: the prop.
        one: where data should enter the first of them.
        two: where data should enter the second.
    """
    meant = [strand_order(design, one), strand_order(design, two)]
    first, second = StrandEnd(two.strand, one.end), StrandEnd(one.strand, two.end)
    reached = [strand_order(design, first), strand_order(design, second)]
    return DataRemap(np.concatenate(reached), np.concatenate(meant))


def other_orders(colours: Sequence[str]) -> list[tuple[int, ...]]:
    """Every order of red, green and blue but the right one; white is taken for right.

    >>> other_orders(("red", "green", "blue"))
    [(0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)]
    """
    rest = tuple(range(3, len(colours)))
    return [order + rest for order in permutations(range(min(3, len(colours))))][1:]


def recoloured(nodes: NDArray[np.intp], order: tuple[int, ...]) -> DataRemap:
    """Nodes that take their colours in another order."""
    return DataRemap(nodes, nodes, order)


@dataclass(frozen=True)
class DeadCopper:
    """Copper that has no volts: its rails are joined, or the fuse of its only feed is gone.

    Attributes:
        strands: strands on it.
        feeds: feeds on it.
        amps_sd: what the feeds may still give, one standard deviation. [A]
    """

    strands: frozenset[int]
    feeds: frozenset[str]
    amps_sd: float

    def takes(self, probe: Probe) -> bool:
        """Return True where a lead is on it."""
        return self.has(probe.red.place) or self.has(probe.black.place)

    def runs_along(self, probe: Probe) -> bool:
        """Return True where both leads are on one rail of it."""
        both = self.has(probe.red.place) and self.has(probe.black.place)
        return both and probe.red.rail == probe.black.rail

    def has(self, place: Place) -> bool:
        """Return True for a place on it: its rails are near the returns of the supplies."""
        if isinstance(place, FeedName):
            return place.feed in self.feeds
        return place.strand in self.strands

    def nodes(self, design: Design) -> NDArray[np.intp]:
        """Its nodes, as places in arrays over all nodes."""
        runs = [strand_order(design, StrandEnd(number, "A")) for number in sorted(self.strands)]
        return np.concatenate(runs)


def shorts(design: Design) -> list[tuple[str, DeadCopper]]:
    """Each feed that may have nothing behind it, and what goes with it.

    Rails joined anywhere take the volts from all copper that is joined to there. A fuse takes
    them only where no other feed goes on; else it is the feed's open joint by another name.
    """
    found = []
    for feed in design.feeds:
        for strands, feeds in supplied(design):
            if feed.name in feeds and strands:
                found.append((feed.name, DeadCopper(strands, feeds, SHORTED_A)))
                if len(feeds) == 1:
                    found.append((feed.name, DeadCopper(strands, feeds, 0.0)))
    return found


def supplied(design: Design) -> list[tuple[frozenset[int], frozenset[str]]]:
    """Strands and feeds whose supply rails are one piece of copper, piece by piece."""
    pieces: list[set[int | str]] = [{strand.number} for strand in design.strands]
    joined: list[set[int | str]] = [{end.strand for end in bus.ends} for bus in design.buses]
    joined += [{k.first.strand, k.second.strand} for k in design.links if "+" in k.rails]
    joined += [{feed.at.strand, feed.name} for feed in design.feeds]
    for group in joined:
        met = [piece for piece in pieces if piece & group]
        pieces = [piece for piece in pieces if not piece & group]
        pieces.append(group.union(*met))
    return [
        (
            frozenset(one for one in piece if isinstance(one, int)),
            frozenset(one for one in piece if isinstance(one, str)),
        )
        for piece in pieces
    ]


def extra_a(remap: DataRemap, solution: Solution) -> tuple[NDArray[np.intp], FloatArray]:
    """What nodes draw more than they should.

    Returns:
        Nodes that are told something else, shape (n,), and their more, shape (n,) [A].
    """
    asked = solution.duty[remap.nodes]
    received = remap.own(solution.duty)
    other = np.flatnonzero((received != asked).any(axis=1))
    if not len(other):  # most of the time: white is white in any order
        return other, np.zeros(0)
    nodes, kind = remap.nodes[other], solution.circuit.design.node
    volts = solution.node_v[nodes]
    drawn = node_loads(kind, volts, received[other]).node_a
    return nodes, drawn - node_loads(kind, volts, asked[other]).node_a
