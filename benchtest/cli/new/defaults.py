"""What is usual: the answers that Enter takes in `benchtest new`."""

from __future__ import annotations

import math
import re
from dataclasses import replace

from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import BusPad, Design, StrandEnd
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.validation import unfed_strands

FUSES_A = (1.0, 2.0, 3.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)
"""Ratings of blade fuses. Source: ISO 8820-3, from memory."""
CABLES = ("20 AWG", "18 AWG", "16 AWG", "14 AWG", "12 AWG", "10 AWG")


def white_a(node: NodeKind, nodes: int) -> float:
    """Current at full white with no volts lost. [A]"""
    channels = 1 if node.family == "series-colours" else node.channels
    return nodes * (channels * node.channel_ma + node.quiescent_ma) * 1e-3


def usual_fuse(load_a: float) -> float | None:
    """The smallest fuse that carries a load for hours; None where it takes more than one. [A]"""
    from benchtest.circuit.feed_limits import FUSE_SHARE

    return next((fuse_a for fuse_a in FUSES_A if FUSE_SHARE * fuse_a >= load_a), None)


def usual_fuse_mohm(fuse_a: float) -> float:
    """A blade fuse, cold, and the clips of its holder. [mΩ]

    80 mV over its rating: within a quarter of makers' sheets from 3 to 30 A. The holder's 2 mΩ are
    common practice, no source.
    """
    return round(80.0 / fuse_a + 2.0, 1)


def usual_feeds(design: Design) -> int:
    """Feeds that keep every fuse usual, and every strand that passes current on within its rating.

    At a bus a feed's current parts; at a strand end it may all go into one strand's wire.
    """
    from benchtest.circuit.feed_limits import FUSE_SHARE
    from benchtest.circuit.ratings import rated_current_a

    count = 0
    for run in unfed_strands(design):
        on_bus = any(pad.strand in run for bus in design.buses for pad in bus.pads)
        thinnest_a = min(rated_current_a(design.strand(number).wire) for number in run)
        most_a = FUSE_SHARE * FUSES_A[-1] if on_bus else thinnest_a
        nodes = sum(design.strand(number).nodes for number in run)
        count += min(math.ceil(white_a(design.node, nodes) / most_a), len(run))
    return count


def usual_cable(least_a: float) -> str:
    """The thinnest usual cable that carries so much for hours, the thickest where none does.

    A cable must stand what its fuse lets through, not only what the prop draws.
    """
    from benchtest.circuit.ratings import rated_current_a

    rated = {text: rated_current_a(parse_wire(text)) for text in CABLES}
    return next((text for text, most_a in rated.items() if most_a >= least_a), CABLES[-1])


def default_name(stem: str) -> str:
    """A design's name from its file's: `willow-fan` is a Willow fan."""
    words = re.sub(r"[-_\s]+", " ", "".join(s for s in stem if s.isprintable())).strip()
    return (words[:1].upper() + words[1:])[:80].strip() or "My prop"


def usual_place(design: Design, count: int) -> str:
    """Where the next of `count` feeds does most: spread along what all of them feed together."""
    alone = unfed_strands(replace(design, feeds=()))
    run = (unfed_strands(design) or alone)[0]
    before, of = (len(design.feeds), count) if len(alone) == 1 else (0, 1)
    places: list[BusPad] | list[StrandEnd] = next(
        (pads for bus in design.buses if (pads := [p for p in bus.pads if p.strand in run])),
        [StrandEnd(end.strand, "A") for end in design.data_path if end.strand in run],
    )
    return str(places[min(int((before + 0.5) * len(places) / of - 0.5), len(places) - 1)])
