"""Newton's method on a prop's node loads.

No current of most families falls when its volts rise, so the equations are the gradient of a
strictly convex function: there is one solution, and the method with a line search finds it from
anywhere. A regulated node's current rises as its volts fall: there are two solutions or none.
From the unloaded prop whole steps come down to the upper one, for there the equations are convex
and their slope has an inverse without negative entries; where that slope stops being definite on
the way, there is none, and the prop falls until its nodes lock out.

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

SETTLED_V = 1e-9
"""Newton's method stops when no point moves by more. [V]"""
ROUNDING_V = 1e-6
"""Or when steps below this shrink no more: joints of nano-ohms cost that many digits. [V]"""
MAX_STEPS = 60
"""Steps after which it gives up; a healthy prop takes one, a starved one about six."""
MOST_HALVINGS = 30
"""Halvings of a step that overshoots."""
MOST_FALLING_STEPS = 2000
"""The same for a prop of regulated nodes that falls; some tens do."""
MOST_FALL_V = 0.5
"""The farthest a falling prop moves in one step. [V]"""
FALLEN_V = 1e-3
"""Steps below which it has all but settled and needs damping no more. [V]"""
STILL_A = 1e-8
"""Or when no point is left with more current than this: copper that only a data line holds, without
a node that draws, drifts for ever on the last digits. [A]"""
LEAST_DAMPING_S = 1e-7
"""Damping below this is none. [S]"""


@dataclass(frozen=True)
class OperatingPoint:
    """Where Newton's method came to rest.

    Attributes:
        x: the unknowns, shape (unknowns,). [V]
        loads: currents of the loaded nodes there.
        factor: factors of the equations' slope there.
    """

    x: FloatArray
    loads: NodeLoads
    factor: Factor


def solve_operating_point(
    circuit: Circuit, duty: FloatArray, near: FloatArray | None = None
) -> OperatingPoint:
    """Solve a circuit with these channels lit.

    Args:
        circuit: the prop, factored.
        duty: share of full current asked of each channel, shape (nodes, colours).
        near: unknowns not far from what is sought, shape (unknowns,); of regulated nodes, whose
            upper solution is come down to from above, no use is made of them. [V]

    Raises:
        CircuitFault: it does not settle, and how far points still move.
    """
    return _Newton(circuit, duty, near).run()


@dataclass(frozen=True)
class _Stand:
    """Where the method stands: the unknowns, and what nodes and data lines draw there."""

    x: FloatArray
    loads: NodeLoads
    path_a: FloatArray
    path_s: FloatArray


class _Newton:
    """One solution under way."""

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
        """Newton's method; damped where regulated nodes leave no solution near their supply."""
        stand = self._at(self._start())
        loads = stand.loads
        factor = self._factor(stand)
        if np.array_equal(loads.node_a, self.started_a) and factor is self.circuit.factor:
            return OperatingPoint(stand.x, loads, factor)  # flat loads: solved
        residual_a = self._residual(stand)
        moved_v = np.inf
        regulated = self.kind.family == "regulated"
        for _ in range(MAX_STEPS):
            if regulated and not factor.definite:
                return self._fall(stand.x)
            step = factor.solve(-residual_a)
            before_v, moved_v = moved_v, np.abs(step).max(initial=0.0)
            if moved_v < SETTLED_V or before_v / 2 < moved_v < ROUNDING_V:
                return OperatingPoint(stand.x + step, stand.loads, factor)
            # of regulated nodes whole steps come down to the upper solution from above
            stand, residual_a = self._ahead(stand, step, residual_a, whole=regulated)
            factor = self._factor(stand)
        if regulated:
            return self._fall(stand.x)
        raise self._unsettled(moved_v)

    def _start(self) -> FloatArray:
        """At full supply: from 0 V every node is out of its range, and Newton stays there."""
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
        """Where the prop goes when regulated nodes ask for more than there is.

        Implicit steps of a prop with a capacitor across each node, as each has one: they lead to a
        state that holds, whatever it is. The steps grow while they are safe.
        """
        damping_s = 0.0
        moved_v = np.inf
        for _ in range(MOST_FALLING_STEPS):
            stand = self._at(x)
            loads = stand.loads
            residual_a = self._residual(stand)
            least_s = max(0.0, -2.0 * float(loads.slope_s.min(initial=0.0)))
            if moved_v < FALLEN_V:
                damping_s = damping_s / 4.0 if damping_s > LEAST_DAMPING_S else 0.0
            else:
                damping_s = max(least_s, damping_s / 2.0)
            factor = self._factor(stand, damping_s)
            if not factor.definite:
                damping_s = max(least_s, LEAST_DAMPING_S)
                factor = self._factor(stand, damping_s)
            step = factor.solve(-residual_a)
            moved_v = float(np.abs(step).max(initial=0.0))
            if moved_v < SETTLED_V and damping_s == 0.0:
                return OperatingPoint(x + step, loads, factor)
            if moved_v < FALLEN_V and np.abs(residual_a).max(initial=0.0) < STILL_A:
                here = self._factor(stand)
                if here.definite:
                    return OperatingPoint(x, loads, here)
            x = x + step * min(1.0, MOST_FALL_V / max(moved_v, SETTLED_V))
        raise self._unsettled(moved_v)

    def _unsettled(self, moved_v: float) -> CircuitFault:
        return CircuitFault(
            f"{self.circuit.design.name}: the circuit did not settle; "
            f"points still move by {moved_v:.2g} V"
        )

    def _islands_start(self) -> FloatArray:
        """Fed nodes at full supply, islands half way up, where their data line holds them."""
        circuit, nodes = self.circuit, self.circuit.design.node_count
        full_v = circuit.supply_v.max()
        start = np.zeros(circuit.netlist.point_count)
        start[:nodes] = full_v
        start[circuit.floating] = full_v / 2
        x = np.zeros(circuit.reduced.count)
        known = circuit.reduced.unknown >= 0
        x[circuit.reduced.unknown[known]] = start[known]
        return x

    def _at(self, x: FloatArray) -> _Stand:
        circuit = self.circuit
        across_v = circuit.load_incidence.across(x) + self.load_offset_v
        loads = node_loads(self.kind, across_v, self.loaded_duty)
        drive_v = circuit.path_incidence.across(x) + self.path_push_v
        return _Stand(x, loads, *circuit.backfeed.current(drive_v))

    def _residual(self, stand: _Stand) -> FloatArray:
        circuit = self.circuit
        copper_a = circuit.conductance_s * circuit.incidence.across(stand.x)
        leaving_a = circuit.incidence.gather(copper_a)
        leaving_a += circuit.load_incidence.gather(stand.loads.node_a)
        if len(stand.path_a):
            leaving_a += circuit.path_incidence.gather(stand.path_a)
        return np.asarray(leaving_a - circuit.driven_a)

    def _factor(self, stand: _Stand, damping_s: float = 0.0) -> Factor:
        circuit = self.circuit
        slope_s = stand.loads.slope_s + damping_s
        if not len(circuit.backfeed.tail) and not slope_s.any():
            return circuit.factor
        more_s = stand.path_s if len(circuit.backfeed.tail) else None
        try:
            return circuit.factor_at(slope_s, more_s)
        except RuntimeError:
            # exactly on the fold of regulated nodes there are no factors: take those just past it
            return circuit.factor_at(slope_s * (1.0 + 1e-9), more_s)

    def _ahead(
        self, stand: _Stand, step: FloatArray, residual_a: FloatArray, whole: bool
    ) -> tuple[_Stand, FloatArray]:
        """Down the step: all of it, unless that overshoots the convex function.

        Returns:
            Where that leads, and the residual there.
        """
        enough = max(0.0, -0.5 * float(residual_a @ step))
        length = 1.0
        for _ in range(MOST_HALVINGS):
            ahead = self._at(stand.x + length * step)
            ahead_a = self._residual(ahead)
            if whole or ahead_a @ step <= enough:
                break
            length /= 2.0
        return ahead, ahead_a
