"""From points and branches to the unknowns of the nodal equations.

Zero resistances join their points into one, exactly; open joints are left out, exactly. What
stays is a conductance matrix without huge or tiny entries, one earth for each part that has a
supply, and the islands: copper that an open joint has cut off from every supply.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from benchtest.circuit.backfeed import Backfeed, live_paths
from benchtest.circuit.netlist import FloatArray, IndexArray, Netlist
from benchtest.errors import CircuitFault


@dataclass(frozen=True)
class ReducedNetwork:
    """The nodal equations' unknowns.

    Volts of a point are `x[unknown[point]] + offset[point] @ supply_v`, with x = 0 where
    `unknown` is -1 (earth); points of an island that nothing feeds are in `adrift`.

    Attributes:
        unknown: unknown of each point, -1 for earth or adrift, shape (points,).
        offset: volts above its unknown per volt of each supply, shape (points, feeds).
        adrift: points that no supply and no data line reaches, shape (points,).
        floating: points of any island, fed by a data line or not, shape (points,).
        kept: branches with a resistance between 0 and infinity, shape (kept,).
        conductance_s: theirs, shape (kept,). [S]
        count: how many unknowns.
        part: label of each point, alike for points that copper, joints or supplies join, whatever
            their resistance, shape (points,).
    """

    unknown: IndexArray
    offset: FloatArray
    adrift: NDArray[np.bool_]
    floating: NDArray[np.bool_]
    kept: IndexArray
    conductance_s: FloatArray
    count: int
    part: IndexArray


def reduce_netlist(netlist: Netlist, paths: Backfeed) -> tuple[ReducedNetwork, Backfeed]:
    """Join, cut, and number what is left.

    Args:
        netlist: points and branches.
        paths: where data lines could feed an island.

    Returns:
        The unknowns, and the data lines that do feed an island.

    Raises:
        CircuitFault: a supply's rails, or supplies of different volts, are joined by zero
            resistance.
    """
    root, offset = _join_zero_ohm(netlist)
    joined = netlist.ohm > 0.0
    kept = np.flatnonzero(joined & np.isfinite(netlist.ohm))
    part = _parts(netlist, root, kept)[root]
    source_parts = part[list(netlist.sources)]
    fed = np.zeros(netlist.point_count, dtype=bool)  # by part, of which there are no more
    fed[source_parts] = True
    floating = ~fed[part]
    live = live_paths(paths, floating)
    fed[part[np.concatenate([live.tail, live.head])]] = True
    adrift = ~fed[part]

    earths = _earths(netlist, root, source_parts)
    is_unknown = np.zeros(netlist.point_count, dtype=bool)
    is_unknown[root[~adrift]] = True
    is_unknown[earths] = False
    number = np.full(netlist.point_count, -1, dtype=np.intp)
    number[is_unknown] = np.arange(is_unknown.sum())
    unknown = np.where(adrift, -1, number[root])
    kept = kept[~adrift[netlist.tail[kept]]]
    count, siemens = int(is_unknown.sum()), 1.0 / netlist.ohm[kept]
    reduced = ReducedNetwork(unknown, offset, adrift, floating, kept, siemens, count, part)
    return reduced, live


def _earths(netlist: Netlist, root: IndexArray, source_parts: IndexArray) -> list[int]:
    """One earth for each part that has a supply: the inner point of its first feed."""
    _, first = np.unique(source_parts, return_index=True)
    return [int(root[netlist.sources[index]]) for index in sorted(first)]


def merged_points(netlist: Netlist) -> IndexArray:
    """Points that zero resistance makes one, without passing a supply, share a label."""
    branches = np.flatnonzero((netlist.ohm == 0.0) & (netlist.feed < 0))
    return _parts(netlist, np.arange(netlist.point_count), branches)


def _parts(netlist: Netlist, root: IndexArray, branches: IndexArray) -> IndexArray:
    shape = (netlist.point_count, netlist.point_count)
    ends = (root[netlist.tail[branches]], root[netlist.head[branches]])
    graph = coo_array((np.ones(len(branches)), ends), shape=shape)
    _, label = connected_components(graph, directed=False)
    return np.asarray(label, dtype=np.intp)


def _join_zero_ohm(netlist: Netlist) -> tuple[IndexArray, FloatArray]:
    """Points that zero resistance makes one, each with its volts above the one they become."""
    root = np.arange(netlist.point_count)
    offset = np.zeros((netlist.point_count, len(netlist.sources)))
    for branch in np.flatnonzero(netlist.ohm == 0.0):
        tail, head = netlist.tail[branch], netlist.head[branch]
        # v[head] = v[tail] + supply, in volts above either side's root
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
        round_it = np.flatnonzero(step)
        if len(round_it) == 1:
            raise CircuitFault(
                f"feed {netlist.design.feeds[round_it[0]].name}: its two rails are joined by zero "
                "resistance, and no current is enough; give its cable a length, or the short or a "
                "joint a resistance"
            )
        names = ", ".join(feed.name for feed in netlist.design.feeds)
        raise CircuitFault(
            f"feeds {names}: joined by zero resistance at different volts; "
            "give their cables a length or their joints a resistance"
        )
