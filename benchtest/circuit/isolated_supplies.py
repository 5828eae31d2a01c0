"""Supplies that share no copper: what stands between them carries nothing.

A current that leaves a supply has to come back to it. Where nothing but nodes joins two supplies,
and all of them one way, there is no way back: the nodes between carry nothing, and one supply
floats against the other until the best fed of those nodes has no volts left.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from benchtest.circuit.netlist import FloatArray, IndexArray, Netlist
from benchtest.circuit.reduction import ReducedNetwork
from benchtest.errors import CircuitFault


@dataclass(frozen=True)
class IsolatedSupplies:
    """Nodes between supplies that share no copper.

    Attributes:
        part: label of each point, alike for points that copper or a supply joins, shape (points,).
        nodes: nodes whose two pads belong to different supplies, shape (between,).
        plus: part of their + pads, shape (between,).
        minus: part of their - pads, shape (between,).
    """

    part: IndexArray
    nodes: IndexArray
    plus: IndexArray
    minus: IndexArray

    def isolated_offset_v(self, point_v: FloatArray, nodes: int) -> FloatArray:
        """How far each point floats up with its supply.

        Args:
            point_v: volts of every point as if all supplies had one return, shape (points,). [V]
            nodes: how many nodes the prop has.

        Returns:
            To add to `point_v`, shape (points,). [V]
        """
        up_v = np.zeros(self.part.max(initial=0) + 1)
        up_v[self.minus] = -np.inf
        across_v = point_v[self.nodes] - point_v[self.nodes + nodes]
        for _ in range(len(up_v)):  # the longest chain of supplies passes each once
            before_v = up_v.copy()
            np.maximum.at(up_v, self.minus, up_v[self.plus] + across_v)
            if np.array_equal(before_v, up_v):
                break
        return np.asarray(up_v[self.part])

    def earthed(self, sources: tuple[int, ...]) -> list[int]:
        """One source for each group of supplies that copper or nodes join: the group's earth."""
        size = self.part.max(initial=0) + 1
        _, group = _joined(size, self.plus, self.minus, "weak")
        _, first = np.unique(group[self.part[list(sources)]], return_index=True)
        return [sources[index] for index in first]


def find_isolated_supplies(netlist: Netlist, reduced: ReducedNetwork) -> IsolatedSupplies:
    """Which nodes stand between supplies that share no copper.

    Raises:
        CircuitFault: current can go round through nodes from one supply to another and back; what
            then flows is no prop's business.
    """
    nodes = np.arange(netlist.design.node_count)
    count = len(nodes)
    part = reduced.part
    fed = ~(reduced.floating[:count] | reduced.floating[count : 2 * count])
    between = nodes[fed & (part[:count] != part[count : 2 * count])]
    isolated = IsolatedSupplies(part, between, part[between], part[between + count])
    if len(between):
        _check_one_way(netlist, isolated)
    return isolated


def _check_one_way(netlist: Netlist, isolated: IsolatedSupplies) -> None:
    size = isolated.part.max() + 1
    _, strong = _joined(size, isolated.plus, isolated.minus, "strong")
    round_it = strong[isolated.plus] == strong[isolated.minus]
    if round_it.any():
        node = netlist.design.node_at(int(isolated.nodes[round_it][0]))
        here = strong[isolated.plus[round_it][0]]
        feeds = zip(netlist.design.feeds, strong[isolated.part[list(netlist.sources)]], strict=True)
        names = ", ".join(feed.name for feed, label in feeds if label == here)
        raise CircuitFault(
            f"feeds {names} share no return, and current goes round through nodes such as {node}: "
            "their volts cannot be told; join the returns of these supplies"
        )


def _joined(
    size: int, tail: IndexArray, head: IndexArray, connection: Literal["weak", "strong"]
) -> tuple[int, IndexArray]:
    graph = coo_array((np.ones(len(tail)), (tail, head)), shape=(size, size))
    count, label = connected_components(graph, directed=True, connection=connection)
    return count, np.asarray(label, dtype=np.intp)
