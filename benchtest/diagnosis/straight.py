"""Faults under which every node stays on the straight part of its law: no new solution needed.

One joint's change is a rank-one change, so a response becomes `p + v·back` and a current
`i + g·v·push`, with `back` and `push` one number for each reading and resistance. Sums of their
products over thousands of branches are sums of four terms that are formed once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.tolerance import circulating_a
from benchtest.circuit.wiring import FloatArray, Made
from benchtest.diagnosis.response import CELL_SD, GRID, GRID_OHM

if TYPE_CHECKING:
    from benchtest.diagnosis.weigh import TapEffects, Weigher


def straight_rows(
    weigher: Weigher, joint: int, columns: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Predicted readings of one joint's fault, and their covariance.

    Args:
        weigher: readings and circuit.
        joint: its place in the fault space.
        columns: resistances, as places in the grid; none of them starves a node.

    Returns:
        Shape (columns, readings), and (columns, readings, readings).
    """
    row = weigher.responses.joint_columns[joint]
    means, backs, shared = [], [], []
    for effect in weigher.effects:
        push = effect.base.push[joint, columns][:, None]
        back = -effect.base.factor_phi[joint, columns][:, None] * effect.branch[row]
        means.append(effect.value + push * effect.branch[row])
        backs.append(back)
        cell = CELL_SD * _per_log_ohm(effect.base.push[joint])[columns][:, None]
        shared.append(_shared(weigher, effect, joint, push, cell, back, means[-1]))
    mean = weigher.ordered(means, axis=1)
    causes = weigher.ordered(shared, axis=1)
    covariance = causes @ np.swapaxes(causes, -1, -2)
    covariance += _nodes(weigher, joint, weigher.ordered(backs, axis=1))
    return mean, covariance + weigher.reading_errors(mean)


def _per_log_ohm(push: FloatArray) -> FloatArray:
    """Change of a joint's push with the logarithm of its resistance, 0 when open, (COLUMNS,)."""
    return np.append(np.gradient(push[:GRID], np.log(GRID_OHM)), 0.0)


def _shared(
    weigher: Weigher,
    effect: TapEffects,
    joint: int,
    push: FloatArray,
    cell_push: FloatArray,
    back: FloatArray,
    mean: FloatArray,
) -> FloatArray:
    """Effects of the shared causes, in the order of `circuit.tolerance.cause_names`.

    Args:
        weigher: readings and circuit.
        effect: one lit set's readings.
        joint: the joint that is changed.
        push: shape (columns, 1). [A]
        cell_push: how far it goes to either side within a step of the grid, (columns, 1). [A]
        back: shape (columns, taps).
        mean: what the taps read, shape (columns, taps).

    Returns:
        Shape (columns, taps, causes).
    """
    circuit, tolerances = weigher.responses.circuit, weigher.tolerances
    volts = effect.base.joint_branch[:, joint]
    siemens, branch_a = circuit.conductance_s, effect.base.solution.branch_a
    pushed = siemens[:, None] * circuit.supply_matrix
    supply = effect.read.per_supply - back[..., None] * (volts @ pushed)
    current = effect.load.sum(axis=0) - back * (
        effect.base.joint_load[:, joint] @ effect.base.solution.load_a
    )
    moved = [current]
    made = circuit.wiring.made[circuit.kept]
    for material in (Made.WIRE, Made.COPPER, Made.FUSE):
        of = made == material
        total = branch_a[of] @ effect.branch[of] + back * (volts[of] @ branch_a[of])
        total = total + push * ((siemens * volts)[of] @ effect.branch[of])
        total = total + push * back * (siemens[of] @ volts[of] ** 2)
        if material == Made.WIRE:  # a clamp's own cable, see `taps.own_log_ohm`
            total = total - (effect.taps.cable >= 0) * mean
        moved.append(total)
    joints = circuit.joint_rows[1]
    response = effect.branch[joints].T + back[..., None] * volts[joints]
    current_a = branch_a[joints] + push * (siemens * volts)[joints]
    if len(circuit.supply_v) > 1:
        current_a = current_a + circulating_a(effect.base.solution, tolerances)[joints]
    own = effect.joint_shares * response * current_a[:, None, :]
    # its resistance is what is tried: all that is left open is where it is between two tried ones
    tried = weigher.responses.joint_columns[joint]
    own[..., weigher.responses.joint_places[joint]] = cell_push * effect.branch[tried]
    parts = [
        supply * circuit.supply_v * tolerances.supply,
        np.stack(moved[:3], axis=-1) @ tolerances.mixing,
        tolerances.fuse * moved[3][..., None],
        own,
    ]
    return np.concatenate(parts, axis=-1)


def _nodes(weigher: Weigher, joint: int, back: FloatArray) -> FloatArray:
    """Covariance from each node's own current, shape (columns, readings, readings)."""
    healthy, through = [], []
    for effect in weigher.effects:
        healthy.append(effect.load)
        per_node = -effect.base.joint_load[:, joint] * effect.base.solution.load_a
        through.append(np.repeat(per_node[:, None], effect.load.shape[1], axis=1))
    plain = _with_strands(weigher, weigher.ordered(healthy, axis=1))
    moved = _with_strands(weigher, weigher.ordered(through, axis=1))
    cross = back[..., :, None] * (moved.T @ plain)
    both = back[..., :, None] * back[..., None, :] * (moved.T @ moved)
    return np.asarray(plain.T @ plain + cross + np.swapaxes(cross, -1, -2) + both)


def _with_strands(weigher: Weigher, per_node: FloatArray) -> FloatArray:
    """One standard deviation of each node's own current and, behind them, of each strand's."""
    circuit, tolerances = weigher.responses.circuit, weigher.tolerances
    if not tolerances.strand:
        return tolerances.node * per_node
    every = np.zeros((circuit.design.node_count, per_node.shape[1]))
    every[circuit.loaded] = per_node
    strands = np.add.reduceat(every, circuit.design.first_index, axis=0)
    return np.concatenate([tolerances.node * per_node, tolerances.strand * strands])
