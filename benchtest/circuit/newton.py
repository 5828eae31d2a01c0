"""Newton's method for the operating point of a prop with nonlinear node loads.

The equations are A G (Aᵀ x + e) + A_l i(A_lᵀ x) = 0: the currents of copper with conductances G and
of loads i(v) out of each unknown sum to zero. Where no current falls with rising volts they are the
gradient of a strictly convex function: the solution is unique, and Newton's method with a line
search converges from any start.

The current of a regulated node rises as its volts fall: there are two solutions or none. From the
unloaded prop, full steps converge to the upper one from above, because the equations are convex
there and their Jacobian has an inverse without negative entries. If the Jacobian becomes indefinite
on the way, there is no solution, and the prop falls until its nodes lock out.

Source: monotone Newton iteration, Ortega and Rheinboldt, Iterative Solution of Nonlinear Equations
in Several Variables, section 13.3 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.backfeed import Backfeed
from benchtest.circuit.ladder import Factor
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import NodeLoads, node_loads
from benchtest.errors import CircuitFault

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
            x = x + step * min(1.0, _MAX_FALL_V / max(moved_v, _CONVERGED_V))
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
