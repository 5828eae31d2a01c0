"""How far a unit's nodes may be off the law that the catalogue gives for them.

Beside how much its channels draw (`circuit.tolerance`), the nodes of one make have in common what
they take when dark, and the volts at which they run out of headroom. The first is felt where little
is lit, the second where a fault starves nodes: how much a starved strand still draws, and so what
resistance a drop stands for, is known no better than that.
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
"""Current of a dark node, one standard deviation as a share. Common practice, no source: 0.6 to
1.0 mA was measured on one kind, and data sheets print 0.6 to 1 mA for near kinds."""
LED_SD_V, SINK_SD_V = 0.115, 0.087
"""Volts of one LED and of its sink, one standard deviation each: data sheets' ranges, taken evenly.
[V] Source: WS2812B data sheet, blue 3.0 to 3.4 V; SM16706 data sheet, 0.4 to 0.7 V."""
LED_V, SINK_V = 3.2, 0.55
"""What the two have in the middle, for telling how many LEDs are in series. [V]"""


REEL_SD = 1.0 / 6.0
"""How far node current may change from one reel to the next, one standard deviation as a share.
Common practice, no source: bins of one kind are a sixth apart."""

OTHER_BIN = 0.2
"""Chance that nodes are of another of their kind's current bins than the catalogue takes for usual.
Common practice, no source: two makes of one part were measured at 33.5 and 52.5 mA a node."""


def tolerances_of(design: Design) -> Tolerances:
    """How far a unit may be from its design before anything was measured.

    A kind that is only a name comes in several bins of channel current. Taken together they are as
    wide as their mixture, until readings of the unit, a clamp or other units of its batch settle
    it: what is left then is `FROM_MANY_REELS`. A prop file that gives the current itself
    (`channel_ma`) has settled it.
    """
    kind, known = design.node, FROM_MANY_REELS
    if kind.sources.get("channel_ma") == OWN_SOURCE:
        return known
    off = np.array([ma / kind.channel_ma - 1.0 for ma in kind.channel_bins_ma])
    others = off[np.abs(off) > known.current / 2.0]
    if not len(others):
        return known
    current = float(np.sqrt(known.current**2 + OTHER_BIN * np.mean(others**2)))
    return replace(known, current=current)


def headroom_sd_v(kind: NodeKind) -> float:
    """How far the volts are known at which a kind's current begins to fall. [V]

    0 where the catalogue's share of full current follows the supply itself: a resistor's current
    and a regulator's power are off as a whole, if at all.
    """
    if kind.family not in ("sink", "series-colours"):
        return 0.0
    leds = max(1, round((max(kind.full_v.values()) - SINK_V) / LED_V))
    return float(np.hypot(leds * LED_SD_V, SINK_SD_V))


def reel_shares(design: Design, reels: tuple[int, ...]) -> FloatArray:
    """Return 1 for nodes of the strands from each second reel, else 0, shape (nodes, reels).

    Args:
        design: the prop.
        reels: strands before each change of reel, counted in the order of the file.
    """
    strand = np.repeat(np.arange(len(design.strands)), [one.nodes for one in design.strands])
    return np.asarray(strand[:, None] >= np.array(reels, dtype=np.intp), dtype=np.float64)


def node_variation_a(solution: Solution, tolerances: Tolerances) -> FloatArray:
    """Return what each loaded node draws more, one standard deviation of each cause. [A]

    Quiescent current, headroom, and behind them each change of reel: shape (loaded, 2 + reels).
    """
    loaded, kind = solution.circuit.loaded, solution.circuit.design.node
    volts, duty = solution.node_v[loaded], solution.duty[loaded]
    dark = node_loads(kind, volts, np.zeros_like(duty))
    # headroom that starts higher is as good as volts that are lower
    slope_s = node_loads(kind, volts, duty).slope_s - dark.slope_s
    law = np.stack([QUIESCENT_SD * dark.node_a, -headroom_sd_v(kind) * slope_s], axis=1)
    if not tolerances.reels:
        return law
    shares = reel_shares(solution.circuit.design, tolerances.reels)[loaded]
    return np.hstack([law, REEL_SD * shares * solution.load_a[:, None]])


def spread_of_unit(
    solution: Solution,
    read: Sensitivities,
    tolerances: Tolerances,
    known: frozenset[str],
    known_sd: float = 0.0,
) -> Spread:
    """`circuit.tolerance.spread_from_sensitivities`, with the law behind each strand's current."""
    found = spread_from_sensitivities(solution, read, tolerances, known, known_sd)
    law = read.per_amp.T @ node_variation_a(solution, tolerances)
    return Spread(found.shared, np.hstack([found.nodes, law]))
