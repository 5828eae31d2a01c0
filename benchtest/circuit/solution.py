"""Solution of a circuit: volts of all points, and currents of nodes, branches and feeds.

The operating point of a prop with nonlinear node loads is found by Newton's method. The equations
are A G (Aᵀ x + e) + A_l i(A_lᵀ x) = 0: the currents of copper with conductances G and of loads i(v)
out of each unknown sum to zero. Where no current falls with rising volts they are the gradient of a
strictly convex function: the solution is unique, and Newton's method with a line search converges
from any start.

The current of a regulated node rises as its volts fall: there are two solutions or none. From the
unloaded prop, full steps converge to the upper one from above, because the equations are convex
there and their Jacobian has an inverse without negative entries. If the Jacobian becomes indefinite
on the way, there is no solution, and the prop falls until its nodes lock out: it does not start.

Source: monotone Newton iteration, Ortega and Rheinboldt, Iterative Solution of Nonlinear Equations
in Several Variables, section 13.3 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from benchtest.circuit.backfeed import Backfeed
from benchtest.circuit.ladder import COLUMNS_AT_ONCE, Factor
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import NodeLoads, node_loads
from benchtest.circuit.reduction import merged_points
from benchtest.errors import CircuitFault
from benchtest.prop.design import NodeName, Probe

_CONVERGED_V = 1e-9
"""Step below which the method has converged. [V]"""
_ROUNDING_V = 1e-6
"""Step below which the method has also converged once steps no longer shrink: joints of nano-ohms
lose that many digits. [V]"""
_MAX_STEPS = 60
"""Steps after which the method fails; a healthy prop takes one, undervoltage nodes about six."""
_MAX_HALVINGS = 30
"""Halvings of a step that overshoots."""
_MAX_FALLING_STEPS = 2000
"""Steps of a falling prop of regulated nodes after which the method fails; it takes some tens."""
_MAX_FALL_V = 0.5
"""Largest step of a falling prop. [V]"""
_FALLEN_V = 1e-3
"""Step of a falling prop below which damping is reduced to 0. [V]"""
_MAX_RESIDUAL_A = 1e-8
"""Residual below which a falling prop has also converged: copper that only a data line holds,
without a load, never comes to rest in the last digits. [A]"""
_MIN_DAMPING_S = 1e-7
"""Damping below which 0 is used. [S]"""


@dataclass(frozen=True)
class OperatingPoint:
    """Solution of the nodal equations.

    Attributes:
        x: unknowns, shape (unknowns,). [V]
        loads: currents of the loaded nodes at x.
        factor: factors of the Jacobian at x.
    """

    x: FloatArray
    loads: NodeLoads
    factor: Factor


def solve_operating_point(
    circuit: Circuit, duty: FloatArray, near: FloatArray | None = None
) -> OperatingPoint:
    """Solve the nodal equations of a circuit with given channels lit.

    Args:
        circuit: the prop, factored.
        duty: share of full current asked of each channel, 0 to 1, shape (nodes, colours).
        near: start of the iteration, shape (unknowns,); not used with regulated nodes, whose upper
            solution is approached from above. [V]

    Raises:
        CircuitFault: no convergence; the message gives the last step.

    Source: monotone Newton iteration, see above.
    """
    return _Newton(circuit, duty, near).run()


@dataclass(frozen=True)
class _Iterate:
    """One iterate: the unknowns with the currents of nodes and data lines there."""

    x: FloatArray
    loads: NodeLoads
    path_a: FloatArray
    path_s: FloatArray


class _Newton:
    """One run of the iteration."""

    def __init__(self, circuit: Circuit, duty: FloatArray, near: FloatArray | None) -> None:
        self.circuit = circuit
        self.near = near
        self.loaded_duty = duty[circuit.loaded]
        self.kind = circuit.design.node
        loaded, nodes = circuit.loaded, circuit.design.node_count
        offset = circuit.reduced.offset @ circuit.supply_v
        self.load_offset_v = offset[loaded] - offset[loaded + nodes]
        paths: Backfeed = circuit.backfeed
        self.path_push_v = paths.push_v + offset[paths.tail] - offset[paths.head]
        self.started_a = np.full(len(loaded), np.nan)

    def run(self) -> OperatingPoint:
        """Iterate; continue damped where regulated nodes have no solution near their supply."""
        iterate = self._at(self._start())
        loads = iterate.loads
        factor = self._factor(iterate)
        if np.array_equal(loads.node_a, self.started_a) and factor is self.circuit.factor:
            return OperatingPoint(iterate.x, loads, factor)  # loads are constant: solved
        residual_a = self._residual(iterate)
        moved_v = np.inf
        regulated = self.kind.family == "regulated"
        for _ in range(_MAX_STEPS):
            if regulated and not factor.definite:
                return self._fall(iterate.x)
            step = factor.solve(-residual_a)
            before_v, moved_v = moved_v, np.abs(step).max(initial=0.0)
            if moved_v < _CONVERGED_V or before_v / 2 < moved_v < _ROUNDING_V:
                return OperatingPoint(iterate.x + step, iterate.loads, factor)
            # of regulated nodes full steps converge to the upper solution from above
            iterate, residual_a = self._ahead(iterate, step, residual_a, whole=regulated)
            factor = self._factor(iterate)
        if regulated:
            return self._fall(iterate.x)
        raise self._not_converged(moved_v)

    def _start(self) -> FloatArray:
        """Return the start: at full supply, as below its range a node has no slope to follow."""
        circuit = self.circuit
        if self.near is not None and self.kind.family != "regulated":
            return self.near
        if len(circuit.backfeed.tail):
            return self._islands_start()
        if self.kind.family == "regulated":
            return circuit.factor.solve(circuit.driven_a)
        start_v = np.full(len(circuit.loaded), max(circuit.supply_v, default=0.0))
        loads = node_loads(self.kind, start_v, self.loaded_duty)
        self.started_a = loads.node_a
        return circuit.factor.solve(circuit.driven_a - circuit.load_incidence.gather(loads.node_a))

    def _fall(self, x: FloatArray) -> OperatingPoint:
        """Return the stable state that the prop falls to when regulated nodes overload it.

        The steps are implicit Euler steps of the prop with a capacitor across each node, as real
        nodes have: C dv/dt = -residual, with the damping C/dt reduced while steps are small.

        Source: pseudo-transient continuation, as circuit simulators use it (from memory).
        """
        damping_s = 0.0
        moved_v = np.inf
        for _ in range(_MAX_FALLING_STEPS):
            iterate = self._at(x)
            loads = iterate.loads
            residual_a = self._residual(iterate)
            least_s = max(0.0, -2.0 * float(loads.slope_s.min(initial=0.0)))
            if moved_v < _FALLEN_V:
                damping_s = damping_s / 4.0 if damping_s > _MIN_DAMPING_S else 0.0
            else:
                damping_s = max(least_s, damping_s / 2.0)
            factor = self._factor(iterate, damping_s)
            if not factor.definite:
                damping_s = max(least_s, _MIN_DAMPING_S)
                factor = self._factor(iterate, damping_s)
            step = factor.solve(-residual_a)
            moved_v = float(np.abs(step).max(initial=0.0))
            if moved_v < _CONVERGED_V and damping_s == 0.0:
                return OperatingPoint(x + step, loads, factor)
            if moved_v < _FALLEN_V and np.abs(residual_a).max(initial=0.0) < _MAX_RESIDUAL_A:
                here = self._factor(iterate)
                if here.definite:
                    return OperatingPoint(x, loads, here)
            step *= min(1.0, _MAX_FALL_V / max(moved_v, _CONVERGED_V))
            # no node draws more as its volts fall: full steps may jump across the solution forever
            is_monotone = least_s == 0.0 and damping_s == 0.0
            x = self._ahead(iterate, step, residual_a, whole=not is_monotone)[0].x
        raise self._not_converged(moved_v)

    def _not_converged(self, moved_v: float) -> CircuitFault:
        return CircuitFault(
            f"{self.circuit.design.name}: no operating point found, the last step was "
            f"{moved_v:.2g} V; check the prop file for extreme figures"
        )

    def _islands_start(self) -> FloatArray:
        """Return a start with fed nodes at full supply and islands at half of it."""
        circuit, nodes = self.circuit, self.circuit.design.node_count
        full_v = circuit.supply_v.max()
        start = np.zeros(circuit.netlist.point_count)
        start[:nodes] = full_v
        start[circuit.floating] = full_v / 2
        x = np.zeros(circuit.reduced.count)
        known = circuit.reduced.unknown >= 0
        x[circuit.reduced.unknown[known]] = start[known]
        return x

    def _at(self, x: FloatArray) -> _Iterate:
        circuit = self.circuit
        across_v = circuit.load_incidence.across(x) + self.load_offset_v
        loads = node_loads(self.kind, across_v, self.loaded_duty)
        drive_v = circuit.path_incidence.across(x) + self.path_push_v
        return _Iterate(x, loads, *circuit.backfeed.current(drive_v))

    def _residual(self, iterate: _Iterate) -> FloatArray:
        circuit = self.circuit
        copper_a = circuit.conductance_s * circuit.incidence.across(iterate.x)
        leaving_a = circuit.incidence.gather(copper_a)
        leaving_a += circuit.load_incidence.gather(iterate.loads.node_a)
        if len(iterate.path_a):
            leaving_a += circuit.path_incidence.gather(iterate.path_a)
        return np.asarray(leaving_a - circuit.driven_a)

    def _factor(self, iterate: _Iterate, damping_s: float = 0.0) -> Factor:
        circuit = self.circuit
        slope_s = iterate.loads.slope_s + damping_s
        if not len(circuit.backfeed.tail) and not slope_s.any():
            return circuit.factor
        more_s = iterate.path_s if len(circuit.backfeed.tail) else None
        try:
            return circuit.factor_at(slope_s, more_s)
        except RuntimeError:
            # exactly at the fold of regulated nodes the matrix is singular: factor just past it
            return circuit.factor_at(slope_s * (1.0 + 1e-9), more_s)

    def _ahead(
        self, iterate: _Iterate, step: FloatArray, residual_a: FloatArray, whole: bool
    ) -> tuple[_Iterate, FloatArray]:
        """Return the next iterate and its residual: the full step, halved while it overshoots."""
        enough = max(0.0, -0.5 * float(residual_a @ step))
        length = 1.0
        for _ in range(_MAX_HALVINGS):
            ahead = self._at(iterate.x + length * step)
            ahead_a = self._residual(ahead)
            if whole or ahead_a @ step <= enough:
                break
            length /= 2.0
        return ahead, ahead_a


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

    Source: nodal equations and their iteration, see `benchtest.circuit.solution`.
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


LEVEL_BISECTIONS = 12
"""Halvings of the range of levels: to a resolution of 1/4096."""


def highest_level(holds: Callable[[float], bool], halvings: int) -> float:
    """Return the highest level at which a condition holds that fails at 1, by bisection.

    Args:
        holds: the condition, true from 0 up to some level.
        halvings: number of bisections; the result is rounded down to 2^-halvings.
    """
    low, high = 0.0, 1.0
    for _ in range(halvings):
        middle = (low + high) / 2.0
        if holds(middle):
            low = middle
        else:
            high = middle
    return low


def highest_starting_share(solution: Solution) -> tuple[float, dict[str, float]]:
    """Return the greatest share of a level at which every lit node holds its power.

    Args:
        solution: the prop at the level, at which it does not start.

    Returns:
        Share of that level, 0 to 1, and the current of each feed there. [A]
    """
    circuit, duty = solution.circuit, solution.duty
    share = highest_level(lambda part: solve(circuit, part * duty).starts, LEVEL_BISECTIONS)
    return share, solve(circuit, share * duty).feed_a


def require_start(solution: Solution) -> None:
    """Reject a prop whose regulated nodes need more power than wire and supply can deliver.

    Raises:
        CircuitFault: the prop does not start; the message gives the missing current of each feed
            and the level at which the prop starts.
    """
    if solution.starts:
        return
    share, given_a = highest_starting_share(solution)
    level = float(solution.duty.max())
    words = []
    for name, amps in given_a.items():
        if share > 0.0:
            # at constant power the missing share of light is the missing share of current
            asked_a = amps / share
            words.append(f"feed {name} is {asked_a - amps:.2f} A short of about {asked_a:.2f} A")
    fits = f"it starts up to level {level * share:.2f}" if share > 0.0 else "no level starts"
    raise CircuitFault(
        f"{solution.circuit.design.name}: cannot start at level {level:g}: regulated nodes draw "
        f"more as their volts fall, and the wire cannot carry it. "
        f"{'; '.join([*words, fits])}; use thicker or shorter wire, or another feed"
    )
