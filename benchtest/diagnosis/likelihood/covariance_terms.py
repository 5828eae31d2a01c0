"""Covariance of readings under every joint's fault, from sums formed once.

A joint's change is a rank-one change of the circuit. The derivative of reading `i` by a shared
cause becomes `a_i + b β_i + c_i γ_i + d β_i γ_i`, where `γ` (`compensating_a`) and `β` (`back`) are
one number for each reading and resistance, and `a, b, c, d` do not depend on the resistance. Sums
over thousands of branches of products of these four terms are formed once, for all joints together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.tolerance import Tolerances, circulating_current_a, shared_weights
from benchtest.diagnosis.likelihood.measurement import TapEffects, in_reading_order, lit_set_of
from benchtest.diagnosis.model.fault_response import DesignResponse, JointEffects

CACHE_OCTETS = 400_000
"""Rows of a large array processed together fill about this much memory, to stay in the cache."""
TERMS = 4
"""Number of terms of a cause's effect: `a + b·back + c·compensating_a + d·back·compensating_a`."""


class CovarianceTerms:
    """Sums over causes, nodes and strands, from which covariances follow.

    They do not depend on the resistance at which a joint is tried.

    Attributes:
        lit_of: index of each reading's lit set, shape (readings,).
        change_per_v: change of each reading per volt injected in series with each joint, shape
            (joints, readings).
    """

    def __init__(
        self,
        responses: DesignResponse,
        effects: Sequence[TapEffects],
        tolerances: Tolerances,
        only: int | None = None,
    ) -> None:
        """Form the sums.

        Args:
            responses: the prop without faults, or with the given ones.
            effects: readings and sensitivities of each lit set.
            tolerances: of the unit.
            only: index of the only joint to include; None for all joints of the fault space.
        """
        self._responses, self._effects, self._tolerances = responses, effects, tolerances
        self.lit_of = lit_set_of(effects)
        selected = slice(None) if only is None else slice(only, only + 1)
        columns = responses.joint_columns[selected]
        self.change_per_v = in_reading_order(
            effects, [effect.branch[columns] for effect in effects], axis=1
        )
        self._joint_places = responses.joint_places[selected]
        parts, loads = [], []
        for effect in effects:  # one at a time: those of a large prop are large
            base = effect.base
            response = base.effects if only is None else base.effects_of_joint(only)
            parts.append(_Causes(responses, tolerances, effect, response, columns))
            loads.append(response.load)
        self._fixed = parts[0].fixed
        self._healthy = in_reading_order(effects, [part.healthy for part in parts], axis=0)
        self._compensating = in_reading_order(
            effects, [part.compensating_a for part in parts], axis=1
        )
        self._back = np.stack([part.back for part in parts], axis=1)
        self._both = np.stack([part.both for part in parts], axis=1)
        self._form_nodes(loads)

    def _form_nodes(self, loads: list[FloatArray]) -> None:
        """Form the sums over the currents of each node and of each strand."""
        responses, effects, tolerances = self._responses, self._effects, self._tolerances
        node, strand = tolerances.node**2, tolerances.strand**2
        plain = in_reading_order(effects, [effect.load for effect in effects], axis=1)
        plain_strands = _by_strand(responses.circuit, plain)
        amps = [effect.base.solution.load_a for effect in effects]
        strands = [
            _by_strand(responses.circuit, v * a[:, None]) for v, a in zip(loads, amps, strict=True)
        ]
        self._node_plain = node * plain.T @ plain + strand * plain_strands.T @ plain_strands
        count = len(effects)
        self._node_cross = np.empty((len(self.change_per_v), len(self.lit_of), count))
        self._node_both = np.empty((len(self.change_per_v), count, count))
        # with constant loads one array serves all lit sets: form its square once
        is_shared = responses.is_large and all(each is loads[0] for each in loads)
        square = loads[0] ** 2 if is_shared else None
        for one in range(count):
            drawn = plain * amps[one][:, None]
            self._node_cross[:, :, one] = -node * loads[one].T @ drawn
            self._node_cross[:, :, one] -= strand * strands[one].T @ plain_strands
        for one, other in combinations_with_replacement(range(count), 2):
            moved = loads[one] * loads[other] if square is None else square
            found = node * moved.T @ (amps[one] * amps[other])
            found += strand * np.einsum("sj,sj->j", strands[one], strands[other])
            self._node_both[:, one, other] = self._node_both[:, other, one] = found

    def covariances(
        self,
        joints: NDArray[np.intp],
        of: NDArray[np.intp],
        back: FloatArray,
        compensating_a: FloatArray,
    ) -> FloatArray:
        """Return the covariance from all causes but the meter and the tried joint's resistance.

        Args:
            joints: indices in the fault space of the tried joints, shape (tried,).
            of: index in `joints` of each row, shape (rows,).
            back: `β` of each row, shape (rows, readings).
            compensating_a: `γ` of each row, shape (rows, readings). [A]

        Returns:
            Shape (rows, readings, readings). [V²]
        """
        count, lit = len(self.lit_of), self.lit_of
        terms = np.concatenate(
            [
                np.broadcast_to(self._healthy, (len(joints), *self._healthy.shape)),
                self._back[joints][:, lit],
                self._compensating[joints],
                self._both[joints][:, lit],
            ],
            axis=1,
        )
        terms[np.arange(len(joints)), :, self._fixed + self._joint_places[joints]] = 0.0
        products = terms @ terms.swapaxes(1, 2)
        products = products.reshape(len(joints), TERMS, count, TERMS, count)
        cross = self._node_cross[joints][:, :, lit]
        products[:, 0, :, 0] += self._node_plain
        products[:, 0, :, 1] += cross
        products[:, 1, :, 0] += cross.swapaxes(1, 2)
        products[:, 1, :, 1] += self._node_both[joints][:, lit][:, :, lit]
        factors = [None, back, compensating_a, back * compensating_a]
        total = products[of, 0, :, 0]
        for one, other in combinations_with_replacement(range(TERMS), 2):
            right = factors[other]
            if right is None:
                continue
            product = right[:, None, :] * products[of, one, :, other]
            if (left := factors[one]) is not None:
                product *= left[:, :, None]
            total += product
            if one != other:
                total += np.swapaxes(product, 1, 2)
        return np.asarray(total)


class _Causes:
    """Effects of the shared causes on one lit set's readings under every joint's fault.

    Causes are in the order of `circuit.tolerance.cause_names`, with only the joints that carry
    current, followed by those of `model.node_variation`.

    Attributes:
        fixed: number of causes before the joints.
        healthy: effect without a fault, shape (taps, causes).
        back: effect per `back`, shape (joints, causes).
        compensating_a: effect per `compensating_a`, shape (joints, taps, causes).
        both: effect per product of the two, shape (joints, causes).
    """

    def __init__(
        self,
        responses: DesignResponse,
        tolerances: Tolerances,
        effect: TapEffects,
        joint_effects: JointEffects,
        columns: IndexArray,
    ) -> None:
        circuit, base = responses.circuit, effect.base
        volts, load, branch = joint_effects.branch, joint_effects.load, effect.branch
        siemens, branch_a = circuit.conductance_s, base.solution.branch_a
        joints, taps = volts.shape[1], branch.shape[1]
        materials = _materials(responses, tolerances, effect, volts)
        healthy = [effect.load.sum(axis=0), *materials.healthy]
        back = [-(base.solution.load_a @ load), *materials.back]
        compensating_a = [np.zeros((joints, taps)), *materials.compensating_a]
        both = [np.zeros(joints), *materials.both]
        supply = circuit.supply_v * tolerances.supply
        rows = circuit.joint_rows[1]
        shares, current_a = effect.joint_shares, branch_a[rows]
        if len(circuit.supply_v) > 1:
            current_a = current_a + circulating_current_a(base.solution, tolerances)[rows]
        own, own_through = volts[rows].T * shares, (siemens[rows, None] * volts[rows]).T
        self.fixed = len(supply) + len(healthy)

        def joined(
            supplies: FloatArray, effects: list[FloatArray], own: FloatArray, variation: FloatArray
        ) -> FloatArray:
            mixed = np.stack(effects[:3], axis=-1) @ tolerances.mixing
            fuse = tolerances.fuse * effects[3][..., None]
            feeds = np.stack(effects[4:], axis=-1)
            return np.concatenate([supplies * supply, mixed, fuse, feeds, own, variation], axis=-1)

        no_supply = np.zeros((1, len(supply)))
        response = branch[rows].T * shares
        variation = effect.read.per_amp.T @ effect.variation_a
        self.healthy = joined(effect.read.per_supply, healthy, response * current_a, variation)
        variation = -(load.T @ effect.variation_a)
        # a fuse is in one branch with its supply: once blown, that supply drives no current
        supplied = circuit.supply_matrix[columns] - materials.supplied
        self.back = joined(supplied, back, own * current_a, variation)
        no_supply_taps = np.broadcast_to(no_supply, (joints, taps, len(supply)))
        # a node's variation has no effect through the compensating current
        no_variation = np.zeros((joints, taps, variation.shape[1]))
        self.compensating_a = joined(
            no_supply_taps, compensating_a, own_through[:, None, :] * response, no_variation
        )
        through = own * own_through
        self.both = joined(np.repeat(no_supply, joints, axis=0), both, through, no_variation[:, 0])


@dataclass(frozen=True)
class _Materials:
    """Sums over branches by `circuit.tolerance.shared_weights`, and over the supplies.

    Attributes:
        healthy: effect without a fault, shape (materials, taps).
        back: effect per `back`, shape (materials, joints).
        compensating_a: effect per `compensating_a`, for each material, shape (joints, taps).
        both: effect per product of the two, shape (materials, joints).
        supplied: effect of each supply by each joint, shape (joints, feeds).
    """

    healthy: FloatArray
    back: FloatArray
    compensating_a: list[FloatArray]
    both: FloatArray
    supplied: FloatArray


def _materials(
    responses: DesignResponse, tolerances: Tolerances, effect: TapEffects, volts: FloatArray
) -> _Materials:
    """Return the sums for one lit set.

    Args:
        responses: the prop without faults, or with the given ones.
        tolerances: of the unit.
        effect: readings and sensitivities of the lit set.
        volts: voltage across each branch per volt at each joint, shape (kept, joints).
    """
    circuit, branch = responses.circuit, effect.branch
    siemens = circuit.conductance_s
    # one row for each material: no branches are selected and copied
    weights = shared_weights(circuit, tolerances)
    carried = weights * effect.base.solution.branch_a
    conducted = [(siemens * weight)[:, None] * branch for weight in weights]
    supplied_a = siemens[:, None] * circuit.supply_matrix
    if responses.is_large:
        columns_of = [*conducted, carried.T, supplied_a]
        found, both = _products(volts, np.hstack(columns_of), weights * siemens)
        widths = np.cumsum([each.shape[1] for each in columns_of])[:-1]
        *compensating_a, back, supplied = np.split(found, widths, axis=1)
        return _Materials(carried @ branch, back.T, compensating_a, both, supplied)
    compensating_a = [volts.T @ each for each in conducted]
    both = (weights * siemens) @ volts**2
    return _Materials(carried @ branch, carried @ volts, compensating_a, both, volts.T @ supplied_a)


def _products(
    volts: FloatArray, columns: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return `volts.T @ columns` and `weights @ volts**2`, block by block for the cache."""
    found = np.zeros((volts.shape[1], columns.shape[1]))
    squares = np.zeros((len(weights), volts.shape[1]))
    step = max(1, CACHE_OCTETS // max(1, volts[:1].nbytes))
    for start in range(0, len(volts), step):
        block = volts[start : start + step]
        found += block.T @ columns[start : start + step]
        squares += weights[:, start : start + step] @ (block * block)
    return found, squares


def _by_strand(circuit: Circuit, per_node: FloatArray) -> FloatArray:
    """Return sums over each strand's loaded nodes, shape (strands, ...)."""
    all_nodes = np.zeros((circuit.design.node_count, per_node.shape[1]))
    all_nodes[circuit.loaded] = per_node
    return np.asarray(np.add.reduceat(all_nodes, circuit.design.first_index, axis=0))
