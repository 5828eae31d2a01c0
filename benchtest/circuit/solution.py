"""Solution of a circuit: volts of all points, and currents of nodes, branches and feeds."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from benchtest.circuit.ladder import COLUMNS_AT_ONCE
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.newton import OperatingPoint, solve_operating_point
from benchtest.circuit.node_loads import NodeLoads
from benchtest.circuit.reduction import merged_points
from benchtest.prop.design import NodeName, Probe


class Solution:
    """Volts and currents of a prop with given channels lit.

    Attributes:
        circuit: the circuit.
        duty: share of full current asked of each channel, shape (nodes, colours).
        x: unknowns, shape (unknowns,). [V]
        factor: factors of the Jacobian at this solution, for small changes.
        slope_s: slope of the current of each loaded node, shape (loaded,). [S]
        load_a: current of each loaded node, shape (loaded,). [A]
        point_v: volts of every point, shape (points,). [V]
    """

    def __init__(
        self,
        circuit: Circuit,
        duty: FloatArray,
        point: OperatingPoint,
    ) -> None:
        self.circuit = circuit
        self.duty = duty
        self.x = point.x
        self.factor = point.factor
        self.slope_s = point.loads.slope_s
        self.load_a = point.loads.node_a
        self._channel_a = point.loads.channel_a
        self.point_v = circuit.point_volts(self.x)
        if len(circuit.isolated.nodes):
            self.point_v += circuit.isolated.isolated_offset_v(
                self.point_v, circuit.design.node_count
            )
        self._set_adrift()

    def _set_adrift(self) -> None:
        """Set the volts of copper adrift, as its nodes conduct from or to fed copper.

        A return rises to the highest + of its nodes, a supply falls to the lowest -.
        """
        circuit, nodes = self.circuit, self.circuit.design.node_count
        adrift = circuit.reduced.adrift
        if not adrift.any():
            return
        fed_v = np.where(adrift, np.nan, self.point_v)
        opposite_v = np.concatenate([fed_v[nodes : 2 * nodes], fed_v[:nodes]])
        component = circuit.reduced.component
        self.point_v[adrift] = 0.0
        for number in np.unique(component[adrift]).tolist():
            on_it = np.flatnonzero(component[: 2 * nodes] == number)
            reached = on_it[np.isfinite(opposite_v[on_it])]
            if len(reached):
                supply = reached[0] < nodes
                far_v = opposite_v[reached]
                self.point_v[component == number] = far_v.min() if supply else far_v.max()

    def volts(self, probe: Probe) -> float:
        """Return the reading of an ideal meter at a probe. [V]"""
        return float(self.volts_at([probe])[0])

    def volts_at(self, probes: Sequence[Probe]) -> FloatArray:
        """Return the reading of an ideal meter at each probe, shape (probes,). [V]"""
        red, black = self.circuit.netlist.leads(probes)
        return np.asarray(self.point_v[red] - self.point_v[black])

    def is_floating(self, probe: Probe) -> bool:
        """Return whether a lead is on an island, where the volts are unreliable."""
        number, floating = self.circuit.netlist.number, self.circuit.floating
        return bool(floating[number(probe.red)] or floating[number(probe.black)])

    @property
    def node_v(self) -> FloatArray:
        """Supply volts of each node, + pad to - pad, shape (nodes,). [V]"""
        nodes = self.circuit.design.node_count
        return np.asarray(self.point_v[:nodes] - self.point_v[nodes : 2 * nodes])

    @property
    def node_a(self) -> FloatArray:
        """Current of each node, shape (nodes,). [A]"""
        current_a = np.zeros(self.circuit.design.node_count)
        current_a[self.circuit.loaded] = self.load_a
        return current_a

    @property
    def channel_a(self) -> FloatArray:
        """Current of each colour channel, shape (nodes, colours). [A]"""
        current_a = np.zeros((self.circuit.design.node_count, self.circuit.design.node.channels))
        current_a[self.circuit.loaded] = self._channel_a
        return current_a

    @cached_property
    def branch_a(self) -> FloatArray:
        """Current of each kept branch from tail to head, G (Aᵀ x + e), shape (kept,). [A]"""
        circuit = self.circuit
        across_v = circuit.incidence.across(self.x) + circuit.supply_matrix @ circuit.supply_v
        return np.asarray(circuit.conductance_s * across_v)

    @cached_property
    def per_supply_a(self) -> FloatArray:
        """Change of each kept branch's current per volt of each supply, (kept, feeds). [A/V]

        Source: derivative of the nodal equations with respect to a supply.
        """
        circuit = self.circuit
        pushed = circuit.conductance_s[:, None] * circuit.supply_matrix
        moved_v = -self.factor.solve(circuit.incidence.gather(pushed))
        through = circuit.conductance_s[:, None] * circuit.incidence.across(moved_v)
        return np.asarray(through + pushed)

    @cached_property
    def joint_stiffness(self) -> FloatArray:
        """Ratio of driving-point to own resistance, shape (joints that carry current,).

        It is 1 where the current of the joint does not depend on its resistance, and near 0 where
        other copper takes the current over.

        Source: driving-point resistance aᵀ K⁻¹ a of the branch with incidence a.
        """
        circuit = self.circuit
        rows = circuit.joint_rows[1]
        own_ohm = np.empty(len(rows))
        for start in range(0, len(rows), COLUMNS_AT_ONCE):
            some = slice(start, start + COLUMNS_AT_ONCE)
            joints = self.factor.on_skeleton(circuit.incidence.only(rows[some]))
            pushed = joints.columns()
            own_ohm[some] = np.einsum("sj,sj->j", pushed, self.factor.solve_skeleton(pushed))
        return np.asarray(own_ohm * circuit.conductance_s[rows])

    @property
    def feed_a(self) -> dict[str, float]:
        """Current of each feed by its name. [A]"""
        circuit = self.circuit
        feed_of = circuit.netlist.feed[circuit.kept]
        amps = {}
        for number, feed in enumerate(circuit.design.feeds):
            own_a = self.branch_a[feed_of == number]
            if len(own_a):
                amps[feed.name] = float(own_a[0])
            elif circuit.netlist.is_blown(number):
                amps[feed.name] = 0.0
            else:
                amps[feed.name] = self._joined_feed_a(number)
        return amps

    def _joined_feed_a(self, number: int) -> float:
        """Return the current of a feed whose cable has no resistance. [A]

        It is the sum of all currents out of the points that the feed holds; feeds joined by zero
        resistance share it equally.
        """
        netlist, kept = self.circuit.netlist, self.circuit.kept
        label = merged_points(netlist)
        held = label == label[netlist.head[netlist.feed == number][0]]
        leaving = held[netlist.tail[kept]].astype(float) - held[netlist.head[kept]]
        nodes = self.circuit.design.node_count
        drawn = held[:nodes].astype(float) - held[nodes : 2 * nodes]
        sharers = held[netlist.head[(netlist.feed >= 0) & (netlist.ohm == 0.0)]].sum()
        return float((self.branch_a @ leaving + self.node_a @ drawn) / sharers)

    @cached_property
    def starts(self) -> bool:
        """False where a lit regulated node has fewer volts than constant power needs."""
        kind = self.circuit.design.node
        if kind.family != "regulated":
            return True
        full_v = np.array([kind.full_v[colour] for colour in kind.colours])
        needed_v = np.where(self.duty > 0.0, full_v, 0.0).max(axis=1)
        return bool((self.node_v >= needed_v).all())

    @property
    def lowest_node(self) -> tuple[NodeName, float]:
        """The node with the lowest supply, and its volts. [V]"""
        index = int(np.argmin(self.node_v))
        return self.circuit.design.node_at(index), float(self.node_v[index])


def solve(circuit: Circuit, duty: FloatArray, near: Solution | None = None) -> Solution:
    """Solve a circuit with given channels lit.

    Args:
        circuit: the prop, factored.
        duty: share of full current asked of each channel, 0 to 1, shape (nodes, colours).
        near: solution of a similar circuit; Newton's method starts from it, which saves steps.

    Returns:
        Volts and currents; of regulated nodes the upper solution, or, where there is none, the
        state that the prop falls to, see `Solution.starts`.

    Raises:
        CircuitFault: Newton's method does not converge; the message gives the last step.

    Source: nodal equations and their iteration, see `benchtest.circuit.newton`.
    """
    point = solve_operating_point(circuit, duty, None if near is None else near.x)
    return Solution(circuit, duty, point)


def solve_unloaded(circuit: Circuit) -> Solution:
    """Solve a circuit whose nodes draw nothing: only its supplies drive currents."""
    design = circuit.design
    zeros = np.zeros(len(circuit.loaded))
    loads = NodeLoads(np.zeros((len(circuit.loaded), design.node.channels)), zeros, zeros)
    x = circuit.factor.solve(circuit.driven_a)
    duty = np.zeros((design.node_count, design.node.channels))
    return Solution(circuit, duty, OperatingPoint(x, loads, circuit.factor))
