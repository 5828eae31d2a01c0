"""Reduction of a netlist to the unknowns of the nodal equations.

Points joined by zero resistance become one unknown, and open joints are left out, both exactly.
The conductance matrix that remains has no huge or tiny entries. Each component with a supply has
one reference point. Islands are the components that an open joint has cut off from every supply.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.backfeed import Backfeed, live_paths
from benchtest.circuit.netlist import FloatArray, IndexArray, Netlist
from benchtest.circuit.sparse_solver import connected_components
from benchtest.errors import CircuitFault


@dataclass(frozen=True)
class ReducedNetwork:
    """Unknowns of the nodal equations.

    The volts of a point are `x[unknown[point]] + offset[point] @ supply_v`, with x = 0 where
    `unknown` is -1.

    Attributes:
        unknown: unknown of each point, -1 for the reference or adrift, shape (points,).
        offset: volts of each point above its unknown, per volt of each supply, shape (points,
            feeds).
        adrift: True for points of an island without a data line, shape (points,).
        floating: True for points of any island, shape (points,).
        kept: branches with a resistance between 0 and infinity, shape (kept,).
        conductance_s: conductance of the kept branches, shape (kept,). [S]
        count: number of unknowns.
        component: label of each point, equal for points joined by copper, closed joints or
            supplies of any resistance, shape (points,).
        group: label of each point, equal for components that float together, shape (points,).
    """

    unknown: IndexArray
    offset: FloatArray
    adrift: NDArray[np.bool_]
    floating: NDArray[np.bool_]
    kept: IndexArray
    conductance_s: FloatArray
    count: int
    component: IndexArray
    group: IndexArray


def reduce_netlist(netlist: Netlist, paths: Backfeed) -> tuple[ReducedNetwork, Backfeed]:
    """Merge points, leave out open branches and number the unknowns that remain.

    Args:
        netlist: points and branches.
        paths: diode paths of all data lines.

    Returns:
        The unknowns, and the diode paths that feed an island.

    Raises:
        CircuitFault: a supply's rails, or supplies of different volts, are joined by zero
            resistance.
    """
    root, offset = _join_zero_ohm(netlist)
    joined = netlist.ohm > 0.0
    kept = np.flatnonzero(joined & np.isfinite(netlist.ohm))
    component = _components(netlist, root, kept)[root]
    sources = component[list(netlist.sources)]
    fed = np.zeros(netlist.point_count, dtype=bool)  # by component
    fed[sources] = True
    floating = ~fed[component]
    live = live_paths(paths, floating)
    fed[component[np.concatenate([live.tail, live.head])]] = True
    adrift = ~fed[component]

    group = _supply_groups(netlist, component, floating, live)
    references = _references(netlist, root, group)
    is_unknown = np.zeros(netlist.point_count, dtype=bool)
    is_unknown[root[~adrift]] = True
    is_unknown[references] = False
    number = np.full(netlist.point_count, -1, dtype=np.intp)
    number[is_unknown] = np.arange(is_unknown.sum())
    unknown = np.where(adrift, -1, number[root])
    kept = kept[~adrift[netlist.tail[kept]]]
    count, siemens = int(is_unknown.sum()), 1.0 / netlist.ohm[kept]
    reduced = ReducedNetwork(
        unknown, offset, adrift, floating, kept, siemens, count, component, group
    )
    return reduced, live


def _supply_groups(
    netlist: Netlist, component: IndexArray, floating: NDArray[np.bool_], live: Backfeed
) -> IndexArray:
    """Return labels of components, equal for an island and a component that feeds it.

    Two components with supplies get one label where current can flow from one to the other through
    nodes, and back through data lines and an island: they are not isolated.
    """
    nodes, size = netlist.design.node_count, component.max(initial=0) + 1
    by_paths = connected_components(size, component[live.tail], component[live.head])
    plus, minus = component[:nodes], component[nodes : 2 * nodes]
    fed = ~(floating[:nodes] | floating[nodes : 2 * nodes])
    returns = fed & (by_paths[plus] == by_paths[minus])
    label = connected_components(size, plus[returns], minus[returns])
    tail_floats = floating[live.tail]
    island = component[np.where(tail_floats, live.tail, live.head)]
    label[island] = label[component[np.where(tail_floats, live.head, live.tail)]]
    return np.asarray(label[component], dtype=np.intp)


def _references(netlist: Netlist, root: IndexArray, group: IndexArray) -> list[int]:
    """Return the reference of each group of components: the inner point of its first feed."""
    _, first = np.unique(group[list(netlist.sources)], return_index=True)
    return [int(root[netlist.sources[index]]) for index in sorted(first)]


def merged_points(netlist: Netlist) -> IndexArray:
    """Return a label of each point, equal for points joined by zero resistance without a supply.

    Returns:
        Shape (points,).
    """
    branches = np.flatnonzero((netlist.ohm == 0.0) & (netlist.feed < 0))
    return _components(netlist, np.arange(netlist.point_count), branches)


def _components(netlist: Netlist, root: IndexArray, branches: IndexArray) -> IndexArray:
    tail, head = root[netlist.tail[branches]], root[netlist.head[branches]]
    return connected_components(netlist.point_count, tail, head)


def _join_zero_ohm(netlist: Netlist) -> tuple[IndexArray, FloatArray]:
    """Return the point that each point merges into, and its volts above it per volt of supply.

    Returns:
        Shapes (points,) and (points, feeds).
    """
    root = np.arange(netlist.point_count)
    offset = np.zeros((netlist.point_count, len(netlist.sources)))
    for branch in np.flatnonzero(netlist.ohm == 0.0):
        tail, head = netlist.tail[branch], netlist.head[branch]
        # v[head] = v[tail] + supply, in volts above the root of either side
        step = offset[tail] - offset[head]
        if netlist.feed[branch] >= 0:
            step = step.copy()
            step[netlist.feed[branch]] += 1.0
        if root[tail] == root[head]:
            _check_loop(netlist, step)
            continue
        moved = root == root[head]
        offset[moved] += step
        root[moved] = root[tail]
    return root, offset


def _check_loop(netlist: Netlist, step: FloatArray) -> None:
    volts = np.array([feed.volts for feed in netlist.design.feeds])
    if abs(step @ volts) > 1e-12:
        in_loop = np.flatnonzero(step)
        if len(in_loop) == 1:
            raise CircuitFault(
                f"feed {netlist.design.feeds[in_loop[0]].name}: its two rails are joined by zero "
                "resistance, so that the current is unlimited; give its cable a length, or the "
                "short or a joint a resistance"
            )
        names = ", ".join(feed.name for feed in netlist.design.feeds)
        raise CircuitFault(
            f"feeds {names}: joined by zero resistance at different volts; "
            "give their cables a length or their joints a resistance"
        )
