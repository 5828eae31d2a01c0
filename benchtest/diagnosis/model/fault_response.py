"""Response of every reading to every single power fault: one factorization, rank-one changes.

With `K = G⁻¹ a` for a joint's incidence column `a`, a joint whose conductance changes by `δ` moves
the unknowns from `x` to `x - K φ (aᵀx)`, `φ = δ / (1 + δ aᵀK)`. This is exact while every node
stays on the linear part of its I-V curve; otherwise the circuit is solved again for that fault. A
short between the rails is a current at its place.

Source: Sherman and Morrison, Annals of Mathematical Statistics 21(1), 1950.
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
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.model.wiring_faults import DataRemap, extra_a
from benchtest.diagnosis.thresholds import MAX_FAULT_OHM, MIN_FAULT_OHM
from benchtest.prop.design import Design, Place, StrandEnd, rail_probe
from benchtest.prop.lit_set import LitSet


def short_places(design: Design) -> list[Place]:
    """Return the places where a short is tried.

    Every bus pad, and the ends of links and feeds that are on no bus.
    """
    found: list[Place] = [pad for bus in design.buses for pad in bus.pads]
    ends = {end for link in design.links for end in (link.first, link.second)}
    ends |= {feed.at for feed in design.feeds if isinstance(feed.at, StrandEnd)}
    ends -= {end for bus in design.buses for end in bus.ends}
    return [*found, *sorted(ends)]


@dataclass(frozen=True)
class ShortEffects:
    """Response to a current of one ampere drawn from + to - at each place.

    Attributes:
        places: where it is drawn.
        x: voltage of the unknowns, shape (unknowns, places). [V/A]
        driving_point_ohm: voltage at the place itself, shape (places,). [Ω]
        node_ohm: mean voltage at the loaded nodes, shape (places,). [Ω]
    """

    places: tuple[Place, ...]
    x: FloatArray
    driving_point_ohm: FloatArray
    node_ohm: FloatArray


def short_effects(circuit: Circuit) -> ShortEffects:
    """Return the response to a current at every place, with the circuit's own factorization.

    The loads count as constant currents: only copper and joints are in the factor.
    """
    places = short_places(circuit.design)
    across = circuit.probe_incidence([rail_probe(place) for place in places])
    x = circuit.factor.solve(across.columns())
    driving_point_ohm = np.einsum("uj,uj->j", across.columns(), x)
    return ShortEffects(
        tuple(places), x, driving_point_ohm, circuit.load_incidence.across(x).mean(axis=0)
    )


GRID_SIZE = 121
"""Number of resistances in the grid, evenly spaced on a logarithmic scale (6 % apart)."""
GRID_OHM = np.geomspace(MIN_FAULT_OHM, MAX_FAULT_OHM, GRID_SIZE)
"""Resistances of the grid. [Ω]"""
GRID_STEP_LOG = float(np.log(MAX_FAULT_OHM / MIN_FAULT_OHM) / (GRID_SIZE - 1))
"""Logarithm of the ratio of adjacent resistances of the grid."""
CELL_SD = float(GRID_STEP_LOG / np.sqrt(12.0))
"""Standard deviation of the logarithm of resistance within one grid cell, uniform over a step."""
OPEN_COLUMN = GRID_SIZE
"""Column of the open joint, after those of the grid."""
COLUMNS = GRID_SIZE + 1
"""Number of columns: the grid and, last, the open joint."""
MAX_SOLUTION_CACHE_OCTETS, OCTETS_PER_POINT = 30_000_000, 400
"""Memory that cached solutions of faults may use, and the memory of one for each point of its
circuit: 220 measured for a joint with a resistance, which shares the rest with the prop without the
fault, 510 for an open one."""
MAX_LIT_SET_CACHE_OCTETS, MIN_CACHED_LIT_SETS = 50_000_000, 24
"""Approximate memory that lit sets may use from one finding to the next, and the number of them
kept in any case, since one finding uses about so many."""
MAX_EFFECTS_OCTETS, MAX_EFFECTS_OCTETS_BETWEEN = 80_000_000, 20_000_000
"""Memory of the joints' effects under lit sets with a factor of their own, within a finding and
from one finding to the next. Of a prop of 64 strands of 50 nodes each lit set needs 20 MB."""
MIN_LARGE_NODES = 1000
"""Nodes from which the response of a single joint is computed separately, and from which a circuit
is solved from the operating point of a similar one. Smaller props hardly gain from either."""
RESIDUAL_V = 1.7
"""Voltage that remains on a strand in undervoltage: below, its nodes draw next to nothing. [V]
Common practice, no source."""


@dataclass(frozen=True)
class JointEffects:
    """Response to one ampere injected through each joint.

    It depends on the factor only: one for all lit sets with constant loads.

    Attributes:
        branch: `Aᵀ K`, voltage across each kept branch, shape (kept, joints). [V/A]
        load: voltage at each loaded node, shape (loaded nodes, joints). [V/A]
    """

    branch: FloatArray
    load: FloatArray

    @property
    def octets(self) -> int:
        """Memory of both."""
        return self.branch.nbytes + self.load.nbytes


@dataclass(frozen=True)
class LitSetResponse:
    """The healthy prop under one lit set, and the effect of a change of each joint on it.

    Attributes:
        lit: strands lit.
        solution: the healthy prop.
        owner: the responses of the design. The design holds its lit sets, so a lit set holds the
            design weakly: memory of a circuit with given faults is free as soon as it is dropped.
        driving_point_ohm: voltage across each joint per ampere injected through it, shape
            (joints,). [Ω]
        across_v: voltage across each joint, shape (joints,). [V]
        compensating_a: `-φ aᵀx`: current injected through each joint that has the same effect as
            its change to each resistance, shape (joints, COLUMNS). [A]
        factor_phi: `φ`, shape (joints, COLUMNS). [S]
        cut: True where the change has no finite effect because it cuts copper off, shape (joints,
            COLUMNS).
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
        assert responses is not None, "the design of this response has been deleted"
        return responses

    @property
    def effects(self) -> JointEffects:
        """Response to one ampere injected through each joint."""
        return self.responses.effects_under(self.lit, self.solution)

    @cached_property
    def nonlinear(self) -> NDArray[np.bool_]:
        """True where some node leaves the linear part of its I-V curve, shape (joints, COLUMNS)."""
        return self.cut | self.responses.nonlinear_where(self, self.joint_load, self.compensating_a)

    @cached_property
    def cell_compensating_a(self) -> FloatArray:
        """SD of `compensating_a` within one grid cell, shape (joints, COLUMNS). [A]"""
        per_log_ohm = np.gradient(self.compensating_a[:, :GRID_SIZE], np.log(GRID_OHM), axis=1)
        return CELL_SD * np.column_stack([per_log_ohm, np.zeros(len(per_log_ohm))])

    @cached_property
    def remapped_a(self) -> list[tuple[int, IndexArray, FloatArray]]:
        """Additional node currents under each fault that changes the data of some nodes.

        For each such fault its index in `FaultSpace.chain`, the nodes, shape (n,), and their
        additional current, shape (n,). [A]
        """
        found = []
        for number, fault in enumerate(self.responses.space.chain):
            if fault.remap is not None:
                nodes, extra = extra_a(fault.remap, self.solution)
                if len(nodes):
                    found.append((number, nodes, extra))
        return found

    def effects_of_joint(self, joint: int) -> JointEffects:
        """Return `effects` of one joint only, shapes (kept, 1) and (loaded nodes, 1)."""
        return self.responses.effects_of(self.solution, joint)

    def nonlinear_row(self, joint: int) -> NDArray[np.bool_]:
        """Return one row of `nonlinear`, without computing the others, shape (COLUMNS,)."""
        row = slice(joint, joint + 1)
        nonlinear_where = self.responses.nonlinear_where(
            self, self.effects_of_joint(joint).load, self.compensating_a[row]
        )
        return np.asarray((self.cut[row] | nonlinear_where)[0])

    @property
    def joint_branch(self) -> FloatArray:
        """Voltage across each kept branch per ampere at each joint, shape (kept, joints). [V/A]"""
        return self.effects.branch

    @property
    def joint_load(self) -> FloatArray:
        """Voltage at each loaded node per ampere at each joint, (loaded nodes, joints). [V/A]"""
        return self.effects.load


@dataclass(eq=False)
class DesignResponse:
    """Responses of one design under each lit set, and solutions of nonlinear faults; both cached.

    Attributes:
        design: the prop.
        space: its single faults, without the given ones.
        given: resistance of each joint that is assumed faulty. [Ω]
        dark: nodes that a given fault keeps dark, shape (nodes,); None without a dark node.
        remap: given faults that change the data of some nodes.
        fault_free: responses of the same design with nothing given; None if nothing is given.
        mark_tallies: cached tallies of marks; see `likelihood.marks`.
    """

    design: Design
    space: FaultSpace
    given: Mapping[str, float] = field(default_factory=dict)
    dark: NDArray[np.bool_] | None = None
    remap: tuple[DataRemap, ...] = ()
    fault_free: DesignResponse | None = None
    _flat_stiffness: FloatArray | None = None
    _solutions: dict[LitSet, Solution] = field(default_factory=dict)
    _bases: dict[LitSet, LitSetResponse] = field(default_factory=dict)
    _exact: dict[tuple[str, float, LitSet], Solution] = field(default_factory=dict)
    _flat_alone: dict[int, JointEffects] = field(default_factory=dict)
    _own_effects: dict[LitSet, JointEffects] = field(default_factory=dict)
    mark_tallies: dict[tuple[bool, bytes, bytes], FloatArray] = field(default_factory=dict)

    @property
    def is_fault_free(self) -> bool:
        """True if no fault is given."""
        return not self.given and self.dark is None and not self.remap

    @property
    def is_large(self) -> bool:
        """True if the design is large enough to save work at the cost of last digits."""
        return self.design.node_count >= MIN_LARGE_NODES

    def received(self, lit: LitSet) -> FloatArray:
        """Return the duty that the data asks of each channel, shape (nodes, colours).

        Given faults that change data are included, those that keep nodes dark are not.
        """
        duty = lit.duty(self.design)
        for remap in self.remap:
            duty = remap.received(duty)
        return duty

    def duty(self, lit: LitSet) -> FloatArray:
        """Return the duty of each channel, shape (nodes, colours).

        It is 0 for nodes that given faults keep dark.
        """
        duty = self.received(lit)
        if self.dark is not None:
            duty[self.dark] = 0.0
        return duty

    @cached_property
    def circuit(self) -> Circuit:
        """The prop with only the given faults, factored."""
        if self.fault_free is not None:
            return self.fault_free.circuit.changed(self.given)
        return Circuit(self.design, self.given)

    @cached_property
    def short_effects(self) -> ShortEffects:
        """Response to a current between the rails at every place; no fault given."""
        return short_effects(self.circuit)

    @cached_property
    def joint_places(self) -> NDArray[np.intp]:
        """Index of each joint of `space` in `Circuit.joint_rows`, shape (joints,).

        The rows of the circuit contain the given joints too.
        """
        names, _ = self.circuit.joint_rows
        place_of = {name: place for place, name in enumerate(names)}
        return np.array([place_of[joint.name] for joint in self.space.joints], dtype=np.intp)

    @cached_property
    def joint_columns(self) -> NDArray[np.intp]:
        """Index of each joint of `space` among the kept branches, shape (joints,)."""
        return self.circuit.joint_rows[1][self.joint_places]

    @property
    def octets(self) -> int:
        """Approximate memory of the joints' effects and of solutions with factors of their own."""
        effects = sum(one.octets for one in self._own_effects.values())
        if "_flat_effects" in vars(self):
            effects += self._flat_effects.octets
        bases = self._bases.values()
        own = sum(not self.circuit.is_flat(base.solution.factor) for base in bases)
        points = self.circuit.netlist.point_count * (own + len(self._exact))
        return effects + OCTETS_PER_POINT * points

    @cached_property
    def _flat_effects(self) -> JointEffects:
        return self._effects(self.circuit.factor, self.joint_columns)

    def effects_of(self, solution: Solution, joint: int) -> JointEffects:
        """Return the response to one ampere injected through one joint at a solution."""
        flat = self.circuit.is_flat(solution.factor)
        if flat and joint in self._flat_alone:
            return self._flat_alone[joint]
        made = self._effects(solution.factor, self.joint_columns[joint : joint + 1])
        if flat:
            self._flat_alone[joint] = made
        return made

    def effects_under(self, lit: LitSet, solution: Solution) -> JointEffects:
        """Return the response to one ampere injected through each joint, at a lit set's solution.

        With loads that are not constant, the least recently used results are dropped.
        """
        if self.circuit.is_flat(solution.factor):
            return self._flat_effects
        made = self._own_effects.pop(lit, None)
        if made is None:
            made = self._effects(solution.factor, self.joint_columns)
        self._own_effects[lit] = made
        self._drop_effects(MAX_EFFECTS_OCTETS)
        return made

    def _drop_effects(self, max_octets: int) -> None:
        """Drop the least recently used effects of lit sets until they fit."""
        octets = sum(one.octets for one in self._own_effects.values())
        while octets > max_octets and len(self._own_effects) > 1:
            octets -= self._own_effects.pop(next(iter(self._own_effects))).octets

    def _effects(self, factor: Factor, columns: IndexArray) -> JointEffects:
        circuit = self.circuit
        x = factor.solve(circuit.incidence.only(columns).columns())
        return JointEffects(circuit.incidence.across(x), circuit.load_incidence.across(x))

    def base(self, lit: LitSet) -> LitSetResponse:
        """Return the healthy prop under a lit set, with every joint's effect on it."""
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
        # an open joint without a parallel path cuts copper off: the change is not small then
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
        """Return the operating point under a lit set, with only the given faults."""
        made = self._solutions.get(lit)
        if made is None:
            duty = self.duty(lit)
            made = solve(self.circuit, duty, self._warm_start(lit))
            if self.given:
                made = self._with_dropouts(made, duty)
            self._solutions[lit] = made
        return made

    def _with_dropouts(
        self, solution: Solution, duty: FloatArray, *, warm: bool = False
    ) -> Solution:
        """Return the operating point with nodes below their logic voltage dark.

        Args:
            solution: with all nodes lit that receive data.
            duty: of each channel there, shape (nodes, colours).
            warm: True to start Newton's method from `solution`.
        """
        dropped = (solution.node_v < self.design.node.logic_v) & duty.any(axis=1)
        if not dropped.any():
            return solution
        return solve(
            solution.circuit, np.where(dropped[:, None], 0.0, duty), solution if warm else None
        )

    def dropped_out(self, lit: LitSet, solution: Solution) -> NDArray[np.bool_]:
        """Return the nodes that have lost their data from undervoltage, shape (nodes,)."""
        return np.asarray(self.duty(lit).any(axis=1) & ~solution.duty.any(axis=1))

    def visible_v(self, lit: LitSet, solution: Solution) -> FloatArray:
        """Return each node's voltage, or 0 if it has dropped out, shape (nodes,). [V]

        Once dark, such nodes may recover a sufficient voltage, until data lights them again.
        """
        return np.where(self.dropped_out(lit, solution), 0.0, solution.node_v)

    def forget(self) -> None:
        """Drop the lit sets requested first until the cache is within its limit.

        Recomputing them gives the same result. Do not call this during a finding.
        """
        each = 24 * len(self.space.joints) * COLUMNS
        each += OCTETS_PER_POINT * self.circuit.netlist.point_count
        limit = max(MAX_LIT_SET_CACHE_OCTETS // each, MIN_CACHED_LIT_SETS)
        for cache in (self._bases, self._solutions):
            for lit in list(cache)[: max(len(cache) - limit, 0)]:
                cache.pop(lit, None)
        for lit in [lit for lit in self._own_effects if lit not in self._bases]:
            del self._own_effects[lit]
        self._drop_effects(MAX_EFFECTS_OCTETS_BETWEEN)

    def has_cached(self, lit: LitSet) -> bool:
        """Return True if a lit set's response is cached."""
        return lit in self._bases

    def _warm_start(self, lit: LitSet) -> Solution | None:
        """Return the operating point to start a large prop from; independent of the cache."""
        if self.fault_free is None or not self.is_large:
            return None
        if not self.circuit.shares_unknowns(self.fault_free.circuit):
            return None
        return self.fault_free.solution(lit)

    def _driving_point_ohm(self, solution: Solution) -> FloatArray:
        """Return the voltage across each joint per ampere through it, shape (joints,). [Ω]"""
        if self.circuit.is_flat(solution.factor):
            if self._flat_stiffness is None:
                self._flat_stiffness = solution.joint_stiffness
            solution.joint_stiffness = self._flat_stiffness  # it depends on the factor only
        columns = self.joint_columns
        stiffness = solution.joint_stiffness[self.joint_places]
        return np.asarray(stiffness / self.circuit.conductance_s[columns])

    def nonlinear_where(
        self, base: LitSetResponse, per_amp: FloatArray, compensating_a: FloatArray
    ) -> NDArray[np.bool_]:
        """Return the faults under which some node leaves the linear part of its I-V curve.

        Args:
            base: a lit set.
            per_amp: voltage at each loaded node per ampere at each tried joint, (loaded, tried).
                [V/A]
            compensating_a: compensating currents of their faults, shape (tried, COLUMNS). [A]

        Returns:
            Shape (tried, COLUMNS).
        """
        headroom_v = base.solution.node_v[self.circuit.loaded] - self._linear_above_v(base)
        # a node that is nonlinear already has its slope in the factor
        headroom_v = np.where(headroom_v > 0.0, headroom_v, np.inf)
        with np.errstate(divide="ignore"):
            down_a = np.where(per_amp < 0.0, headroom_v[:, None] / -per_amp, np.inf)
            up_a = np.where(per_amp > 0.0, headroom_v[:, None] / per_amp, np.inf)
        # `initial`: no node draws current if open joints cut all of them off
        most_a = down_a.min(axis=0, initial=np.inf)
        least_a = -up_a.min(axis=0, initial=np.inf)
        return np.asarray((compensating_a > most_a[:, None]) | (compensating_a < least_a[:, None]))

    def _linear_above_v(self, base: LitSetResponse) -> FloatArray:
        """Return the voltage above which each node's I-V curve is linear, (loaded nodes,). [V]"""
        kind = self.design.node
        knee = kind.dark_v if kind.family == "resistor" else kind.full_v
        margin_v = CORNER_V if kind.family == "resistor" else 0.0
        knees_v = np.array([knee[colour] + margin_v for colour in kind.colours])
        duty = self.duty(base.lit)[self.circuit.loaded]
        if kind.family == "regulated":  # linear enough over a fiftieth of its voltage
            return np.asarray(0.98 * base.solution.node_v[self.circuit.loaded])
        lit_knee_v = np.where(duty > 0.0, knees_v, 0.0).max(axis=1)
        return np.asarray(np.maximum(lit_knee_v, kind.logic_v))

    def capped_compensating_a(self, base: LitSetResponse) -> FloatArray:
        """Return `compensating_a` limited where a strand is in undervoltage, for estimates.

        Constant loads would drop more than the supply's voltage; a strand in undervoltage keeps
        about `RESIDUAL_V`.

        Returns:
            Shape (joints, COLUMNS). [A]
        """
        driving_point_ohm = base.driving_point_ohm
        supply_v = float(self.circuit.supply_v.max())
        limit_v = np.maximum(supply_v - RESIDUAL_V, 0.0)
        across_v = base.across_v[:, None] + driving_point_ohm[:, None] * base.compensating_a
        # an open joint in a lone feed has no finite effect: use the limit
        across_v = np.where(base.cut, np.sign(base.across_v)[:, None] * 1e9, across_v)
        capped_v = np.clip(across_v, -limit_v, limit_v)
        return np.asarray((capped_v - base.across_v[:, None]) / driving_point_ohm[:, None])

    def pair_compensating_a(
        self,
        base: LitSetResponse,
        joint: IndexArray,
        column: IndexArray,
        other: IndexArray,
        other_column: IndexArray,
    ) -> FloatArray:
        """Return the compensating currents of two joints' faults together, shape (2, pairs). [A]

        The change of rank two is exact while loads stay constant: `(1 + δ A) c = -δ v`, with `c`
        the result, `v` the voltages across both joints and `A` those per ampere through either.
        Limited as in `capped_compensating_a`.

        Args:
            base: a lit set.
            joint: index in `space` of the first joint, shape (pairs,).
            column: its resistance, as a column of the grid, shape (pairs,).
            other: index of the second joint, shape (pairs,).
            other_column: its resistance, shape (pairs,).

        Source: Woodbury's formula; Hager, SIAM Review 31(2), 1989.
        """
        both, at = np.stack([joint, other]), np.stack([column, other_column])
        healthy_ohm = np.array([each.ohm for each in self.space.joints])
        change_s = np.append(1.0 / GRID_OHM, 0.0)[at] - 1.0 / healthy_ohm[both]
        branch = base.joint_branch
        row, other_row = self.joint_columns[joint], self.joint_columns[other]
        across_ohm = np.array(
            [
                [branch[row, joint], branch[row, other]],
                [branch[other_row, joint], branch[other_row, other]],
            ]
        )
        across_v = base.across_v[both]
        matrix = np.moveaxis(change_s[:, None] * across_ohm, -1, 0) + np.eye(2)
        # two open joints that cut copper off make it singular: nearly open is close enough
        singular = np.abs(np.linalg.det(matrix)) < 1e-9
        matrix[singular] += 1e-6 * np.eye(2)
        compensating_a = np.linalg.solve(matrix, -(change_s * across_v).T[..., None])[..., 0].T
        limit_v = max(float(self.circuit.supply_v.max()) - RESIDUAL_V, 1e-9)
        after_v = across_v + np.einsum("ijp,jp->ip", across_ohm, compensating_a)
        over = np.maximum(np.abs(after_v).max(axis=0) / limit_v, 1.0)
        return np.asarray(compensating_a / over)

    def extra_load_a(self, base: LitSetResponse, chain: int) -> FloatArray:
        """Return the additional load current under a fault of `space.chain`, (loaded,). [A]"""
        fault, solution = self.space.chain[chain], base.solution
        loaded, kind = self.circuit.loaded, self.design.node
        added_a = np.zeros(self.design.node_count)
        if fault.remap is not None:
            nodes, added = extra_a(fault.remap, solution)
            added_a[nodes] = added
            return added_a[loaded]
        dark = np.zeros(self.design.node_count, dtype=bool)
        dark[self.space.order[fault.start : fault.stop]] = True
        volts = solution.node_v[loaded]
        idle = node_loads(kind, volts, np.zeros_like(solution.duty[loaded]))
        return np.where(dark[loaded], idle.node_a - solution.load_a, 0.0)

    def exact(self, joint: str, column: int, lit: LitSet) -> Solution:
        """Return the operating point with one joint changed.

        Nodes below their logic voltage are dark. The least recently used solutions are dropped.

        Args:
            joint: name of the joint.
            column: its resistance, as a column of the grid.
            lit: strands lit.
        """
        ohm = float(GRID_OHM[column]) if column < OPEN_COLUMN else math.inf
        key = (joint, ohm, lit)
        solution = self._exact.pop(key, None) or self.solve_changed(joint, ohm, lit)
        octets = OCTETS_PER_POINT * self.circuit.netlist.point_count
        while len(self._exact) * octets > MAX_SOLUTION_CACHE_OCTETS:
            self._exact.pop(next(iter(self._exact)))  # least recently used first
        self._exact[key] = solution
        return solution

    def solve_changed(self, joint: str, ohm: float, lit: LitSet) -> Solution:
        circuit, duty = self.circuit.changed({joint: ohm}), self.duty(lit)
        warm = self.is_large and circuit.shares_unknowns(self.circuit)
        base = self.base(lit).solution if warm else None
        solution = solve(circuit, duty, base)
        solution = self._with_dropouts(solution, duty, warm=warm)
        if base is not None:
            # the change of a healthy joint's current is that of the prop without the fault
            solution.joint_stiffness = base.joint_stiffness
        return solution
