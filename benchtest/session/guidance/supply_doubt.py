"""Doubt about the volts of a supply: a typing error, or a supply that sags under load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchtest.diagnosis import Finding, JudgedReading
from benchtest.formatting import count_noun, format_value
from benchtest.prop.design import Design, Probe
from benchtest.prop.lit_set import LitSet
from benchtest.prop.notation import parse_probe
from benchtest.session.log.measured_supplies import measured_supplies
from benchtest.session.log.state import State

MIN_READINGS = 3
"""Number of rail readings for a common offset."""
MIN_OFFSET_SHARE = 0.01
"""Least offset for a doubt, as a share of the supply volts: the tolerance of supplies."""
MAX_SPREAD_SHARE = 0.35
"""Largest spread of a common offset, as a share of it. Ours: the offset from a bad joint or a wrong
node current follows the current of each lit set."""
DROP_SHARE = 0.25
"""Uncertain share of the drop between supply and probe: three standard deviations of the node
current. Offsets within it are no evidence about the supply."""


@dataclass(frozen=True, slots=True)
class SupplyDoubt:
    """A supply whose volts disagree with the rail readings.

    Attributes:
        feed: its feed.
        lit: strands to light to measure it again.
        probe: the feed, for the drawing.
        words: the reason, in a sentence without its end.
    """

    feed: str
    lit: LitSet
    probe: Probe
    words: str


def supply_doubt(state: State, finding: Finding) -> SupplyDoubt | None:
    """Return the doubt about the volts of a single supply; None without one.

    Args:
        state: state of the session.
        finding: finding of that state.
    """
    design = state.design
    if len(design.feeds) != 1:
        return None
    feed = design.feeds[0]
    volts = measured_supplies(design, state.checks).get(feed.name)
    rails = _rails(finding)
    if len(rails) < MIN_READINGS:
        return None
    supply_v = feed.volts if volts is None else volts
    off_v = np.array([row.reading.value - row.expected for row in rails])
    drop_v = supply_v - float(np.median([row.expected for row in rails]))
    common_v = float(np.median(off_v))
    if abs(common_v) < max(MIN_OFFSET_SHARE * supply_v, DROP_SHARE * drop_v):
        return None
    if float(np.ptp(off_v)) > MAX_SPREAD_SHARE * abs(common_v):
        return None
    where = "the prop file's" if volts is None else "typed as"
    way = "lower" if common_v < 0.0 else "higher"
    words = (
        f"All {count_noun(len(rails), 'reading')} of rail volts lie "
        f"{format_value(abs(common_v), 'V')} {way} than the supply {where} {supply_v:g} V allows"
    )
    return SupplyDoubt(feed.name, _most_lit(rails), parse_probe(feed.name, design), words)


def _rails(finding: Finding) -> list[JudgedReading]:
    """Return the accepted readings of rail volts under load."""
    return [
        row
        for place, row in enumerate(finding.readings, 1)
        if place not in finding.set_aside
        and row.reading.volts is not None
        and row.reading.probe.is_rail
        and row.reading.lit.strands
    ]


def _most_lit(rails: Sequence[JudgedReading]) -> LitSet:
    """Return the largest lit set of these readings: fuses and supply have carried it."""
    return max((row.reading.lit for row in rails), key=lambda lit: len(lit.strands))


def is_answered(state: State, doubt: SupplyDoubt) -> bool:
    """Return True if the supply was measured under load, or cannot be."""
    made = state.checks.get(("supply", doubt.feed))
    measured = made is not None and bool(made.lit)
    return measured or (doubt.lit, doubt.probe) in state.unreachable


def describe_low_volts(design: Design, lowest_v: float | None) -> str:
    """Return a few words about rail volts that are too low; empty if they are high enough.

    Args:
        design: the prop.
        lowest_v: lowest rail volts along all strands, from the unit's readings; None if not known.
            [V]
    """
    if lowest_v is None or lowest_v >= design.node.lowest_v:
        return ""
    return f"only {lowest_v:.2f} V at full white, where a node needs {design.node.lowest_v:g} V"
