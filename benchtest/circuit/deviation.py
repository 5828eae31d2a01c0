"""How far readings of healthy units lie apart, without a number for every node and probe.

The same sums as `benchtest.circuit.tolerance.spread`, formed on the skeleton: what a cause does to
a reading is the reading's backward solution times what the cause puts into the circuit, and what
it puts into a strand acts through the strand's two ends.
"""

from __future__ import annotations

import numpy as np

from benchtest.circuit.ladder import Factor
from benchtest.circuit.network import AT_ONCE, Circuit, Solution
from benchtest.circuit.tolerance import (
    HAND_SOLDERED,
    Tolerances,
    circulating_a,
    joint_moments,
    more_per_supply,
    spread,
)
from benchtest.circuit.wiring import FloatArray, Made
from benchtest.prop.design import Probe


def standard_deviation_v(
    solution: Solution,
    probes: list[Probe],
    tolerances: Tolerances = HAND_SOLDERED,
    known_joints: frozenset[str] = frozenset(),
) -> FloatArray:
    """Standard deviation of what healthy units show at each probe, shape (probes,). [V]

    Args:
        solution: the prop with given strands lit.
        probes: what is read.
        tolerances: how far a healthy unit may be from its design.
        known_joints: joints whose resistance is given, and so has no tolerance.
    """
    blocks = [probes[start : start + AT_ONCE] for start in range(0, len(probes), AT_ONCE)]
    found = [_block_v(solution, block, tolerances, known_joints) for block in blocks]
    return np.concatenate(found) if found else np.zeros(0)


def _block_v(
    solution: Solution, probes: list[Probe], tolerances: Tolerances, known_joints: frozenset[str]
) -> FloatArray:
    read = _skeleton_columns(solution.circuit, solution.factor, probes)
    if read is None or tolerances.strand > 0.0:
        return spread(solution, probes, tolerances, known_joints).sd_v
    back = solution.factor.solve_skeleton(read)
    across = solution.factor.on_skeleton(solution.circuit.joint_incidence).across(back)
    mean, shares = joint_moments(solution, tolerances)
    beyond = solution.circuit.probe_offset(probes) + more_per_supply(solution, across, mean)
    variance = (_shared(solution, back, beyond, tolerances) ** 2).sum(axis=1)
    variance += (_joints(solution, across, shares, tolerances, known_joints) ** 2).sum(axis=0)
    variance += tolerances.node**2 * _nodes(solution, back)
    return np.asarray(np.sqrt(variance))


def _skeleton_columns(circuit: Circuit, factor: Factor, probes: list[Probe]) -> FloatArray | None:
    """What each probe reads of the skeleton; None where a lead is on a strand's inner node."""
    read = circuit.probe_incidence(probes)
    ends = np.concatenate([read.tail, read.head])
    if (factor.ladders.place[ends[ends >= 0]] < 0).any():
        return None
    return factor.on_skeleton(read).columns()


def _shared(
    solution: Solution, back: FloatArray, beyond: FloatArray, tolerances: Tolerances
) -> FloatArray:
    """Effects of supplies, node current and materials, shape (probes, causes). [V]

    `beyond` is what a volt of each supply does to a probe past its unknowns, (probes, feeds).
    """
    circuit, factor = solution.circuit, solution.factor
    current_a, made = solution.branch_a, circuit.wiring.made[circuit.kept]
    pushed = circuit.conductance_s[:, None] * circuit.supply_matrix
    columns = [-circuit.incidence.gather(pushed) * circuit.supply_v * tolerances.supply]
    drawn = circuit.load_incidence.gather(solution.load_a)
    moved = [-drawn]
    for material in (Made.WIRE, Made.COPPER, Made.FUSE):
        moved.append(circuit.incidence.gather(np.where(made == material, current_a, 0.0)))
    columns.append(np.stack(moved[:3], axis=1) @ tolerances.mixing)
    columns.append(tolerances.fuse * moved[3][:, None])
    effects = back.T @ factor.condense(np.concatenate(columns, axis=1))
    effects[:, : len(circuit.supply_v)] += beyond * circuit.supply_v * tolerances.supply
    return np.asarray(effects)


def _joints(
    solution: Solution,
    across: FloatArray,
    shares: FloatArray,
    tolerances: Tolerances,
    known: frozenset[str],
) -> FloatArray:
    """Effect of each healthy joint, shape (joints, probes). [V]"""
    circuit = solution.circuit
    current_a = solution.branch_a
    if len(circuit.supply_v) > 1:
        current_a = current_a + circulating_a(solution, tolerances)
    names, rows = circuit.joint_rows
    unknown = np.array([name not in known for name in names], dtype=bool)
    return np.asarray(across * (shares * unknown * current_a[rows])[:, None])


def _nodes(solution: Solution, back: FloatArray) -> FloatArray:
    """Sum over nodes of the square of what each node's current does, shape (probes,). [V²]"""
    circuit, ladders = solution.circuit, solution.factor.ladders
    current_a = solution.node_a
    padded = np.vstack([back, np.zeros(back.shape[1])])  # -1 picks the earth
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
