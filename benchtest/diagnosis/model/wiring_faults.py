"""Wiring faults and wrong settings: the data each node receives, and copper without voltage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution
from benchtest.prop.design import Design, FeedName, Place, Probe, StrandEnd
from benchtest.prop.joints import path_hops, strand_order

Number = TypeVar("Number", bound=np.generic)

SHORTED_SD_V = 0.3
"""Standard deviation of any voltage on shorted copper, or behind a blown fuse: what a limiting
supply leaves and what the data lines leak in. [V] Common practice, no source."""
REPEATED_SD_V = 0.05
"""Standard deviation of such a voltage from one reading to the next at one probe, with a supply
that limits its current: leakage from the data lines varies with the lit set. [V] Common practice,
no source."""
LEAKED_SD_A = 0.01
"""Standard deviation of the leakage of data lines into copper whose fuse is blown: its drop along a
rail is this times the resistance there. [A] Common practice, no source."""
SHORTED_SD_A = 10.0
"""Standard deviation of a feed's current into a short. [A] Common practice, no source: some
supplies give all they can, others nothing."""


@dataclass(frozen=True, eq=False)
class DataRemap:
    """Nodes that receive the data of other nodes or channels, or their own in another colour order.

    Attributes:
        nodes: affected nodes, as indices into arrays over all nodes, shape (n,).
        source: node whose data each of them receives, shape (n,).
        columns: channel that each channel receives, shape (colours,); None if unchanged.
        channels: channel of the flat frame that each channel receives, -1 for none, shape (n,
            colours); None if whole nodes are received.
    """

    nodes: NDArray[np.intp]
    source: NDArray[np.intp]
    columns: tuple[int, ...] | None = None
    channels: NDArray[np.intp] | None = None

    def received(self, sent: NDArray[Number]) -> NDArray[Number]:
        """Return the data that every node receives.

        Args:
            sent: data sent to each node, shape (nodes, colours); of any type.

        Returns:
            The same shape and type.
        """
        received = sent.copy()
        received[self.nodes] = self.received_at_nodes(sent)
        return received

    def received_at_nodes(self, sent: NDArray[Number]) -> NDArray[Number]:
        """Return the data that the affected nodes receive, shape (n, colours).

        Args:
            sent: data sent to each node, shape (nodes, colours).
        """
        if self.channels is not None:
            return np.append(sent.reshape(-1), np.zeros(1, sent.dtype))[self.channels]
        received = sent[self.source]
        return received if self.columns is None else received[:, self.columns]


def swaps(design: Design) -> list[tuple[str, DataRemap]]:
    """Return every pair of strands adjacent on the data path, exchanged, with its name.

    Data enters each position of the path at the end where it always entered, since the wires
    between positions do not move: the second strand is entered at the first one's end.
    """
    return [
        (f"{leaving.strand} {two.strand}", swap(design, leaving.other, two))
        for leaving, two in path_hops(design)
    ]


def swap(design: Design, one: StrandEnd, two: StrandEnd) -> DataRemap:
    """Return the remapping of two strands, adjacent on the data path, that are exchanged.

    Args:
        design: the prop.
        one: end at which data is meant to enter the first of them.
        two: end at which data is meant to enter the second.
    """
    intended = [strand_order(design, one), strand_order(design, two)]
    first, second = StrandEnd(two.strand, one.end), StrandEnd(one.strand, two.end)
    reached = [strand_order(design, first), strand_order(design, second)]
    return DataRemap(np.concatenate(reached), np.concatenate(intended))


def other_orders(colours: Sequence[str]) -> list[tuple[int, ...]]:
    """Return every wrong order of red, green and blue; white keeps its position.

    >>> other_orders(("red", "green", "blue"))
    [(0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)]
    """
    rest = tuple(range(3, len(colours)))
    return [order + rest for order in permutations(range(min(3, len(colours))))][1:]


def recoloured(nodes: NDArray[np.intp], order: tuple[int, ...]) -> DataRemap:
    """Return the remapping of nodes that use another colour order."""
    return DataRemap(nodes, nodes, order)


@dataclass(frozen=True)
class DeadCopper:
    """Copper without voltage: its rails are shorted, or the fuse of its only feed is blown.

    Attributes:
        strands: numbers of the strands on it.
        feeds: names of the feeds on it.
        amps_sd: standard deviation of the current that its feeds may still give; 0 with a blown
            fuse. [A]
    """

    strands: frozenset[int]
    feeds: frozenset[str]
    amps_sd: float

    def has_lead(self, probe: Probe) -> bool:
        """Return True if a lead of the probe is on it."""
        return self.contains(probe.red.place) or self.contains(probe.black.place)

    def is_along_rail(self, probe: Probe) -> bool:
        """Return True if both leads of the probe are on one rail of it."""
        both = self.contains(probe.red.place) and self.contains(probe.black.place)
        return both and probe.red.rail == probe.black.rail

    def contains(self, place: Place) -> bool:
        """Return True for a place on it. Its rails are near the common return of all supplies."""
        if isinstance(place, FeedName):
            return place.feed in self.feeds
        return place.strand in self.strands

    def nodes(self, design: Design) -> NDArray[np.intp]:
        """Return its nodes, as indices into arrays over all nodes, shape (n,)."""
        runs = [strand_order(design, StrandEnd(number, "A")) for number in sorted(self.strands)]
        return np.concatenate(runs)


def dead_copper(design: Design) -> list[tuple[str, DeadCopper]]:
    """Return the copper that each feed may leave without voltage, with the feed's name.

    A short anywhere removes the voltage from all copper connected to it. A blown fuse does so only
    where no other feed supplies the copper; otherwise it equals the open joint of that feed.
    """
    found = []
    for feed in design.feeds:
        for strands, feeds in connected_supplies(design):
            if feed.name in feeds and strands:
                found.append((feed.name, DeadCopper(strands, feeds, SHORTED_SD_A)))
                if len(feeds) == 1:
                    found.append((feed.name, DeadCopper(strands, feeds, 0.0)))
    return found


def connected_supplies(design: Design) -> list[tuple[frozenset[int], frozenset[str]]]:
    """Return strands and feeds grouped by connected pieces of supply-rail copper.

    Returns:
        For each piece, the numbers of its strands and the names of its feeds.
    """
    pieces: list[set[int | str]] = [{strand.number} for strand in design.strands]
    groups: list[set[int | str]] = [{end.strand for end in bus.ends} for bus in design.buses]
    groups += [{k.first.strand, k.second.strand} for k in design.links if "+" in k.rails]
    groups += [{feed.at.strand, feed.name} for feed in design.feeds]
    for group in groups:
        connected = [piece for piece in pieces if piece & group]
        pieces = [piece for piece in pieces if not piece & group]
        pieces.append(group.union(*connected))
    return [
        (
            frozenset(member for member in piece if isinstance(member, int)),
            frozenset(member for member in piece if isinstance(member, str)),
        )
        for piece in pieces
    ]


def extra_a(remap: DataRemap, solution: Solution) -> tuple[NDArray[np.intp], FloatArray]:
    """Return the additional current of nodes that receive other data than their own.

    The nodes' voltages are those of the solution, unchanged.

    Returns:
        Nodes whose data differs, shape (n,), and their additional current, shape (n,). [A]
    """
    intended = solution.duty[remap.nodes]
    received = remap.received_at_nodes(solution.duty)
    changed = np.flatnonzero((received != intended).any(axis=1))
    if not len(changed):  # the usual case: white is the same in every colour order
        return changed, np.zeros(0)
    nodes, kind = remap.nodes[changed], solution.circuit.design.node
    volts = solution.node_v[nodes]
    drawn_a = node_loads(kind, volts, received[changed]).node_a
    return nodes, drawn_a - node_loads(kind, volts, intended[changed]).node_a
