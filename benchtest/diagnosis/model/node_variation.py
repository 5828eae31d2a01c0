"""Deviation of a unit's nodes from the I-V figures of the catalogue.

Besides their channel current (`circuit.tolerance`), the nodes of one make share their quiescent
current and the voltage at which they lose headroom. The quiescent current matters where little is
lit, the headroom where a fault causes undervoltage: it bounds how well the current of such a
strand, and so the resistance behind a measured drop, can be known.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution
from benchtest.circuit.tolerance import (
    FROM_MANY_REELS,
    Sensitivities,
    Spread,
    Tolerances,
    spread_from_sensitivities,
)
from benchtest.prop.design import Design
from benchtest.prop.node_kinds import OWN_SOURCE, NodeKind

QUIESCENT_SD = 0.25
"""Standard deviation of the current of a dark node, as a share. Common practice, no source: 0.6 to
1.0 mA was measured on one kind, and data sheets print 0.6 to 1 mA for similar kinds."""
LED_SD_V, SINK_SD_V = 0.115, 0.087
"""Standard deviation of the voltage of one LED and of its sink: the data sheets' ranges as uniform
distributions. [V] Source: WS2812B data sheet, blue 3.0 to 3.4 V; SM16706 data sheet, 0.4 to 0.7
V."""
LED_V, SINK_V = 3.2, 0.55
"""Mid-range voltage of the two, to infer the number of LEDs in series. [V]"""
REEL_SD = 1.0 / 6.0
"""Standard deviation of the change of node current from one reel to the next, as a share. Common
practice, no source: bins of one kind are a sixth apart."""

OTHER_BIN = 0.2
"""Probability that nodes are of a current bin of their kind other than the catalogue's usual one.
Common practice, no source: two makes of one part were measured at 33.5 and 52.5 mA a node."""


def tolerances_of(design: Design) -> Tolerances:
    """Return the tolerances of a unit about its design before any measurement.

    A kind known only by name comes in several bins of channel current. Its tolerance is that of
    their mixture, `sqrt(sd² + OTHER_BIN · mean(bin offset²))`, until readings of the unit, a clamp
    or other units of its batch determine the current; then it is `FROM_MANY_REELS`. A prop file
    that gives the current itself (`channel_ma`) has determined it.
    """
    kind, known = design.node, FROM_MANY_REELS
    if kind.sources.get("channel_ma") == OWN_SOURCE:
        return known
    offset = np.array([ma / kind.channel_ma - 1.0 for ma in kind.channel_bins_ma])
    others = offset[np.abs(offset) > known.current / 2.0]
    if not len(others):
        return known
    current = float(np.sqrt(known.current**2 + OTHER_BIN * np.mean(others**2)))
    return replace(known, current=current)


def headroom_sd_v(kind: NodeKind) -> float:
    """Return the standard deviation of the voltage at which a kind's current begins to fall. [V]

    With `n` LEDs in series, `hypot(n · LED_SD_V, SINK_SD_V)`. 0 for families in which current
    follows the supply itself: a resistor's current and a regulator's power vary as a whole, if at
    all.
    """
    if kind.family not in ("sink", "series-colours"):
        return 0.0
    leds = max(1, round((max(kind.full_v.values()) - SINK_V) / LED_V))
    return float(np.hypot(leds * LED_SD_V, SINK_SD_V))


def reel_shares(design: Design, reels: tuple[int, ...]) -> FloatArray:
    """Return 1 for nodes of the strands from each second reel, else 0, shape (nodes, reels).

    Args:
        design: the prop.
        reels: number of strands before each change of reel, in the order of the file.
    """
    strand = np.repeat(np.arange(len(design.strands)), [one.nodes for one in design.strands])
    return np.asarray(strand[:, None] >= np.array(reels, dtype=np.intp), dtype=np.float64)


def node_variation_a(solution: Solution, tolerances: Tolerances) -> FloatArray:
    """Return the additional current of each loaded node, one standard deviation of each cause. [A]

    Returns:
        Quiescent current, headroom, then each change of reel, shape (loaded, 2 + reels).
    """
    loaded, kind = solution.circuit.loaded, solution.circuit.design.node
    volts, duty = solution.node_v[loaded], solution.duty[loaded]
    dark = node_loads(kind, volts, np.zeros_like(duty))
    # a higher headroom voltage has the effect of a lower node voltage
    slope_s = node_loads(kind, volts, duty).slope_s - dark.slope_s
    variation_a = np.stack([QUIESCENT_SD * dark.node_a, -headroom_sd_v(kind) * slope_s], axis=1)
    if not tolerances.reels:
        return variation_a
    shares = reel_shares(solution.circuit.design, tolerances.reels)[loaded]
    return np.hstack([variation_a, REEL_SD * shares * solution.load_a[:, None]])


def spread_of_unit(
    solution: Solution,
    read: Sensitivities,
    tolerances: Tolerances,
    known: frozenset[str],
    known_sd: float = 0.0,
) -> Spread:
    """Return `circuit.tolerance.spread_from_sensitivities` with the causes of `node_variation_a`.

    Args:
        solution: circuit and operating point.
        read: sensitivities of what is read.
        tolerances: of the unit.
        known: names of the joints whose resistance is given.
        known_sd: standard deviation of the logarithm of their resistances.

    Returns:
        The causes of `node_variation_a` follow those of the strands in `nodes`.
    """
    found = spread_from_sensitivities(solution, read, tolerances, known, known_sd)
    variation = read.per_amp.T @ node_variation_a(solution, tolerances)
    return Spread(found.shared, np.hstack([found.nodes, variation]))
