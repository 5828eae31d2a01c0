"""The circuit of one prop, factored: solve it for as many lit sets as you like.

Nodal analysis on both rails. Unknown are the volts of each point; each node is a current that
depends on the volts between its own two pads. No family's current falls when its volts rise, so
the equations are the gradient of a strictly convex function: there is one solution, and Newton's
method with a line search finds it from anywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import numpy as np
from scipy.sparse import csc_array

from benchtest.circuit.backfeed import Backfeed, backfeed_paths
from benchtest.circuit.ladder import Factor, Ladders
from benchtest.circuit.loads import NodeLoads, node_loads
from benchtest.circuit.reduce import joined_points, reduce_wiring
from benchtest.circuit.wiring import FloatArray, IndexArray, Wiring, wire_up
from benchtest.errors import CircuitFault
from benchtest.prop.design import Design, NodeName, Point, Probe

SETTLED_V = 1e-9
"""Newton's method stops when no point moves by more. [V]"""
ROUNDING_V = 1e-6
"""Or when steps below this shrink no more: joints of nano-ohms cost that many digits. [V]"""
MOST_STEPS = 60
"""Steps after which it gives up; a healthy prop takes one, a starved one about six."""


class Circuit:
    """The circuit of this prop, factored.

    Attributes:
        design: the prop.
        wiring: its points and branches.
        floating: points that an open joint has cut off from every supply, shape (points,).
    """

    def __init__(self, design: Design, joint_ohm: Mapping[str, float] | None = None) -> None:
        """Wire up and factor.

        Args:
            design: a design without faults.
            joint_ohm: resistance of joints that are not 2 mΩ, `math.inf` for open; the key
                `default` changes all that are not named. [Ω]

        Raises:
            NameFault: the design has no such joint.
            InputError: a resistance is negative.
            CircuitFault: supplies of different volts are joined by zero resistance.
        """
        self.design = design
        self.wiring: Wiring = wire_up(design, joint_ohm or {})
        self._reduced, self._backfeed = reduce_wiring(self.wiring, backfeed_paths(self.wiring))
        self.floating = self._reduced.floating
        self.supply_v = np.array([feed.volts for feed in design.feeds])
        # a load needs copper on both its pads; one adrift carries nothing
        pads = np.arange(design.node_count)
        adrift = self._reduced.adrift
        self._loaded = np.flatnonzero(~adrift[pads] & ~adrift[pads + design.node_count])

    @cached_property
    def incidence(self) -> csc_array[np.float64]:
        """+1 at a kept branch's tail and -1 at its head, shape (unknowns, kept branches)."""
        kept = self._reduced.kept
        return self._columns(self.wiring.tail[kept], self.wiring.head[kept])

    @cached_property
    def load_incidence(self) -> csc_array[np.float64]:
        """+1 at a node's + pad and -1 at its - pad, shape (unknowns, loaded nodes)."""
        return self._columns(self._loaded, self._loaded + self.design.node_count)

    @cached_property
    def _path_incidence(self) -> csc_array[np.float64]:
        return self._columns(self._backfeed.tail, self._backfeed.head)

    def _columns(self, tail: IndexArray, head: IndexArray) -> csc_array[np.float64]:
        """+1 at each tail and -1 at each head, one column each; the earth has no row."""
        rows = np.stack([self._reduced.unknown[tail], self._reduced.unknown[head]], axis=1)
        signs = np.broadcast_to([1.0, -1.0], rows.shape)
        there = rows >= 0
        starts = np.concatenate([[0], np.cumsum(there.sum(axis=1))])
        shape = (self._reduced.count, len(tail))
        return csc_array((signs[there], rows[there], starts), shape=shape)

    @cached_property
    def _ladders(self) -> Ladders:
        return Ladders(self.wiring, self._reduced)

    @cached_property
    def factor(self) -> Factor:
        """Factors of copper and joints alone: all that a prop with flat loads ever needs."""
        return self.factor_at(np.zeros(len(self._loaded)))

    def factor_at(self, slope_s: FloatArray, path_s: FloatArray | None = None) -> Factor:
        """Factors with loads that follow their volts.

        Args:
            slope_s: of each loaded node's current, shape (loaded,). [S]
            path_s: of each data line that feeds an island, shape (paths,). [S]
        """
        unknown, paths = self._reduced.unknown, self._backfeed
        slopes_s = np.zeros(self.design.node_count)
        slopes_s[self._loaded] = slope_s
        more = None if path_s is None else (unknown[paths.tail], unknown[paths.head], path_s)
        return Factor(self._ladders, self.load_ends, slopes_s, more)

    @property
    def load_ends(self) -> tuple[IndexArray, IndexArray]:
        """Unknowns of every node's + and - pad, -1 for earth or adrift, shape (nodes,) each."""
        nodes, unknown = self.design.node_count, self._reduced.unknown
        return unknown[:nodes], unknown[nodes : 2 * nodes]

    @cached_property
    def joint_columns(self) -> tuple[list[str], IndexArray, csc_array[np.float64]]:
        """Joints that carry current: names, places among the kept branches, incidence columns."""
        row_of = np.full(len(self.wiring.ohm), -1)
        row_of[self.kept] = np.arange(len(self.kept))
        there = [(name, row_of[b]) for name, b in self.wiring.joint.items() if row_of[b] >= 0]
        rows = np.array([row for _, row in there], dtype=np.intp)
        return [name for name, _ in there], rows, self.incidence[:, rows]

    def unknown(self, point: Point) -> int:
        """Unknown of a point, -1 for earth or adrift."""
        return int(self._reduced.unknown[self.wiring.number(point)])

    @cached_property
    def supply_matrix(self) -> FloatArray:
        """Volts that each supply puts into each kept branch per volt, shape (kept, feeds)."""
        kept, offset = self._reduced.kept, self._reduced.offset
        inside = self.wiring.feed[kept][:, None] == np.arange(len(self.supply_v))
        tail, head = self.wiring.tail[kept], self.wiring.head[kept]
        return np.asarray(offset[tail] - offset[head] + inside, dtype=np.float64)

    @property
    def kept(self) -> IndexArray:
        """Branches that carry current: neither open nor of zero resistance."""
        return self._reduced.kept

    @property
    def conductance_s(self) -> FloatArray:
        """Conductance of the kept branches, shape (kept,). [S]"""
        return self._reduced.conductance_s

    @property
    def loaded(self) -> IndexArray:
        """Nodes that have copper on both pads, as places in arrays over all nodes."""
        return self._loaded

    def probe_matrix(self, probes: list[Probe]) -> FloatArray:
        """Which unknowns each probe reads, shape (unknowns, probes); leads on islands read 0."""
        matrix = np.zeros((self._reduced.count, len(probes)))
        for column, probe in enumerate(probes):
            for point, sign in ((probe.red, 1.0), (probe.black, -1.0)):
                row = self.unknown(point)
                if row >= 0:
                    matrix[row, column] += sign
        return matrix

    def probe_offset(self, probe: Probe) -> FloatArray:
        """Volts a probe reads beyond its unknowns per volt of each supply, shape (feeds,)."""
        offset, number = self._reduced.offset, self.wiring.number
        return np.asarray(offset[number(probe.red)] - offset[number(probe.black)])

    def solve(self, duty: FloatArray) -> Solution:
        """Volts everywhere with these channels lit.

        Args:
            duty: share of full current asked of each channel, shape (nodes, colours).

        Raises:
            CircuitFault: Newton's method does not settle, and where it stays.
        """
        return _Newton(self, duty).run()

    def point_volts(self, x: FloatArray) -> FloatArray:
        """Volts of every point from the unknowns, shape (points,). Points adrift get 0."""
        reduced = self._reduced
        padded = np.append(x, 0.0)  # -1 picks the earth
        return np.asarray(padded[reduced.unknown] + reduced.offset @ self.supply_v)


class _Newton:
    """One solution under way."""

    def __init__(self, circuit: Circuit, duty: FloatArray) -> None:
        self.circuit = circuit
        self.duty = duty
        self.kind = circuit.design.node
        loaded, nodes = circuit.loaded, circuit.design.node_count
        offset = circuit._reduced.offset @ circuit.supply_v
        self.load_offset_v = offset[loaded] - offset[loaded + nodes]
        paths: Backfeed = circuit._backfeed
        self.path_push_v = paths.push_v + offset[paths.tail] - offset[paths.head]
        supply = circuit.supply_matrix @ circuit.supply_v
        # current that the supplies drive into each unknown, [A]
        self.driven_a = -(circuit.incidence @ (circuit.conductance_s * supply))

    def run(self) -> Solution:
        circuit = self.circuit
        # start at full supply: from 0 V every node is out of its range, and Newton stays there
        start_v = np.full(len(circuit.loaded), max(circuit.supply_v, default=0.0))
        loads = node_loads(self.kind, start_v, self.duty[circuit.loaded])
        slope_s = np.zeros_like(start_v)
        if not len(circuit._backfeed.tail):
            x = circuit.factor.solve(self.driven_a - circuit.load_incidence @ loads.node_a)
        else:
            x = self._islands_start()
        moved_v = np.inf
        for _ in range(MOST_STEPS):
            loads, path_a, path_s = self._loads(x)
            residual_a = self._residual(x, loads, path_a)
            slope_s = loads.slope_s
            factor = self._factor(slope_s, path_s)
            step = factor.solve(-residual_a)
            before_v, moved_v = moved_v, np.abs(step).max(initial=0.0)
            if moved_v < SETTLED_V or before_v / 2 < moved_v < ROUNDING_V:
                return Solution(circuit, self.duty, x + step, loads, slope_s, factor)
            x = x + self._length(x, step, residual_a) * step
        raise CircuitFault(
            f"{circuit.design.name}: the circuit did not settle in {MOST_STEPS} steps; "
            f"points still move by {moved_v:.2g} V"
        )

    def _islands_start(self) -> FloatArray:
        """Fed nodes at full supply, islands half way up, where their data line holds them."""
        circuit, nodes = self.circuit, self.circuit.design.node_count
        full_v = circuit.supply_v.max()
        start = np.zeros(circuit.wiring.point_count)
        start[:nodes] = full_v
        start[circuit.floating] = full_v / 2
        x = np.zeros(circuit._reduced.count)
        known = circuit._reduced.unknown >= 0
        x[circuit._reduced.unknown[known]] = start[known]
        return x

    def _loads(self, x: FloatArray) -> tuple[NodeLoads, FloatArray, FloatArray]:
        circuit = self.circuit
        across_v = circuit.load_incidence.T @ x + self.load_offset_v
        loads = node_loads(self.kind, across_v, self.duty[circuit.loaded])
        drive_v = circuit._path_incidence.T @ x + self.path_push_v
        path_a, path_s = circuit._backfeed.current(drive_v)
        return loads, path_a, path_s

    def _residual(self, x: FloatArray, loads: NodeLoads, path_a: FloatArray) -> FloatArray:
        circuit = self.circuit
        copper_a = circuit.conductance_s * (circuit.incidence.T @ x)
        leaving_a = circuit.incidence @ copper_a + circuit.load_incidence @ loads.node_a
        leaving_a += circuit._path_incidence @ path_a
        return np.asarray(leaving_a - self.driven_a)

    def _factor(self, slope_s: FloatArray, path_s: FloatArray) -> Factor:
        circuit = self.circuit
        if len(circuit._backfeed.tail):
            return circuit.factor_at(slope_s, path_s)
        return circuit.factor_at(slope_s) if slope_s.any() else circuit.factor

    def _length(self, x: FloatArray, step: FloatArray, residual_a: FloatArray) -> float:
        """Share of the step to take: all of it, unless that overshoots the convex function."""
        start_slope = residual_a @ step
        low, high, length = 0.0, 1.0, 1.0
        for _ in range(30):
            ahead = x + length * step
            loads, path_a, _ = self._loads(ahead)
            slope = self._residual(ahead, loads, path_a) @ step
            if slope <= 0.0 or slope <= -0.5 * start_slope:
                return length
            high = length
            length = 0.5 * (low + high)
        return length


class Solution:
    """Volts and currents of a prop with given channels lit.

    Attributes:
        circuit: what was solved.
        duty: the channels lit, shape (nodes, colours).
        factor: factors of the equations' slope at this solution; other small changes reuse them.
        point_v: volts of every point, shape (points,). [V]
    """

    def __init__(
        self,
        circuit: Circuit,
        duty: FloatArray,
        x: FloatArray,
        loads: NodeLoads,
        slope_s: FloatArray,
        factor: Factor,
    ) -> None:
        self.circuit = circuit
        self.duty = duty
        self.x = x
        self.factor = factor
        self.slope_s = slope_s
        self.load_a = loads.node_a
        self._channel_a = loads.channel_a
        self.point_v = circuit.point_volts(x)
        self._settle_adrift()

    def _settle_adrift(self) -> None:
        """Copper that nothing feeds takes the volts of the rail that its nodes join it to."""
        circuit, nodes = self.circuit, self.circuit.design.node_count
        adrift = circuit._reduced.adrift
        if not adrift.any():
            return
        opposite = np.concatenate([self.point_v[nodes : 2 * nodes], self.point_v[:nodes]])
        self.point_v[adrift] = 0.0
        pads = np.flatnonzero(adrift[: 2 * nodes])
        self.point_v[pads] = opposite[pads]

    def volts(self, probe: Probe) -> float:
        """What a meter without error would read. [V]"""
        number = self.circuit.wiring.number
        return float(self.point_v[number(probe.red)] - self.point_v[number(probe.black)])

    def is_floating(self, probe: Probe) -> bool:
        """True where a lead is on copper that an open joint has cut off: not to be trusted."""
        number, floating = self.circuit.wiring.number, self.circuit.floating
        return bool(floating[number(probe.red)] or floating[number(probe.black)])

    @property
    def node_v(self) -> FloatArray:
        """Supply that each node sees, shape (nodes,). [V]"""
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
        """Current of each kept branch, tail to head, shape (kept,). [A]"""
        circuit = self.circuit
        across_v = circuit.incidence.T @ self.x + circuit.supply_matrix @ circuit.supply_v
        return np.asarray(circuit.conductance_s * across_v)

    @cached_property
    def per_supply_a(self) -> FloatArray:
        """Change of each kept branch's current per volt of each supply, (kept, feeds). [A/V]"""
        circuit = self.circuit
        pushed = circuit.conductance_s[:, None] * circuit.supply_matrix
        moved_v = -self.factor.solve(np.asarray(circuit.incidence @ pushed))
        through = circuit.conductance_s[:, None] * np.asarray(circuit.incidence.T @ moved_v)
        return np.asarray(through + pushed)

    @cached_property
    def joint_stiffness(self) -> FloatArray:
        """How freely each joint's resistance sets its volts, shape (joints carrying current,).

        1 where its current holds whatever it does, near 0 where other copper takes the current
        over: own resistance seen from the joint, over the joint's.
        """
        _, rows, columns = self.circuit.joint_columns
        skeleton = self.factor.ladders.skeleton
        volts = self.factor.solve_skeleton(columns[skeleton].toarray())
        own_ohm = np.einsum("sj,sj->j", columns[skeleton].toarray(), volts)
        return np.asarray(own_ohm * self.circuit.conductance_s[rows])

    @property
    def feed_a(self) -> dict[str, float]:
        """Current that each feed gives, by its name. [A]"""
        circuit = self.circuit
        current_of = dict(zip(circuit.kept.tolist(), self.branch_a.tolist(), strict=True))
        amps = {}
        for number, feed in enumerate(circuit.design.feeds):
            branch = int(np.flatnonzero(circuit.wiring.feed == number)[0])
            held = branch not in current_of
            amps[feed.name] = self._joined_feed_a(number) if held else current_of[branch]
        return amps

    def _joined_feed_a(self, number: int) -> float:
        """Current of a feed whose cable has no resistance: all that leaves the points it holds.

        Feeds that nothing parts share it alike.
        """
        wiring, kept = self.circuit.wiring, self.circuit.kept
        label = joined_points(wiring)
        held = label == label[wiring.head[wiring.feed == number][0]]
        leaving = held[wiring.tail[kept]].astype(float) - held[wiring.head[kept]]
        nodes = self.circuit.design.node_count
        drawn = held[:nodes].astype(float) - held[nodes : 2 * nodes]
        sharers = held[wiring.head[(wiring.feed >= 0) & (wiring.ohm == 0.0)]].sum()
        return float((self.branch_a @ leaving + self.node_a @ drawn) / sharers)

    @property
    def lowest_node(self) -> tuple[NodeName, float]:
        """The node that sees least, and its volts."""
        index = int(np.argmin(self.node_v))
        return self.circuit.design.node_at(index), float(self.node_v[index])
