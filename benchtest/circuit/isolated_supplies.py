"""Isolated supplies: supplies without common copper, between which no current flows.

A current that leaves a supply must return to it. Where only nodes join two supplies, and all of
them in one direction, there is no return path: the nodes between carry no current, and one supply
floats against the other until the node with the highest supply among them has 0 V.
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
    """Nodes between isolated supplies.

    Attributes:
        component: label of each point, `ReducedNetwork.group`, shape (points,).
        nodes: nodes whose two pads belong to different supplies, shape (between,).
        plus: component of their + pads, shape (between,).
        minus: component of their - pads, shape (between,).
    """

    component: IndexArray
    nodes: IndexArray
    plus: IndexArray
    minus: IndexArray

    def isolated_offset_v(self, point_v: FloatArray, nodes: int) -> FloatArray:
        """Return the volts by which each point is lifted together with its supply.

        The lift u of a component is the largest that leaves no node between with a positive supply:
        u[minus] = max over nodes of u[plus] + v[+ pad] - v[- pad].

        Args:
            point_v: volts of every point as if all returns were joined, shape (points,). [V]
            nodes: number of nodes of the prop.

        Returns:
            Volts to add to `point_v`, shape (points,). [V]

        Source: the same as longest paths, solved by the iteration of Bellman and Ford.
        """
        up_v = np.zeros(self.component.max(initial=0) + 1)
        up_v[self.minus] = -np.inf
        across_v = point_v[self.nodes] - point_v[self.nodes + nodes]
        for _ in range(len(up_v)):  # the longest chain of supplies visits each once
            before_v = up_v.copy()
            np.maximum.at(up_v, self.minus, up_v[self.plus] + across_v)
            if np.array_equal(before_v, up_v):
                break
        return np.asarray(up_v[self.component])

    def reference_sources(self, sources: tuple[int, ...]) -> list[int]:
        """Return the reference of each group of supplies that copper or nodes join.

        Args:
            sources: inner point of each feed's supply.
        """
        size = self.component.max(initial=0) + 1
        _, group = _joined(size, self.plus, self.minus, "weak")
        _, first = np.unique(group[self.component[list(sources)]], return_index=True)
        return [sources[index] for index in first]


def find_isolated_supplies(netlist: Netlist, reduced: ReducedNetwork) -> IsolatedSupplies:
    """Return the nodes between isolated supplies.

    Args:
        netlist: points and branches.
        reduced: its unknowns.

    Raises:
        CircuitFault: current can circulate through nodes from one supply to another and back, which
            no real prop is built for.
    """
    nodes = np.arange(netlist.design.node_count)
    count = len(nodes)
    component = reduced.group
    fed = ~(reduced.floating[:count] | reduced.floating[count : 2 * count])
    between = nodes[fed & (component[:count] != component[count : 2 * count])]
    isolated = IsolatedSupplies(component, between, component[between], component[between + count])
    if len(between):
        _check_one_way(netlist, isolated)
    return isolated


def _check_one_way(netlist: Netlist, isolated: IsolatedSupplies) -> None:
    size = isolated.component.max() + 1
    _, strong = _joined(size, isolated.plus, isolated.minus, "strong")
    in_loop = strong[isolated.plus] == strong[isolated.minus]
    if in_loop.any():
        node = netlist.design.node_at(int(isolated.nodes[in_loop][0]))
        here = strong[isolated.plus[in_loop][0]]
        feeds = zip(
            netlist.design.feeds, strong[isolated.component[list(netlist.sources)]], strict=True
        )
        names = ", ".join(feed.name for feed, label in feeds if label == here)
        raise CircuitFault(
            f"feeds {names} have no common return, and current circulates through nodes such as "
            f"{node}: their volts are undefined; join the returns of these supplies"
        )


def _joined(
    size: int, tail: IndexArray, head: IndexArray, connection: Literal["weak", "strong"]
) -> tuple[int, IndexArray]:
    graph = coo_array((np.ones(len(tail)), (tail, head)), shape=(size, size))
    count, label = connected_components(graph, directed=True, connection=connection)
    return count, np.asarray(label, dtype=np.intp)
