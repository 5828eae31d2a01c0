"""Uncertainty of readings of a prop whose nodes lack voltage."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution
from benchtest.circuit.tolerance import sensitivities
from benchtest.diagnosis.likelihood.measurement import Taps
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.model.node_variation import headroom_sd_v
from benchtest.diagnosis.thresholds import MAX_HEADROOM_SD
from benchtest.prop.lit_set import LitSet

CURVED_SHARE = 0.15
"""Standard deviation of what linear tolerances miss near the end of headroom, as a share of the
effect of node current and of the nodes' I-V figures. Ours, from units built at random."""
BROWNOUT_BAND_V = 0.6
"""Band above a kind's `logic_v` in which logic may stop: 2.7 to 3.3 V. [V] From memory."""
BROWNOUT_SD_V = 1.2
"""Standard deviation of a rail reading while nodes drop out and restart. [V] Ours."""


def nonlinearity_sd(
    responses: DesignResponse, lit: LitSet, value: FloatArray, moved: Callable[[], FloatArray]
) -> FloatArray:
    """Return the additional standard deviation of readings under a lit set with undervoltage.

    It depends on the healthy prop: a lit set that leaves enough voltage there has none.

    Args:
        responses: the design, with or without given faults.
        lit: strands lit.
        value: expected readings, shape (readings,). [V, or A]
        moved: returns the effect on each reading of one standard deviation of node current and of
            each cause of `node_variation_a`, shape (causes, readings). [V, or A]

    Returns:
        Independent standard deviation of each reading, shape (readings,). [V, or A]
    """
    healthy = responses.fault_free or responses
    solution, kind = healthy.solution(lit), responses.design.node
    lit_v = solution.node_v[solution.duty.any(axis=1)].min(initial=np.inf)
    margin_v = MAX_HEADROOM_SD * headroom_sd_v(kind)
    found = np.zeros(len(value))
    if margin_v and lit_v < max(kind.full_v.values()) + margin_v:
        found = CURVED_SHARE * np.sqrt((moved() ** 2).sum(axis=0))
    if solution.node_v.min() < kind.logic_v + BROWNOUT_BAND_V:
        return np.maximum(np.maximum(BROWNOUT_SD_V, np.abs(value)), found)
    return found


def half_data_loss(responses: DesignResponse, solution: Solution, taps: Taps) -> FloatArray:
    """Return half the change of readings if data does not pass nodes without voltage.

    Both are possible: disconnected logic may run on its data line's leakage, and dropped-out nodes
    restart between two frames. Readings are predicted midway, with this change as the standard
    deviation of a cause that all share.

    Args:
        responses: the design, with or without given faults.
        solution: operating point, with data passed on.
        taps: readings of one lit set.

    Returns:
        Shape (taps,); 0 if no lit node follows such nodes. [V, or A]
    """
    circuit, order = solution.circuit, responses.space.order
    without_logic = circuit.cut_off | (
        responses.visible_v(taps.lit, solution) < circuit.design.node.logic_v
    )
    positions = np.flatnonzero(without_logic[order])
    if not len(positions):
        return np.zeros(len(taps.rows))
    duty = responses.duty(taps.lit)
    after = np.zeros(len(order), dtype=bool)
    after[order[positions[0] :]] = True
    after &= duty.any(axis=1) & ~without_logic
    if not after.any():
        return np.zeros(len(taps.rows))
    loaded = circuit.loaded
    volts, kind = solution.node_v[loaded], circuit.design.node
    lit_a = node_loads(kind, volts, duty[loaded]).node_a
    lost_a = lit_a - node_loads(kind, volts, np.zeros_like(duty[loaded])).node_a
    lost_a = np.where(after[loaded], lost_a, 0.0)
    read = sensitivities(circuit, solution.factor, taps.columns, taps.per_supply)
    return np.asarray(-0.5 * lost_a @ read.per_amp)
