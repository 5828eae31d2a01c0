"""Circuit of one prop, factored once for any number of lit sets.

Nodal analysis on both rails. The unknowns are the volts of the points; each node is a current that
depends on the volts between its own two pads.
Source: nodal analysis with admittance matrices, as in any text on network theory.

Supplies without common copper are isolated: no current flows between them. A current that leaves a
supply must return to it. Where only nodes join two supplies, and all of them in one direction,
there is no return path: the nodes between carry no current, and one supply floats against the other
until the node with the highest supply among them has 0 V.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.backfeed import backfeed_paths
from benchtest.circuit.ladder import Factor, Ladders
from benchtest.circuit.netlist import FloatArray, Incidence, IndexArray, Netlist, build_netlist
from benchtest.circuit.reduction import ReducedNetwork, reduce_netlist
from benchtest.circuit.sparse_solver import connected_components
from benchtest.errors import CircuitFault
from benchtest.prop.design import Design, Probe


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
        group = connected_components(size, self.plus, self.minus)
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
    strong = _strong_components(size, isolated.plus, isolated.minus)
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


def _strong_components(size: int, tail: IndexArray, head: IndexArray) -> IndexArray:
    """Return a label of each vertex, equal for those with paths both ways, shape (size,)."""
    from scipy.sparse import coo_array  # takes long to load, and few props need it
    from scipy.sparse.csgraph import connected_components as labels

    ends = tail.astype(np.int32), head.astype(np.int32)  # SciPy 1.11 labels nothing otherwise
    graph = coo_array((np.ones(len(tail)), ends), shape=(size, size))
    _, label = labels(graph, directed=True, connection="strong")
    return np.asarray(label, dtype=np.intp)


_OF_CONDUCTANCES = {"factor", "driven_a", "_ladders"}
"""Cached attributes that depend on the resistance of joints."""
_OF_COPPER = {
    "incidence",
    "load_incidence",
    "path_incidence",
    "joint_rows",
    "feed_rows",
    "joint_incidence",
    "supply_matrix",
    "cut_off",
}
"""Cached attributes that change when a joint is opened or closed."""


class Circuit:
    """Circuit of one prop, factored.

    Attributes:
        design: the prop.
        netlist: its points and branches.
        reduced: its unknowns.
        floating: True for points that an open joint cuts off from every supply, shape (points,).
        isolated: nodes between isolated supplies.
        backfeed: diode paths that feed such points.
        supply_v: volts of each supply, shape (feeds,). [V]
    """

    def __init__(
        self,
        design: Design,
        joint_ohm: Mapping[str, float] | None = None,
        short_ohm: Mapping[Probe, float] | None = None,
    ) -> None:
        """Build the netlist and its unknowns.

        Args:
            design: a valid design.
            joint_ohm: resistance of joints that are not as designed, `math.inf` for open; the key
                `default` applies to all that are not named. [Ω]
            short_ohm: resistance of shorts between two points, 0 or more. [Ω]

        Raises:
            NameFault: the design has no such joint.
            InputError: a resistance is negative.
            CircuitFault: a supply's rails, or supplies of different volts, are joined by zero
                resistance; or current circulates through supplies without a common return.
        """
        self.design = design
        self._use(build_netlist(design, joint_ohm or {}, short_ohm))

    def _use(self, netlist: Netlist) -> None:
        design = self.design
        self.netlist = netlist
        self.reduced, self.backfeed = reduce_netlist(self.netlist, backfeed_paths(self.netlist))
        self.floating = self.reduced.floating
        self.isolated = find_isolated_supplies(self.netlist, self.reduced)
        self.supply_v = np.array([feed.volts for feed in design.feeds])
        # a node carries current only with copper of one supply at both its pads
        adrift = self.reduced.adrift
        loaded = ~(adrift[: design.node_count] | adrift[design.node_count : 2 * design.node_count])
        loaded[self.isolated.nodes] = False
        self._loaded = np.flatnonzero(loaded)

    def changed(self, joint_ohm: Mapping[str, float]) -> Circuit:
        """Return the circuit with other resistances of some joints.

        The result is equal to the last digit to a circuit built from scratch. Where no joint is
        opened or closed, it shares everything but the conductances.

        Args:
            joint_ohm: resistance of joints by name, `math.inf` for open. [Ω]
        """
        netlist = self.netlist.changed(joint_ohm)
        other = copy(self)
        for name in vars(self).keys() & _OF_CONDUCTANCES:
            del vars(other)[name]
        touched = [netlist.joint[name] for name in joint_ohm]
        now_ohm = netlist.ohm[touched]
        if np.isin(touched, self.kept).all() and ((now_ohm > 0.0) & np.isfinite(now_ohm)).all():
            siemens = 1.0 / netlist.ohm[self.kept]
            other.netlist = netlist
            other.reduced = replace(self.reduced, conductance_s=siemens)
            other._ladders = self._ladders.changed(siemens)
        else:
            for name in vars(self).keys() & _OF_COPPER:
                del vars(other)[name]
            other._use(netlist)
        return other

    def shares_unknowns(self, other: Circuit) -> bool:
        """Return whether both circuits have the same unknowns at the same points."""
        return self.reduced.unknown is other.reduced.unknown

    @cached_property
    def incidence(self) -> Incidence:
        """Incidence of the kept branches."""
        kept = self.reduced.kept
        return self._between(self.netlist.tail[kept], self.netlist.head[kept])

    @cached_property
    def load_incidence(self) -> Incidence:
        """Incidence of the loaded nodes, from + pad to - pad."""
        return self._between(self._loaded, self._loaded + self.design.node_count)

    @cached_property
    def path_incidence(self) -> Incidence:
        """Incidence of the diode paths in `backfeed`."""
        return self._between(self.backfeed.tail, self.backfeed.head)

    def _between(self, tail: IndexArray, head: IndexArray) -> Incidence:
        unknown = self.reduced.unknown
        return Incidence(unknown[tail], unknown[head], self.reduced.count)

    @cached_property
    def _ladders(self) -> Ladders:
        return Ladders(self.netlist, self.reduced)

    @cached_property
    def factor(self) -> Factor:
        """Factors of copper and joints alone, which suffice while all loads are constant."""
        return self.factor_at(np.zeros(len(self._loaded)))

    def is_flat(self, factor: Factor) -> bool:
        """Return whether factors are those of copper and joints alone.

        A prop with islands has none: only its nodes determine the volts of the islands.
        """
        return not len(self.backfeed.tail) and factor is self.factor

    def factor_at(self, slope_s: FloatArray, path_s: FloatArray | None = None) -> Factor:
        """Factor the Jacobian A G Aᵀ + A_l S A_lᵀ of the nodal equations.

        Args:
            slope_s: slope S of each loaded node's current, shape (loaded,). [S]
            path_s: conductance of each diode path in `backfeed`, shape (paths,). [S]

        Source: derivative of the nodal equations, see `benchtest.circuit.solution`.
        """
        unknown, paths = self.reduced.unknown, self.backfeed
        slopes_s = np.zeros(self.design.node_count)
        slopes_s[self._loaded] = slope_s
        more = None if path_s is None else (unknown[paths.tail], unknown[paths.head], path_s)
        return Factor(self._ladders, self.load_ends, slopes_s, more)

    @property
    def load_ends(self) -> tuple[IndexArray, IndexArray]:
        """Unknowns of every node's + and - pad, -1 for the reference or adrift, (nodes,) each."""
        nodes, unknown = self.design.node_count, self.reduced.unknown
        return unknown[:nodes], unknown[nodes : 2 * nodes]

    @cached_property
    def joint_rows(self) -> tuple[list[str], IndexArray]:
        """Joints that carry current: their names, and their indices among the kept branches."""
        rows = self._row_of[list(self.netlist.joint.values())]
        names = [name for name, row in zip(self.netlist.joint, rows, strict=True) if row >= 0]
        return names, rows[rows >= 0]

    @cached_property
    def feed_rows(self) -> IndexArray:
        """A branch with the whole current of each feed, shape (feeds,).

        It is the return cable, else a joint of the feed, as an index among the kept branches; -1
        where neither has a resistance, or where the feed is cut off.
        """
        cables, joint = np.array(self.netlist.returns, dtype=np.intp), self.netlist.joint
        joints = [[joint[f"{feed.name}{rail}"] for feed in self.design.feeds] for rail in "-+"]
        rows = self._row_of[np.vstack([cables, *joints])]
        best = (rows >= 0).argmax(axis=0)
        return np.asarray(rows[best, np.arange(len(cables))], dtype=np.intp)

    @property
    def _row_of(self) -> IndexArray:
        """Index of each branch among the kept ones, -1 for none, shape (branches,)."""
        row_of = np.full(len(self.netlist.ohm), -1)
        row_of[self.kept] = np.arange(len(self.kept))
        return row_of

    @cached_property
    def joint_incidence(self) -> Incidence:
        """Incidence of the joints that carry current."""
        return self.incidence.only(self.joint_rows[1])

    @cached_property
    def supply_matrix(self) -> FloatArray:
        """Volts in each kept branch per volt of each supply, shape (kept, feeds). [V/V]"""
        kept, offset = self.reduced.kept, self.reduced.offset
        inside = self.netlist.feed[kept][:, None] == np.arange(len(self.supply_v))
        tail, head = self.netlist.tail[kept], self.netlist.head[kept]
        return np.asarray(offset[tail] - offset[head] + inside, dtype=np.float64)

    @cached_property
    def driven_a(self) -> FloatArray:
        """Current that the supplies drive into each unknown, -A G e, shape (unknowns,). [A]"""
        supply = self.supply_matrix @ self.supply_v
        return -self.incidence.gather(self.conductance_s * supply)

    @property
    def kept(self) -> IndexArray:
        """Branches that are neither open nor of zero resistance, shape (kept,)."""
        return self.reduced.kept

    @property
    def conductance_s(self) -> FloatArray:
        """Conductance of the kept branches, shape (kept,). [S]"""
        return self.reduced.conductance_s

    @cached_property
    def cut_off(self) -> NDArray[np.bool_]:
        """True for nodes with a pad on an island, shape (nodes,)."""
        nodes = self.design.node_count
        return np.asarray(self.floating[:nodes] | self.floating[nodes : 2 * nodes])

    @property
    def loaded(self) -> IndexArray:
        """Nodes with copper of one supply at both pads, as indices of arrays over all nodes."""
        return self._loaded

    def probe_incidence(self, probes: Sequence[Probe]) -> Incidence:
        """Return the incidence of probes, red lead to black; copper adrift is the reference."""
        return self._between(*self.netlist.leads(probes))

    def probe_offset(self, probes: Sequence[Probe]) -> FloatArray:
        """Return the volts that supplies add to the unknowns of probes, (probes, feeds). [V/V]"""
        red, black = self.netlist.leads(probes)
        return np.asarray(self.reduced.offset[red] - self.reduced.offset[black])

    def point_volts(self, x: FloatArray) -> FloatArray:
        """Return the volts of every point; 0 for points adrift.

        Args:
            x: unknowns, shape (unknowns,). [V]

        Returns:
            Shape (points,). [V]
        """
        reduced = self.reduced
        padded = np.append(x, 0.0)  # -1 selects the reference
        return np.asarray(padded[reduced.unknown] + reduced.offset @ self.supply_v)
