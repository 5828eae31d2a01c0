"""Covariances of readings under each joint's fault, from sums formed once."""

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
"""Of a large array's rows, so many are worked on at a time."""
TERMS = 4
"""What a cause does is `a + b·back + c·compensating_a + d·back·compensating_a`."""


class CovarianceTerms:
    """Sums over causes, nodes and strands that the covariance under every joint's fault is made of.

    They do not depend on the resistances that a joint is tried at. Of all joints, or of one.

    Attributes:
        of: lit set of each reading, shape (readings,).
        own: change of each reading per volt put into each joint, shape (joints, readings).
    """

    def __init__(
        self,
        responses: DesignResponse,
        effects: Sequence[TapEffects],
        tolerances: Tolerances,
        alone: int | None = None,
    ) -> None:
        self._responses, self._effects, self._tolerances = responses, effects, tolerances
        made = [e.base.effects if alone is None else e.base.alone(alone) for e in effects]
        self.of = lit_set_of(effects)
        some = slice(None) if alone is None else slice(alone, alone + 1)
        columns = responses.joint_columns[some]
        self.own = in_reading_order(effects, [effect.branch[columns] for effect in effects], axis=1)
        self._tried = responses.joint_places[some]
        parts = [
            _Causes(responses, tolerances, e, of, columns)
            for e, of in zip(effects, made, strict=True)
        ]
        self._fixed = parts[0].fixed
        self._healthy = in_reading_order(effects, [part.healthy for part in parts], axis=0)
        self._push = in_reading_order(effects, [part.compensating_a for part in parts], axis=1)
        self._back = np.stack([part.back for part in parts], axis=1)
        self._both = np.stack([part.both for part in parts], axis=1)
        self._form_nodes([each.load for each in made])

    def _form_nodes(self, loads: list[FloatArray]) -> None:
        """Sums over each node's own current and each strand's."""
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
        self._node_cross = np.empty((len(self.own), len(self.of), count))
        self._node_both = np.empty((len(self.own), count, count))
        # with flat loads one array serves all lit sets: its square is formed once
        alike = responses.is_large and all(each is loads[0] for each in loads)
        square = loads[0] ** 2 if alike else None
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
        """Covariances from all causes but the meter and the tried joint's own resistance.

        Args:
            joints: places in the fault space of the joints that are tried, shape (tried,).
            of: place among `joints` of each row of `back`, shape (rows,).
            back: shape (rows, readings).
            compensating_a: shape (rows, readings). [A]

        Returns:
            Shape (rows, readings, readings).
        """
        count, lit = len(self.of), self.of
        terms = np.concatenate(
            [
                np.broadcast_to(self._healthy, (len(joints), *self._healthy.shape)),
                self._back[joints][:, lit],
                self._push[joints],
                self._both[joints][:, lit],
            ],
            axis=1,
        )
        terms[np.arange(len(joints)), :, self._fixed + self._tried[joints]] = 0.0
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
            some = right[:, None, :] * products[of, one, :, other]
            if (left := factors[one]) is not None:
                some *= left[:, :, None]
            total += some
            if one != other:
                total += np.swapaxes(some, 1, 2)
        return np.asarray(total)


class _Causes:
    """What the shared causes do to one lit set's readings under every joint's fault.

    Causes are in the order of `circuit.tolerance.cause_names`, of joints those that carry current,
    and behind them those of the nodes' law.

    Attributes:
        fixed: how many there are before the joints.
        healthy: with nothing wrong, shape (taps, causes).
        back: per `back`, shape (joints, causes).
        compensating_a: per `compensating_a`, shape (joints, taps, causes).
        both: per their product, shape (joints, causes).
    """

    def __init__(
        self,
        responses: DesignResponse,
        tolerances: Tolerances,
        effect: TapEffects,
        of_joints: JointEffects,
        columns: IndexArray,
    ) -> None:
        circuit, base = responses.circuit, effect.base
        volts, load, branch = of_joints.branch, of_joints.load, effect.branch
        siemens, branch_a = circuit.conductance_s, base.solution.branch_a
        joints, taps = volts.shape[1], branch.shape[1]
        of = _materials(responses, tolerances, effect, volts)
        healthy = [effect.load.sum(axis=0), *of.healthy]
        back = [-(base.solution.load_a @ load), *of.back]
        compensating_a = [np.zeros((joints, taps)), *of.compensating_a]
        both = [np.zeros(joints), *of.both]
        supply = circuit.supply_v * tolerances.supply
        rows = circuit.joint_rows[1]
        shares, current_a = effect.joint_shares, branch_a[rows]
        if len(circuit.supply_v) > 1:
            current_a = current_a + circulating_current_a(base.solution, tolerances)[rows]
        own, own_through = volts[rows].T * shares, (siemens[rows, None] * volts[rows]).T
        self.fixed = len(supply) + len(healthy)

        def joined(
            supplies: FloatArray, moved: list[FloatArray], own: FloatArray, law: FloatArray
        ) -> FloatArray:
            three = np.stack(moved[:3], axis=-1) @ tolerances.mixing
            fuse = tolerances.fuse * moved[3][..., None]
            feeds = np.stack(moved[4:], axis=-1)
            return np.concatenate([supplies * supply, three, fuse, feeds, own, law], axis=-1)

        none = np.zeros((1, len(supply)))
        response = branch[rows].T * shares
        law = effect.read.per_amp.T @ effect.law
        self.healthy = joined(effect.read.per_supply, healthy, response * current_a, law)
        law = -(load.T @ effect.law)
        # a fuse is in one branch with its supply: without it, that supply drives nothing
        supplied = circuit.supply_matrix[columns] - of.supplied
        self.back = joined(supplied, back, own * current_a, law)
        still = np.broadcast_to(none, (joints, taps, len(supply)))
        none_of_law = np.zeros((joints, taps, law.shape[1]))  # a node pushes nothing
        self.compensating_a = joined(
            still, compensating_a, own_through[:, None, :] * response, none_of_law
        )
        through = own * own_through
        self.both = joined(np.repeat(none, joints, axis=0), both, through, none_of_law[:, 0])


@dataclass(frozen=True)
class _Materials:
    """Sums over branches by `circuit.tolerance.shared_weights`, and over the supplies.

    Attributes:
        healthy: with nothing wrong, shape (materials, taps).
        back: per `back`, shape (materials, joints).
        compensating_a: per `compensating_a`, of each material, shape (joints, taps).
        both: per their product, shape (materials, joints).
        supplied: what each supply moves by each joint, shape (joints, feeds).
    """

    healthy: FloatArray
    back: FloatArray
    compensating_a: list[FloatArray]
    both: FloatArray
    supplied: FloatArray


def _materials(
    responses: DesignResponse, tolerances: Tolerances, effect: TapEffects, volts: FloatArray
) -> _Materials:
    """Sums for one lit set.

    Args:
        responses: the prop without faults.
        tolerances: of the unit.
        effect: what is read of the lit set.
        volts: across each branch per volt put into each joint, shape (kept, joints).
    """
    circuit, branch = responses.circuit, effect.branch
    siemens = circuit.conductance_s
    # one row for each material: of thousands of branches, none is picked out and copied
    made = shared_weights(circuit, tolerances)
    carried = made * effect.base.solution.branch_a
    conducted = [(siemens * of)[:, None] * branch for of in made]
    pushed = siemens[:, None] * circuit.supply_matrix
    if responses.is_large:
        columns_of = [*conducted, carried.T, pushed]
        found, both = _products(volts, np.hstack(columns_of), made * siemens)
        widths = np.cumsum([each.shape[1] for each in columns_of])[:-1]
        *compensating_a, back, supplied = np.split(found, widths, axis=1)
        return _Materials(carried @ branch, back.T, compensating_a, both, supplied)
    compensating_a = [volts.T @ each for each in conducted]
    both = (made * siemens) @ volts**2
    return _Materials(carried @ branch, carried @ volts, compensating_a, both, volts.T @ pushed)


def _products(
    volts: FloatArray, columns: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """`volts.T @ columns` and `weights @ volts**2`: once through `volts`, by what a cache holds."""
    found = np.zeros((volts.shape[1], columns.shape[1]))
    squares = np.zeros((len(weights), volts.shape[1]))
    step = max(1, CACHE_OCTETS // max(1, volts[:1].nbytes))
    for start in range(0, len(volts), step):
        some = volts[start : start + step]
        found += some.T @ columns[start : start + step]
        squares += weights[:, start : start + step] @ (some * some)
    return found, squares


def _by_strand(circuit: Circuit, per_node: FloatArray) -> FloatArray:
    """Sums over each strand's loaded nodes, shape (strands, ...)."""
    every = np.zeros((circuit.design.node_count, per_node.shape[1]))
    every[circuit.loaded] = per_node
    return np.asarray(np.add.reduceat(every, circuit.design.first_index, axis=0))
