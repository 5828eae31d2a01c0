"""Current of a node at given supply volts, for each family of the catalogue.

Each law is a pure function of supply and duty. In all families but one the current never falls when
the supply rises, so that the currents of a whole prop are the gradient of a convex function and its
solution is unique. A regulated node holds its power: it draws more current at fewer volts, and a
prop of such nodes has two solutions or none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.prop.node_kinds import NodeKind

CORNER_V = 0.1
"""Half width of the rounded corner where a resistor kind begins to conduct. [V] Chosen by us: an
LED's knee is about as soft, and Newton's method needs a continuous slope."""


@dataclass(frozen=True)
class NodeLoads:
    """Currents of all nodes at given volts.

    Attributes:
        channel_a: current of each colour channel, shape (nodes, colours). [A]
        node_a: current of each node, quiescent included, shape (nodes,). [A]
        slope_s: derivative of `node_a` with respect to the node's volts, negative only where a
            regulator holds its power, shape (nodes,). [S]
    """

    channel_a: FloatArray
    node_a: FloatArray
    slope_s: FloatArray


def node_loads(kind: NodeKind, volts_v: FloatArray, duty: FloatArray) -> NodeLoads:
    """Return the current of each node from the volts between its own two pads.

    i = i_q(v) + Σ over channels of duty × i_channel × share(v); in `series-colours` the sum is the
    maximum instead, because one chain of LEDs carries the current of the greatest channel.

    Args:
        kind: entry of the node catalogue.
        volts_v: supply of each node, of any sign, shape (nodes,). [V]
        duty: share of full current asked of each channel, 0 to 1, shape (nodes, colours).

    Returns:
        Currents and slopes of all nodes. [A, S]

    Source: laws and figures of the node catalogue (`hw_notes/node_kinds.md`).
    """
    share, share_slope = _share(kind, volts_v)
    full_a = kind.channel_ma * 1e-3 * duty
    channel_a = full_a * share
    channel_s = full_a * share_slope
    quiescent_a, quiescent_s = _quiescent(kind, volts_v)
    if kind.family == "series-colours":
        # one chain for all colours: the greatest channel sets the current of the node
        node_a = quiescent_a + channel_a.max(axis=1)
        slope_s = quiescent_s + channel_s.max(axis=1)
    else:
        each = np.ones(kind.channels)  # a product is several times faster than a sum of short rows
        node_a = quiescent_a + channel_a @ each
        slope_s = quiescent_s + channel_s @ each
    return NodeLoads(channel_a, node_a, slope_s)


def node_light(kind: NodeKind, volts_v: FloatArray) -> FloatArray:
    """Return the share of full light of each colour.

    Light is proportional to current; behind a regulator, to the power that enters it.

    Args:
        kind: entry of the node catalogue.
        volts_v: supply of each node, shape (nodes,). [V]

    Returns:
        Shape (nodes, colours); above 1 for resistor kinds above their nominal supply.

    Source: LED data sheets plot light nearly in proportion to current below its rating.
    """
    shares, _ = _share(kind, volts_v)
    return shares * volts_v[:, None] / kind.volts if kind.family == "regulated" else shares


def _by_colour(figure: Mapping[str, float], kind: NodeKind) -> FloatArray:
    return np.array([figure[colour] for colour in kind.colours])


def _share(kind: NodeKind, volts_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return each colour's share of full current and its slope [1/V], (nodes, colours) each."""
    dark_v = _by_colour(kind.dark_v, kind)
    above_v = volts_v[:, None] - dark_v
    if kind.family == "resistor":
        return _resistor_share(above_v, kind.volts - dark_v)
    full_v = _by_colour(kind.full_v, kind)
    share, slope = _sink_share(above_v, full_v - dark_v)
    if kind.family == "regulated":
        return _regulated_share(share, slope, volts_v, full_v, kind.volts)
    return share, slope


def _sink_share(above_v: FloatArray, width_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return p² (3 - 2 p): exactly 1 above the headroom, a smooth step to 0 below it."""
    part = np.clip(above_v / width_v, 0.0, 1.0)
    square = part * part
    return square * (3.0 - 2.0 * part), (part - square) * (6.0 / width_v)


def _resistor_share(above_v: FloatArray, nominal_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a line through 1 at the nominal supply, from a rounded corner at `dark_v`."""
    rounded = np.clip(above_v + CORNER_V, 0.0, 2.0 * CORNER_V)
    share = rounded**2 / (4.0 * CORNER_V) + np.maximum(above_v - CORNER_V, 0.0)
    return share / nominal_v, rounded / (2.0 * CORNER_V) / nominal_v


def _regulated_share(
    share: FloatArray, slope: FloatArray, volts_v: FloatArray, full_v: FloatArray, nominal_v: float
) -> tuple[FloatArray, FloatArray]:
    """Return the share at constant power, I = P / (η V), with the fade of a sink below `full_v`.

    Source: power in is power out over the efficiency; any text on switching converters.
    """
    held_v = np.maximum(volts_v[:, None], full_v)
    gain = nominal_v / held_v
    falls = np.where(volts_v[:, None] > full_v, -gain / held_v, 0.0)
    return share * gain, slope * gain + share * falls


def _quiescent(kind: NodeKind, volts_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the quiescent current: i_q from `logic_v`, i_q p (2 - p) with p = v / `logic_v` below.

    Its slope is positive down to 0 V, so that copper without another load has a solution.
    """
    part = np.clip(volts_v / kind.logic_v, 0.0, 1.0)
    quiescent_a = kind.quiescent_ma * 1e-3
    slope_s = np.where(volts_v >= 0.0, 2.0 * (1.0 - part) / kind.logic_v, 0.0)
    return quiescent_a * part * (2.0 - part), quiescent_a * slope_s
