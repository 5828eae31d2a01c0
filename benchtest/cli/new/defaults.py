"""Default answers of `benchtest new`."""

from __future__ import annotations

import math
import re
from dataclasses import replace

from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import BusPad, Design, StrandEnd
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.validation import unfed_strands

FUSES_A = (1.0, 2.0, 3.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)
"""Ratings of blade fuses. [A] Source: ISO 8820-3, from memory."""
CABLES = ("20 AWG", "18 AWG", "16 AWG", "14 AWG", "12 AWG", "10 AWG")
"""Cables, thinnest first."""


def white_a(node: NodeKind, nodes: int) -> float:
    """Return the current at full white without voltage drop. [A]"""
    channels = 1 if node.family == "series-colours" else node.channels
    return nodes * (channels * node.channel_ma + node.quiescent_ma) * 1e-3


def default_fuse_a(load_a: float) -> float | None:
    """Return the smallest fuse that carries a load continuously, None if no fuse does. [A]"""
    from benchtest.circuit.feed_limits import FUSE_SHARE

    return next((fuse_a for fuse_a in FUSES_A if FUSE_SHARE * fuse_a >= load_a), None)


def default_fuse_mohm(fuse_a: float) -> float:
    """Return the resistance of a cold blade fuse and the clips of its holder. [mΩ]

    A fuse drops 80 mV at its rating: within a quarter of data sheets from 3 to 30 A. The holder's
    2 mΩ are common practice, no source.
    """
    return round(80.0 / fuse_a + 2.0, 1)


def default_feed_count(design: Design) -> int:
    """Return the feeds that keep each fuse at a common rating and each wire within its limit.

    At a bus a feed's current divides; at a strand end all of it may enter one strand's wire.
    """
    from benchtest.circuit.design_review import rated_current_a
    from benchtest.circuit.feed_limits import FUSE_SHARE

    count = 0
    for run in unfed_strands(design):
        on_bus = any(pad.strand in run for bus in design.buses for pad in bus.pads)
        thinnest_a = min(rated_current_a(design.strand(number).wire) for number in run)
        most_a = FUSE_SHARE * FUSES_A[-1] if on_bus else thinnest_a
        nodes = sum(design.strand(number).nodes for number in run)
        count += min(math.ceil(white_a(design.node, nodes) / most_a), len(run))
    return count


def default_cable(least_a: float) -> str:
    """Return the thinnest cable that carries a current continuously, or the thickest one.

    Args:
        least_a: rating of the fuse, which the cable must withstand, or the load without one. [A]
    """
    from benchtest.circuit.design_review import rated_current_a

    rated = {text: rated_current_a(parse_wire(text)) for text in CABLES}
    return next((text for text, most_a in rated.items() if most_a >= least_a), CABLES[-1])


def default_name(stem: str) -> str:
    """Return a design's name for the stem of its file: `Willow fan` for `willow-fan`."""
    name = re.sub(r"[-_\s]+", " ", "".join(s for s in stem if s.isprintable())).strip()
    return (name[:1].upper() + name[1:])[:80].strip() or "My prop"


def default_place(design: Design, count: int) -> str:
    """Return the place of the next of `count` feeds: feeds are spread evenly along their copper."""
    separate = unfed_strands(replace(design, feeds=()))
    run = (unfed_strands(design) or separate)[0]
    before, of = (len(design.feeds), count) if len(separate) == 1 else (0, 1)
    places: list[BusPad] | list[StrandEnd] = next(
        (pads for bus in design.buses if (pads := [p for p in bus.pads if p.strand in run])),
        [StrandEnd(end.strand, "A") for end in design.data_path if end.strand in run],
    )
    return str(places[min(int((before + 0.5) * len(places) / of - 0.5), len(places) - 1)])
