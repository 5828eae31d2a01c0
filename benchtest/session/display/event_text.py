"""Events and volts in a few words."""

from __future__ import annotations

import math

from benchtest.evidence.meter import Meter
from benchtest.formatting import MILLIVOLTS_BELOW_V, format_value
from benchtest.prop.design import Design
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    ControllerSeen,
    FirstLight,
    MarkMade,
    NotTaken,
    PartSeen,
    PictureSeen,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    SoakBegun,
    SoakSeen,
    SoakStopped,
    Struck,
    VerdictGiven,
    Wiggled,
)
from benchtest.session.log.node_search import search_nodes


def describe_event(what: SessionEvent, design: Design) -> str:
    """Return an event in a few words.

    Args:
        what: the event.
        design: the prop.
    """
    match what:
        case VerdictGiven(strand, passed):
            return f"strand {strand} {'passed' if passed else 'failed'}"
        case MarkMade(_, strand, nodes, seen):
            return f"strand {strand}, node {nodes} {seen}"
        case ReadingTaken(_, probe, volts, amps):
            return f"{probe} = {amps} A" if volts is None else f"{probe} = {volts} V"
        case Struck():
            return "strike-out of a reading"
        case NotTaken(_, probe):
            return f"{probe} cannot be reached"
        case RepairDone(where):
            return f"repair of {where}"
        case SignedOff(by):
            return f"sign-off by {by}"
    return _describe_step(what, design)


def _describe_step(what: SessionEvent, design: Design) -> str:
    match what:
        case CheckMade(check, feed, passed, ohm, volts, _, like):
            shown = f", {ohm:g} Ω" if ohm is not None else f", {volts:g} V" if volts else ""
            shown += "" if like is None else f" as {like}"
            word = {None: "left out", True: "OK", False: "BAD"}[passed]
            return f"{check} at {feed} {word}{shown}"
        case FirstLight(passed):
            return f"first light, {'all glowed' if passed else 'not all glowed'}"
        case ColourSeen(colour, right, strand, _, lit):
            where = "everywhere" if strand is None else f"on strand {strand}"
            if strand is None and lit is not None:
                where = f"on strands {', '.join(lit.split())}"
            if not right and strand is None:  # somewhere; the strand is asked for next
                return f"{colour} not right {where}"
            return f"{colour} {'right' if right else 'wrong'} {where}"
        case PictureSeen(as_drawn):
            return f"picture {'as drawn' if as_drawn else 'not as drawn'}"
        case ControllerSeen(agrees, settings):
            return f"look at the controller: {_agreement(agrees, settings)}"
        case PartSeen(first, last, right, strand):
            nodes = search_nodes(design, strand)
            if first == last:
                return f"node {nodes[first - 1]} {'lit' if right else 'dark'}"
            ends = f"nodes {nodes[first - 1]} to {nodes[last - 1]}"
            return f"{ends} {'lit' if right else 'not all lit'}"
        case Wiggled(end, steady):
            return f"{end} {'steady' if steady else 'flickers'} when moved"
        case SoakBegun():
            return "soak begun"
        case SoakSeen(_, steady):
            return f"soak {'steady' if steady else 'intermittent'}"
        case SoakStopped(_, over):
            return "soak ended" if over else "pause of the soak"
    return what.kind


def _agreement(agrees: bool | None, settings: list[str]) -> str:
    if agrees:
        return "as the prop file"
    return f"like {' or '.join(settings)}" if settings else "like no known setting"


def format_volts(volts: float) -> str:
    """Return volts as a meter shows them: millivolts below 0.6 V.

    >>> format_volts(0.0312), format_volts(4.871)
    ('31.2 mV', '4.871 V')
    """
    return format_value(volts, "V")


def format_metered_volts(volts: float, meter: Meter) -> str:
    """Return volts with the digits of the meter's range; below 0.6 V in millivolts.

    >>> meter = Meter.parse("0.5%+3/6000")
    >>> [format_metered_volts(volts, meter) for volts in (4.87, -0.03125, 12.0)]
    ['4.870 V', '-31.2 mV', '12.00 V']
    """
    unit, scale = ("mV", 1e3) if abs(volts) < MILLIVOLTS_BELOW_V else ("V", 1.0)
    digits = max(0, math.ceil(-math.log10(scale * meter.resolution_v(volts)) - 1e-9))
    return f"{scale * volts:.{digits}f} {unit}"
