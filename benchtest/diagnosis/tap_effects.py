"""One lit set's taps on the healthy prop: what they read, and what moves them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import (
    Sensitivities,
    Tolerances,
    joint_mean_effect,
    joint_moments,
    sensitivities,
)
from benchtest.diagnosis.likelihood.measurement import Taps, read_at
from benchtest.diagnosis.model.fault_response import CELL_SD, DesignResponse, LitSetResponse
from benchtest.diagnosis.model.node_variation import node_variation_a


@dataclass(frozen=True)
class TapEffects:
    """The healthy prop's readings of one lit set, and what moves them.

    Attributes:
        base: the lit set's healthy prop.
        taps: what is read.
        value: healthy readings, shape (taps,).
        read: the taps, solved backwards.
        load: change per ampere taken at a loaded node, times its amperes, (loaded, taps).
        joint_shares: of all joints that carry current, the given ones too, see
            `circuit.tolerance.joint_moments`, shape (carrying,).
        capped_push: see `DesignResponse.capped_compensating_a`, shape (joints, COLUMNS). [A]
        law: what each loaded node draws more by its law, see `law.node_variation_a`. [A]
    """

    base: LitSetResponse
    taps: Taps
    value: FloatArray
    read: Sensitivities
    load: FloatArray
    joint_shares: FloatArray
    capped_compensating_a: FloatArray
    law: FloatArray

    @property
    def branch(self) -> FloatArray:
        """Transfer resistance from each kept branch, shape (kept, taps). [Ω]"""
        return self.read.branch_ohm


def tap_effects(responses: DesignResponse, taps: Taps, tolerances: Tolerances) -> TapEffects:
    """Solve backwards for the taps of one lit set."""
    base = responses.base(taps.lit)
    solution = base.solution
    circuit = solution.circuit
    read = sensitivities(circuit, solution.factor, taps.columns, taps.per_supply)
    load = read.per_amp * solution.load_a[:, None]
    _, rows = circuit.joint_rows
    mean, shares = joint_moments(solution, tolerances)
    more = joint_mean_effect(solution, read.branch_ohm[rows], mean)
    read = Sensitivities(read.branch_ohm, read.per_amp, read.per_supply + more)
    given = [name in responses.given for name in circuit.joint_rows[0]]
    shares = np.where(given, CELL_SD, shares)
    compensating_a = responses.capped_compensating_a(base)
    value, law = read_at(solution, taps), node_variation_a(solution, tolerances)
    return TapEffects(base, taps, value, read, load, shares, compensating_a, law)
