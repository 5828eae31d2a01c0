"""How every single power fault moves every reading: one factorisation, rank-one changes.

With `K = G⁻¹ a` for a joint's incidence column `a`, a joint whose conductance changes by `δ` moves
the unknowns from `x` to `x - K φ (aᵀx)`, `φ = δ / (1 + δ aᵀK)` (Sherman and Morrison). That is
exact while every node stays on the straight part of its law; where one does not, the circuit is
solved anew for that fault.
"""

from __future__ import annotations

import math
import weakref
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.ladder import Factor
from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.node_loads import CORNER_V, node_loads
from benchtest.circuit.solution import Solution, solve
from benchtest.diagnosis.model.faults import LEAST_OHM, MOST_OHM, FaultSpace
from benchtest.diagnosis.model.rail_shorts import ShortEffects, short_effects
from benchtest.diagnosis.model.wiring_faults import DataRemap, extra_a
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet

GRID = 121
"""Resistances that a joint is tried at, evenly spaced on a logarithmic scale (6 % apart)."""
GRID_OHM = np.geomspace(LEAST_OHM, MOST_OHM, GRID)
"""The resistances tried. [Ω]"""
STEP_LOG = float(np.log(MOST_OHM / LEAST_OHM) / (GRID - 1))
"""A step of the grid, as a logarithm."""
CELL_SD = float(STEP_LOG / np.sqrt(12.0))
"""A resistance that is tried stands for all from half a step below it to half a step above: the
standard deviation of their logarithm."""
COLUMNS = GRID + 1
"""The grid and, last, the joint open."""
MOST_KEPT_OCTETS, OCTETS_A_POINT = 30_000_000, 400
"""Memory that solutions of faults may take, and what each takes for a point of its circuit: 220 of
a joint with a resistance, which shares the rest with the prop without the fault, 510 of an open."""
MOST_LIT_OCTETS, LEAST_LIT_SETS = 50_000_000, 64
"""Memory that lit sets may take from one finding to the next, about; so many are kept whatever
they take, for one finding asks for some tens of them."""
LARGE_NODES = 1000
"""Nodes from which what one joint asks for is worked out for it alone, and from which a circuit is
settled from one that is near. Smaller props hardly gain: theirs stay as they are."""
UNDERVOLTAGE_V = 1.7
"""Volts that a starved strand keeps: below, its nodes draw next to nothing. [V] Common practice."""


@dataclass(frozen=True)
class JointEffects:
    """What an ampere pushed through each joint does; one for all lit sets with flat loads.

    Attributes:
        branch: `Aᵀ K`, volts into each kept branch, shape (kept, joints). [V/A]
        load: volts at each loaded node, shape (loaded nodes, joints). [V/A]
    """

    branch: FloatArray
    load: FloatArray


@dataclass(frozen=True)
class LitSetResponse:
    """The healthy prop with given strands lit, and what a change at each joint does to it.

    Attributes:
        lit: strands lit.
        solution: the healthy prop.
        owner: the responses of the design. They keep their bases, so no base keeps them: memory of
            a circuit with given faults is free as soon as it is dropped.
        own_ohm: what an ampere pushed through each joint does to its own volts, shape (joints,).
            [Ω]
        across_v: volts across each joint, shape (joints,). [V]
        compensating_a: `-φ aᵀx`: amperes that stand in for each joint at each resistance,
            shape (joints, COLUMNS). [A]
        factor_phi: `φ`, shape (joints, COLUMNS). [S]
        cut: where the change has no limit: copper is cut off, shape (joints, COLUMNS).
    """

    lit: LitSet
    solution: Solution
    owner: weakref.ref[DesignResponse]
    driving_point_ohm: FloatArray
    across_v: FloatArray
    compensating_a: FloatArray
    factor_phi: FloatArray
    cut: NDArray[np.bool_]

    @property
    def responses(self) -> DesignResponse:
        """The responses of the design."""
        responses = self.owner()
        assert responses is not None, "a base outlived its circuit"
        return responses

    @cached_property
    def effects(self) -> JointEffects:
        """What an ampere pushed through each joint does; a choice of readings needs none."""
        return self.responses.effects_at(self.solution)

    @cached_property
    def nonlinear(self) -> NDArray[np.bool_]:
        """Where some node leaves the straight part of its law, shape (joints, COLUMNS)."""
        return self.cut | self.responses.nonlinear_where(self, self.joint_load, self.compensating_a)

    @cached_property
    def cell_compensating_a(self) -> FloatArray:
        """Standard deviation of `compensating_a` within a step of the grid, same shape. [A]"""
        per_log_ohm = np.gradient(self.compensating_a[:, :GRID], np.log(GRID_OHM), axis=1)
        return CELL_SD * np.column_stack([per_log_ohm, np.zeros(len(per_log_ohm))])

    @cached_property
    def remapped_a(self) -> list[tuple[int, IndexArray, FloatArray]]:
        """Chain faults that make nodes draw more, or less, by data that are not theirs.

        Their place in the fault space, the nodes, shape (n,), and their more, shape (n,). [A]
        """
        found = []
        for number, fault in enumerate(self.responses.space.chain):
            if fault.remap is not None:
                nodes, extra = extra_a(fault.remap, self.solution)
                if len(nodes):
                    found.append((number, nodes, extra))
        return found

    def alone(self, joint: int) -> JointEffects:
        """The same of one joint, without the others, shape (kept, 1) and (loaded nodes, 1)."""
        return self.responses.effects_of(self.solution, joint)

    def nonlinear_row(self, joint: int) -> NDArray[np.bool_]:
        """One row of `nonlinear`, without the others, shape (COLUMNS,)."""
        row = slice(joint, joint + 1)
        nonlinear_where = self.responses.nonlinear_where(
            self, self.alone(joint).load, self.compensating_a[row]
        )
        return np.asarray((self.cut[row] | nonlinear_where)[0])

    @property
    def joint_branch(self) -> FloatArray:
        """Volts into each kept branch per ampere at each joint, shape (kept, joints). [V/A]"""
        return self.effects.branch

    @property
    def joint_load(self) -> FloatArray:
        """Volts at each loaded node per ampere at each joint, (loaded nodes, joints). [V/A]"""
        return self.effects.load


@dataclass(eq=False)
class DesignResponse:
    """Bases of one design by lit set, and exact solutions of faults that starve nodes; kept."""

    design: Design
    space: FaultSpace
    given: Mapping[str, float] = field(default_factory=dict)
    """Joints that are taken to be at fault, whatever else is; `space` is without them. [Ω]"""
    dark: NDArray[np.bool_] | None = None
    """Nodes that a fault taken for given keeps dark, shape (nodes,)."""
    remap: tuple[DataRemap, ...] = ()
    """Faults taken for given that tell nodes what is not theirs."""
    near: DesignResponse | None = None
    """The same design with nothing given."""
    _flat_stiffness: FloatArray | None = None
    _solutions: dict[LitSet, Solution] = field(default_factory=dict)
    _bases: dict[LitSet, LitSetResponse] = field(default_factory=dict)
    _exact: dict[tuple[str, float, LitSet], Solution] = field(default_factory=dict)
    _flat_alone: dict[int, JointEffects] = field(default_factory=dict)
    tallies: dict[tuple[bool, bytes, bytes], FloatArray] = field(default_factory=dict)
    """Tallies of looks; see `likelihood.marks`."""

    @property
    def is_plain(self) -> bool:
        """True where nothing is taken for given."""
        return not self.given and self.dark is None and not self.remap

    @property
    def is_large(self) -> bool:
        """True where work is saved at the cost of a last digit; see `LARGE_NODES`."""
        return self.design.node_count >= LARGE_NODES

    def received(self, lit: LitSet) -> FloatArray:
        """Duty of each channel by what data it would get, shape (nodes, colours)."""
        duty = lit.duty(self.design)
        for remap in self.remap:
            duty = remap.received(duty)
        return duty

    def duty(self, lit: LitSet) -> FloatArray:
        """Duty of each channel that gets its data, shape (nodes, colours)."""
        duty = self.received(lit)
        if self.dark is not None:
            duty[self.dark] = 0.0
        return duty

    @cached_property
    def circuit(self) -> Circuit:
        """The prop with nothing wrong but what is given, factored."""
        if self.near is not None:
            return self.near.circuit.changed(self.given)
        return Circuit(self.design, self.given)

    @cached_property
    def short_effects(self) -> ShortEffects:
        """Effects of an ampere between the rails at every place, with no fault given."""
        return short_effects(self.circuit)

    @cached_property
    def joint_places(self) -> NDArray[np.intp]:
        """Place of each joint in `Circuit.joint_rows`, which has the given ones too, (joints,)."""
        names, _ = self.circuit.joint_rows
        place_of = {name: place for place, name in enumerate(names)}
        return np.array([place_of[joint.name] for joint in self.space.joints], dtype=np.intp)

    @cached_property
    def joint_columns(self) -> NDArray[np.intp]:
        """Column of each joint among the kept branches, shape (joints,)."""
        return self.circuit.joint_rows[1][self.joint_places]

    @property
    def octets(self) -> int:
        """Memory that effects of joints and solutions with factors of their own take, about."""
        bases = list(self._bases.values())
        made = {id(base.effects): base for base in bases if "effects" in vars(base)}
        effects = [base.effects.branch.nbytes + base.effects.load.nbytes for base in made.values()]
        own = sum(not self.circuit.is_flat(base.solution.factor) for base in bases)
        points = self.circuit.netlist.point_count * (own + len(self._exact))
        return sum(effects) + OCTETS_A_POINT * points

    @cached_property
    def _flat_effects(self) -> JointEffects:
        return self._effects(self.circuit.factor, self.joint_columns)

    def effects_of(self, solution: Solution, joint: int) -> JointEffects:
        """What an ampere pushed through one joint does at a solution of `circuit`."""
        flat = self.circuit.is_flat(solution.factor)
        if flat and joint in self._flat_alone:
            return self._flat_alone[joint]
        made = self._effects(solution.factor, self.joint_columns[joint : joint + 1])
        if flat:
            self._flat_alone[joint] = made
        return made

    def effects_at(self, solution: Solution) -> JointEffects:
        """What an ampere pushed through each joint does at a solution of `circuit`."""
        if self.circuit.is_flat(solution.factor):
            return self._flat_effects
        return self._effects(solution.factor, self.joint_columns)

    def _effects(self, factor: Factor, columns: IndexArray) -> JointEffects:
        circuit = self.circuit
        x = factor.solve(circuit.incidence.only(columns).columns())
        return JointEffects(circuit.incidence.across(x), circuit.load_incidence.across(x))

    def base(self, lit: LitSet) -> LitSetResponse:
        """The healthy prop under a lit set, with every joint's effect on it."""
        made = self._bases.get(lit)
        if made is None:
            made = self._bases[lit] = self._make_base(lit)
        return made

    def _make_base(self, lit: LitSet) -> LitSetResponse:
        solution = self.solution(lit)
        columns = self.joint_columns
        driving_point_ohm = self._driving_point_ohm(solution)
        healthy_ohm = np.array([joint.ohm for joint in self.space.joints])
        across_v = solution.branch_a[columns] * healthy_ohm
        change_s = np.append(1.0 / GRID_OHM, 0.0) - 1.0 / healthy_ohm[:, None]
        remains = 1.0 + change_s * driving_point_ohm[:, None]
        # an open joint that nothing else bridges cuts copper off: there is no small change then
        cut = remains < 1e-9
        phi = np.where(cut, 0.0, change_s / np.where(cut, 1.0, remains))
        return LitSetResponse(
            lit,
            solution,
            weakref.ref(self),
            driving_point_ohm,
            across_v,
            -phi * across_v[:, None],
            phi,
            cut,
        )

    def solution(self, lit: LitSet) -> Solution:
        """The prop under a lit set, with nothing more wrong."""
        made = self._solutions.get(lit)
        if made is None:
            duty = self.duty(lit)
            made = solve(self.circuit, duty, self._near(lit))
            if self.given:
                made = self._with_fallen(made, duty)
            self._solutions[lit] = made
        return made

    def _with_fallen(self, solution: Solution, duty: FloatArray, *, warm: bool = False) -> Solution:
        """Return the solution once nodes whose logic stops have lost their data, and are dark.

        Args:
            solution: with all of them lit.
            duty: of each channel there, shape (nodes, colours).
            warm: whether to solve from near.
        """
        fallen = (solution.node_v < self.design.node.logic_v) & duty.any(axis=1)
        if not fallen.any():
            return solution
        return solve(
            solution.circuit, np.where(fallen[:, None], 0.0, duty), solution if warm else None
        )

    def fallen(self, lit: LitSet, solution: Solution) -> NDArray[np.bool_]:
        """Return the nodes that have lost their data for want of volts, shape (nodes,)."""
        return np.asarray(self.duty(lit).any(axis=1) & ~solution.duty.any(axis=1))

    def seen_v(self, lit: LitSet, solution: Solution) -> FloatArray:
        """Return the volts of every node, 0 of those that are dark for want of them, (nodes,).

        Without their light they may see enough volts again, until they are told to light once more.
        """
        return np.where(self.fallen(lit, solution), 0.0, solution.node_v)

    def forget(self) -> None:
        """Let go of the lit sets that were asked for first, until the others have room.

        Asked for again they come out the same. Not to be called in the middle of a finding.
        """
        each = 8 * (3 * len(self.space.joints) * COLUMNS + 6 * self.circuit.netlist.point_count)
        most = max(MOST_LIT_OCTETS // each, LEAST_LIT_SETS)
        for kept in (self._bases, self._solutions):
            for lit in list(kept)[: max(len(kept) - most, 0)]:
                kept.pop(lit, None)

    def keeps(self, lit: LitSet) -> bool:
        """Whether a lit set was asked for and has not been let go of."""
        return lit in self._bases

    def _near(self, lit: LitSet) -> Solution | None:
        """Where to settle a large prop from; the same wherever it was asked for before."""
        if self.near is None or not self.is_large:
            return None
        if not self.circuit.shares_unknowns(self.near.circuit):
            return None
        return self.near.solution(lit)

    def _driving_point_ohm(self, solution: Solution) -> FloatArray:
        """What an ampere pushed through each joint does to its own volts, shape (joints,). [Ω]"""
        if self.circuit.is_flat(solution.factor):
            if self._flat_stiffness is None:
                self._flat_stiffness = solution.joint_stiffness
            solution.joint_stiffness = self._flat_stiffness  # the factor's, whatever is lit
        columns = self.joint_columns
        stiffness = solution.joint_stiffness[self.joint_places]
        return np.asarray(stiffness / self.circuit.conductance_s[columns])

    def nonlinear_where(
        self, base: LitSetResponse, per_amp: FloatArray, compensating_a: FloatArray
    ) -> NDArray[np.bool_]:
        """Faults under which some node leaves the straight part of its law.

        Args:
            base: a lit set.
            per_amp: volts at each loaded node per ampere at each joint asked for, (loaded, asked).
            compensating_a: amperes that stand in for their faults, shape (asked, COLUMNS). [A]

        Returns:
            Shape (asked, COLUMNS).
        """
        headroom_v = base.solution.node_v[self.circuit.loaded] - self._linear_above_v(base)
        headroom_v = np.where(headroom_v > 0.0, headroom_v, np.inf)  # bent already: slope is in
        with np.errstate(divide="ignore"):
            down_a = np.where(per_amp < 0.0, headroom_v[:, None] / -per_amp, np.inf)
            up_a = np.where(per_amp > 0.0, headroom_v[:, None] / per_amp, np.inf)
        # no node at all draws anything where open joints cut all of them off
        most_a = down_a.min(axis=0, initial=np.inf)
        least_a = -up_a.min(axis=0, initial=np.inf)
        return np.asarray((compensating_a > most_a[:, None]) | (compensating_a < least_a[:, None]))

    def _linear_above_v(self, base: LitSetResponse) -> FloatArray:
        """Volts above which each loaded node's law is a straight line, shape (loaded nodes,)."""
        kind = self.design.node
        knee = kind.dark_v if kind.family == "resistor" else kind.full_v
        margin_v = CORNER_V if kind.family == "resistor" else 0.0
        knees_v = np.array([knee[colour] + margin_v for colour in kind.colours])
        duty = self.duty(base.lit)[self.circuit.loaded]
        if kind.family == "regulated":  # a line is near enough over a fiftieth of its volts
            return np.asarray(0.98 * base.solution.node_v[self.circuit.loaded])
        lit_knee_v = np.where(duty > 0.0, knees_v, 0.0).max(axis=1)
        return np.asarray(np.maximum(lit_knee_v, kind.logic_v))

    def capped_compensating_a(self, base: LitSetResponse) -> FloatArray:
        """Return `compensating_a`, limited where nodes of a strand lack volts, for forecasts.

        Loads that stayed flat would drop more volts than there are; a starved strand keeps
        about `UNDERVOLTAGE_V`. Shape (joints, COLUMNS). [A]
        """
        driving_point_ohm = base.driving_point_ohm
        supply_v = float(self.circuit.supply_v.max())
        limit_v = np.maximum(supply_v - UNDERVOLTAGE_V, 0.0)
        across_v = base.across_v[:, None] + driving_point_ohm[:, None] * base.compensating_a
        # where the change has no limit (an open joint in a lone feed) take the greatest there is
        across_v = np.where(base.cut, np.sign(base.across_v)[:, None] * 1e9, across_v)
        held_v = np.clip(across_v, -limit_v, limit_v)
        return np.asarray((held_v - base.across_v[:, None]) / driving_point_ohm[:, None])

    def pair_compensating_a(
        self,
        base: LitSetResponse,
        joint: IndexArray,
        column: IndexArray,
        other: IndexArray,
        other_column: IndexArray,
    ) -> FloatArray:
        """Return amperes that stand in for two joints' faults together, shape (2, pairs). [A]

        The change of rank two is exact while loads stay flat: `(1 + δ A) c = -δ across`, with `c`
        the result and `A` the volts across both joints per ampere through either. Limited as in
        `capped_compensating_a`.

        Args:
            base: a lit set.
            joint: place of the one in `space`, shape (pairs,).
            column: its resistance, as a place in the grid.
            other: place of the other.
            other_column: its resistance.

        Source: Woodbury's formula; Hager, SIAM Review 31(2), 1989.
        """
        both, at = np.stack([joint, other]), np.stack([column, other_column])
        healthy_ohm = np.array([one.ohm for one in self.space.joints])
        change_s = np.append(1.0 / GRID_OHM, 0.0)[at] - 1.0 / healthy_ohm[both]
        branch = base.joint_branch
        one, two = self.joint_columns[joint], self.joint_columns[other]
        across_ohm = np.array(
            [[branch[one, joint], branch[one, other]], [branch[two, joint], branch[two, other]]]
        )
        across_v = base.across_v[both]
        matrix = np.moveaxis(change_s[:, None] * across_ohm, -1, 0) + np.eye(2)
        # two open joints that cut copper off have no small change: next to open is near enough
        singular = np.abs(np.linalg.det(matrix)) < 1e-9
        matrix[singular] += 1e-6 * np.eye(2)
        compensating_a = np.linalg.solve(matrix, -(change_s * across_v).T[..., None])[..., 0].T
        limit_v = max(float(self.circuit.supply_v.max()) - UNDERVOLTAGE_V, 1e-9)
        after_v = across_v + np.einsum("ijp,jp->ip", across_ohm, compensating_a)
        over = np.maximum(np.abs(after_v).max(axis=0) / limit_v, 1.0)
        return np.asarray(compensating_a / over)

    def more_a(self, base: LitSetResponse, chain: int) -> FloatArray:
        """Return what loaded nodes draw more under a fault of `space.chain`, (loaded,). [A]"""
        fault, solution = self.space.chain[chain], base.solution
        loaded, kind = self.circuit.loaded, self.design.node
        more = np.zeros(self.design.node_count)
        if fault.remap is not None:
            nodes, extra = extra_a(fault.remap, solution)
            more[nodes] = extra
            return more[loaded]
        dark = np.zeros(self.design.node_count, dtype=bool)
        dark[self.space.order[fault.start : fault.stop]] = True
        volts = solution.node_v[loaded]
        idle = node_loads(kind, volts, np.zeros_like(solution.duty[loaded]))
        return np.where(dark[loaded], idle.node_a - solution.load_a, 0.0)

    def exact(self, joint: str, column: int, lit: LitSet) -> Solution:
        """Return the prop with one joint changed; nodes whose logic stops are dark."""
        ohm = float(GRID_OHM[column]) if column < GRID else math.inf
        key = (joint, ohm, lit)
        solution = self._exact.pop(key, None) or self._solve_anew(joint, ohm, lit)
        octets = OCTETS_A_POINT * self.circuit.netlist.point_count
        while len(self._exact) * octets > MOST_KEPT_OCTETS:
            self._exact.pop(next(iter(self._exact)))  # the one not asked for longest goes
        self._exact[key] = solution
        return solution

    def _solve_anew(self, joint: str, ohm: float, lit: LitSet) -> Solution:
        circuit, duty = self.circuit.changed({joint: ohm}), self.duty(lit)
        warm = self.is_large and circuit.shares_unknowns(self.circuit)
        base = self.base(lit).solution if warm else None
        solution = solve(circuit, duty, base)
        solution = self._with_fallen(solution, duty, warm=warm)
        if base is not None:
            # how a healthy joint sheds current is taken from the prop without the fault
            solution.joint_stiffness = base.joint_stiffness
        return solution
