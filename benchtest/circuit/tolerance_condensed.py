"""Standard deviation of readings across healthy units, on the condensed system.

The sums are those of `benchtest.circuit.tolerance.reading_spread`, formed on the skeleton: the
effect of a cause on a reading is the reading's adjoint solution times the current that the cause
injects, and a current injected into a strand acts through the strand's two ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.ladder import COLUMNS_AT_ONCE, Factor
from benchtest.circuit.netlist import FloatArray, Incidence
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution
from benchtest.circuit.tolerance import (
    HAND_SOLDERED,
    Spread,
    Tolerances,
    circulating_current_a,
    joint_mean_effect,
    joint_moments,
    reading_spread,
    shared_weights,
)
from benchtest.prop.design import Probe

MIN_PROBES_BY_POINT = 1000
"""Probes from which their points are solved instead, faster and with one digit less."""


def standard_deviation_v(
    solution: Solution,
    probes: list[Probe],
    tolerances: Tolerances = HAND_SOLDERED,
    known_joints: frozenset[str] = frozenset(),
) -> FloatArray:
    """Return the standard deviation of each probe across healthy units.

    Args:
        solution: the prop with given strands lit.
        probes: the probes.
        tolerances: deviation of healthy units from the design.
        known_joints: joints of given resistance, which have no tolerance.

    Returns:
        Shape (probes,). [V]

    Source: the sums of `benchtest.circuit.tolerance.reading_spread` on the condensed system.
    """
    blocks = [
        probes[start : start + COLUMNS_AT_ONCE] for start in range(0, len(probes), COLUMNS_AT_ONCE)
    ]
    found = [_block_v(solution, block, tolerances, known_joints) for block in blocks]
    return np.concatenate(found) if found else np.zeros(0)


def _block_v(
    solution: Solution, probes: list[Probe], tolerances: Tolerances, known_joints: frozenset[str]
) -> FloatArray:
    read = _skeleton_columns(solution.circuit, solution.factor, probes)
    if read is None or tolerances.strand > 0.0:
        return reading_spread(solution, probes, tolerances, known_joints).sd_v
    back = solution.factor.solve_skeleton(read)
    across = solution.factor.on_skeleton(solution.circuit.joint_incidence).across(back)
    mean, shares = joint_moments(solution, tolerances)
    beyond = solution.circuit.probe_offset(probes) + joint_mean_effect(solution, across, mean)
    variance = (_shared(solution, back, beyond, tolerances) ** 2).sum(axis=1)
    variance += (_joints(solution, across, shares, tolerances, known_joints) ** 2).sum(axis=0)
    variance += tolerances.node**2 * _nodes(solution, back)
    return np.asarray(np.sqrt(variance))


def _skeleton_columns(
    circuit: Circuit, factor: Factor, probes: Sequence[Probe]
) -> FloatArray | None:
    """Return the coefficients of probes on the skeleton; None with a lead at an inner node."""
    read = circuit.probe_incidence(probes)
    ends = np.concatenate([read.tail, read.head])
    if (factor.ladders.place[ends[ends >= 0]] < 0).any():
        return None
    return factor.on_skeleton(read).columns()


def _shared(
    solution: Solution, back: FloatArray, beyond: FloatArray, tolerances: Tolerances
) -> FloatArray:
    """Return the effects of supplies, node current and materials, shape (probes, causes). [V]

    `beyond` is the change per volt of each supply with the unknowns held, (probes, feeds).
    """
    circuit, factor = solution.circuit, solution.factor
    pushed = circuit.conductance_s[:, None] * circuit.supply_matrix
    columns = [-circuit.incidence.gather(pushed) * circuit.supply_v * tolerances.supply]
    drawn = circuit.load_incidence.gather(solution.load_a)
    weighted = shared_weights(circuit, tolerances) * solution.branch_a
    moved = circuit.incidence.gather(weighted.T)
    three = np.column_stack([-drawn, moved[:, :2]])
    columns.append(three @ tolerances.mixing)
    columns.append(tolerances.fuse * moved[:, 2:3])
    columns.append(moved[:, 3:])
    effects = (factor.condense(np.concatenate(columns, axis=1)).T @ back).T
    effects[:, : len(circuit.supply_v)] += beyond * circuit.supply_v * tolerances.supply
    return np.asarray(effects)


def _joints(
    solution: Solution,
    across: FloatArray,
    shares: FloatArray,
    tolerances: Tolerances,
    known: frozenset[str],
) -> FloatArray:
    """Return the effect of each healthy joint, shape (joints, probes). [V]"""
    circuit = solution.circuit
    current_a = solution.branch_a
    if len(circuit.supply_v) > 1:
        current_a = current_a + circulating_current_a(solution, tolerances)
    names, rows = circuit.joint_rows
    unknown = np.array([name not in known for name in names], dtype=bool)
    return np.asarray(across * (shares * unknown * current_a[rows])[:, None])


def _nodes(solution: Solution, back: FloatArray) -> FloatArray:
    """Return the sum over nodes of squares of their currents' effects, shape (probes,). [V²]"""
    circuit, ladders = solution.circuit, solution.factor.ladders
    current_a = solution.node_a
    padded = np.vstack([back, np.zeros(back.shape[1])])  # -1 selects the reference
    outer = np.ones(len(current_a), dtype=bool)
    outer[ladders.nodes] = False
    outer_nodes = np.flatnonzero(outer & (current_a != 0.0))
    plus, minus = (ladders.place[ends[outer_nodes]] for ends in circuit.load_ends)
    total = ((padded[plus] - padded[minus]) * current_a[outer_nodes, None]) ** 2
    first = padded[ladders.place[ladders.ends[:, 0]]] - padded[ladders.place[ladders.ends[:, 1]]]
    last = padded[ladders.place[ladders.ends[:, 2]]] - padded[ladders.place[ladders.ends[:, 3]]]
    modes, square = solution.factor.difference, current_a[ladders.nodes] ** 2

    def moment(one: FloatArray, other: FloatArray) -> FloatArray:
        summed = np.bincount(ladders.of, square * one * other, minlength=len(first))
        return np.asarray(summed[:, None], dtype=np.float64)

    near, far = modes.from_first, modes.from_last
    inner = moment(near, near) * first**2 + moment(far, far) * last**2
    inner += 2.0 * moment(near, far) * first * last
    return np.asarray(total.sum(axis=0) + inner.sum(axis=0))


def _solved(factor: Factor, columns: FloatArray) -> FloatArray:
    """Return the skeleton's volts for many right-hand sides, solved in blocks, same shape."""
    starts = range(0, columns.shape[1], COLUMNS_AT_ONCE)
    blocks = [columns[:, start : start + COLUMNS_AT_ONCE] for start in starts]
    solved = [factor.solve_skeleton(block) for block in blocks]
    return np.ascontiguousarray(np.concatenate(solved, axis=1))  # rows are selected later


def _solved_by_points(factor: Factor, probes: Incidence) -> FloatArray:
    """Return the skeleton's volts per ampere through each probe, from those of its two points."""
    points = np.unique(np.concatenate([probes.tail, probes.head]))
    points = points[points >= 0]
    every = np.arange(len(points))
    columns = np.zeros((probes.count, len(points)))
    columns[points, every] = 1.0
    solved = np.hstack([_solved(factor, columns), np.zeros((probes.count, 1))])
    at = np.full(probes.count + 1, -1)  # the last column is 0, for the reference
    at[points] = every
    return np.ascontiguousarray(solved[:, at[probes.tail]] - solved[:, at[probes.head]])


class CondensedSensitivities:
    """Adjoint sensitivities of probes on the skeleton, for every solution with one factor.

    Attributes:
        circuit: the prop.
        factor: factors of the Jacobian.
        skeleton: change of each probe per ampere into each unknown of the skeleton, shape
            (skeleton, probes). [V/A]
        across: transfer resistance of each probe from each joint that carries current, shape
            (carrying, probes). [Ω]
        beyond: change of each probe per volt of each supply with the unknowns held, shape
            (probes, feeds). [V/V]
    """

    def __init__(self, circuit: Circuit, factor: Factor, probes: Sequence[Probe]) -> None:
        """Solve the adjoint equations.

        Args:
            circuit: the prop.
            factor: factors of the Jacobian.
            probes: the probes; no lead may be at an inner node of a strand.
        """
        self.circuit = circuit
        self.factor = factor
        read = _skeleton_columns(circuit, factor, probes)
        assert read is not None
        if len(probes) < MIN_PROBES_BY_POINT:
            self.skeleton = _solved(factor, read)
        else:  # they have far fewer points in common
            ends = factor.on_skeleton(circuit.probe_incidence(probes))
            self.skeleton = _solved_by_points(factor, ends)
        self.across = factor.on_skeleton(circuit.joint_incidence).across(self.skeleton)
        self.beyond = circuit.probe_offset(probes)

    @property
    def octets(self) -> int:
        """Memory of the solutions."""
        rows = len(self.skeleton) + len(self.across) + 2 * len(self.factor.ladders.ends)
        return int(8 * rows * self.skeleton.shape[1])

    @cached_property
    def ends(self) -> tuple[FloatArray, FloatArray]:
        """Difference of the rails at each ladder's node 1 and node n, (ladders, probes) each."""
        ladders, padded = self.factor.ladders, self._padded
        at = ladders.place[ladders.ends]
        return padded[at[:, 0]] - padded[at[:, 1]], padded[at[:, 2]] - padded[at[:, 3]]

    @cached_property
    def outer(self) -> tuple[NDArray[np.intp], FloatArray]:
        """Nodes without a ladder, and the difference of their rails, (outer nodes, probes)."""
        ladders = self.factor.ladders
        outer = np.ones(self.circuit.design.node_count, dtype=bool)
        outer[ladders.nodes] = False
        nodes = np.flatnonzero(outer)
        plus, minus = (ladders.place[ends[nodes]] for ends in self.circuit.load_ends)
        return nodes, self._padded[plus] - self._padded[minus]

    @property
    def _padded(self) -> FloatArray:
        return np.vstack(
            [self.skeleton, np.zeros(self.skeleton.shape[1])]
        )  # -1 selects the reference


class CondensedSpread:
    """Spread of probes across healthy units on the skeleton, without a row for every node.

    The figures are those of `benchtest.circuit.tolerance.spread_from_sensitivities`.

    Attributes:
        variance: variance of each probe, shape (probes,). [V²]
    """

    def __init__(
        self,
        solution: Solution,
        back: CondensedSensitivities,
        tolerances: Tolerances = HAND_SOLDERED,
        known_joints: frozenset[str] = frozenset(),
        known_sd: float = 0.0,
        more_a: FloatArray | None = None,
    ) -> None:
        """Form the sums over all causes.

        Args:
            solution: the prop with given strands lit.
            back: sensitivities of the probes, with this solution's factor.
            tolerances: deviation of healthy units from the design.
            known_joints: joints of given resistance, which have only the tolerance `known_sd`.
            known_sd: standard deviation of the logarithm of their resistance.
            more_a: node currents of further causes, one standard deviation of each, shape (loaded,
                causes). [A]
        """
        circuit = solution.circuit
        self.solution, self.back, self.tolerances = solution, back, tolerances
        mean, shares = joint_moments(solution, tolerances)
        names, _ = circuit.joint_rows
        shares = np.where([name in known_joints for name in names], known_sd, shares)
        beyond = back.beyond + joint_mean_effect(solution, back.across, mean)
        self._shared = _shared(solution, back.skeleton, beyond, tolerances)
        self._joint_shares = shares
        joints = self._joints()
        self.variance = np.einsum("pc,pc->p", self._shared, self._shared)
        self.variance += np.einsum("jp,jp->p", joints, joints)
        squares, sums = self._node_moments()
        self.variance += tolerances.node**2 * squares + tolerances.strand**2 * sums
        self._more = self._drawn(np.zeros((len(circuit.loaded), 0)) if more_a is None else more_a)
        self.variance += np.einsum("pc,pc->p", self._more, self._more)

    @property
    def octets(self) -> int:
        """Memory of the sums, without the sensitivities."""
        return int(self._shared.nbytes + self._more.nbytes + self.variance.nbytes)

    def _joints(self) -> FloatArray:
        """Return the effect of each healthy joint, shape (joints, probes). [V]

        Not kept: it would be as large as the sensitivities.
        """
        across, shares = self.back.across, self._joint_shares
        return _joints(self.solution, across, shares, self.tolerances, frozenset())

    def _node_moments(self) -> tuple[FloatArray, FloatArray]:
        """Return sums of squares of nodes' effects, and of the effects of whole strands.

        A node inside a ladder acts on a probe through the two ends of the ladder.

        Returns:
            Shape (probes,) each. [V²]
        """
        factor, design = self.back.factor, self.solution.circuit.design
        ladders, current_a = factor.ladders, self.solution.node_a
        (first, last), (outer, moved) = self.back.ends, self.back.outer
        near, far = factor.difference.from_first, factor.difference.from_last
        inner_a = current_a[ladders.nodes]

        def moment(weights: FloatArray) -> FloatArray:
            found = np.bincount(ladders.of, weights, minlength=len(first))
            return np.asarray(found[:, None], dtype=np.float64)

        moved = moved * current_a[outer, None]
        squares = np.einsum("np,np->p", moved, moved)
        one, other = moment((near * inner_a) ** 2), moment((far * inner_a) ** 2)
        cross = 2.0 * moment(near * far * inner_a**2)
        squares += (one * first**2 + (other * last + cross * first) * last).sum(axis=0)
        strand = np.repeat(np.arange(len(design.strands)), [s.nodes for s in design.strands])
        sums = np.zeros((len(design.strands), len(squares)))
        np.add.at(sums, strand[outer], moved)
        sums[strand[ladders.nodes[ladders.first]]] += (
            moment(near * inner_a) * first + moment(far * inner_a) * last
        )
        return squares, np.einsum("sp,sp->p", sums, sums)

    def _drawn(self, load_a: FloatArray) -> FloatArray:
        """Return effects of currents at nodes, (loaded, columns) to (probes, columns). [V]"""
        pushed = self.solution.circuit.load_incidence.gather(load_a)
        return np.asarray(-(self.back.factor.condense(pushed).T @ self.back.skeleton).T)

    def covariance_with(self, read: Spread) -> FloatArray:
        """Return the covariance of each probe with readings of the same design.

        Args:
            read: spread of the readings, with the causes of `more_a` after those of the strands.

        Returns:
            Shape (probes, readings). [V²]
        """
        circuit, tolerances = self.solution.circuit, self.tolerances
        count, fixed = circuit.design.node_count, self._shared.shape[1]
        place_of = {name: place for place, name in enumerate(circuit.netlist.joint)}
        columns = [fixed + place_of[name] for name in circuit.joint_rows[0]]
        shared = self._shared @ read.shared[:, :fixed].T
        shared += self._joints().T @ read.shared[:, columns].T
        sizes = [strand.nodes for strand in circuit.design.strands]
        weights = tolerances.node * read.nodes[:, :count]
        strands, more = np.split(read.nodes[:, count:], [len(sizes)], axis=1)
        weights = weights + tolerances.strand * np.repeat(strands, sizes, axis=1)
        drawn = self._drawn((weights[:, circuit.loaded] * self.solution.load_a).T)
        return np.asarray(shared + drawn + self._more @ more.T)
