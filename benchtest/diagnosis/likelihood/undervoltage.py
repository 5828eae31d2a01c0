"""Readings of a prop whose nodes lack volts: the part that no linear model predicts."""

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
from benchtest.prop.lit_set import LitSet

CURVED_SHARE = 0.15
"""Of what node current and the nodes' law do to a reading of a starved prop, how much is not known:
sums of tolerances take curves for straight lines. Ours, from units built at random."""
NEAR_SD = 3.0
"""Nodes within so many standard deviations of their headroom may well be without."""
BROWN_V = 0.6
"""Logic stops somewhere from a kind's `logic_v` to this much above: 2.7 to 3.3 V, from memory."""
BROWN_SD_V = 1.2
"""What rails may read while nodes go out for want of volts and come back. [V] Ours."""


def nonlinearity_sd(
    responses: DesignResponse, lit: LitSet, value: FloatArray, moved: Callable[[], FloatArray]
) -> FloatArray:
    """What a lit set under which a sound prop is starved leaves open of its readings.

    Args:
        responses: the design, with nothing given or something.
        lit: strands lit.
        value: the readings expected, shape (readings,).
        moved: tells what one standard deviation of node current and of each cause of the nodes' law
            does to each reading, shape (causes, readings).

    Returns:
        One standard deviation of each by itself, shape (readings,); 0 where nothing is starved.
    """
    sound = responses.fault_free or responses
    solution, kind = sound.solution(lit), responses.design.node
    lit_v = solution.node_v[solution.duty.any(axis=1)].min(initial=np.inf)
    near_v = NEAR_SD * headroom_sd_v(kind)
    found = np.zeros(len(value))
    if near_v and lit_v < max(kind.full_v.values()) + near_v:
        found = CURVED_SHARE * np.sqrt((moved() ** 2).sum(axis=0))
    if solution.node_v.min() < kind.logic_v + BROWN_V:
        return np.maximum(np.maximum(BROWN_SD_V, np.abs(value)), found)
    return found


def half_of_data_lost(responses: DesignResponse, solution: Solution, taps: Taps) -> FloatArray:
    """Half of what readings move if data do, or do not, pass nodes that are dark for want of volts.

    Nobody knows: logic that is cut off may run on what its data line feeds it, and nodes that fell
    dark come back between two frames. Taken for the mean of the two, give or take as much, which
    all readings share.

    Returns:
        Shape (taps,); 0 where nothing lit comes after such nodes. [V, or A]
    """
    circuit, order = solution.circuit, responses.space.order
    stopped = circuit.cut_off | (
        responses.visible_v(taps.lit, solution) < circuit.design.node.logic_v
    )
    stops = np.flatnonzero(stopped[order])
    if not len(stops):
        return np.zeros(len(taps.rows))
    asked = responses.duty(taps.lit)
    after = np.zeros(len(order), dtype=bool)
    after[order[stops[0] :]] = True
    after &= asked.any(axis=1) & ~stopped
    if not after.any():
        return np.zeros(len(taps.rows))
    loaded = circuit.loaded
    volts, kind = solution.node_v[loaded], circuit.design.node
    lit_a = node_loads(kind, volts, asked[loaded]).node_a
    more_a = lit_a - node_loads(kind, volts, np.zeros_like(asked[loaded])).node_a
    more_a = np.where(after[loaded], more_a, 0.0)
    read = sensitivities(circuit, solution.factor, taps.columns, taps.per_supply)
    return np.asarray(-0.5 * more_a @ read.per_amp)
