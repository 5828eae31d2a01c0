"""Doubt about the volts of a supply: a typing error, or a supply that sags under load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve_unloaded
from benchtest.diagnosis import Finding, JudgedReading
from benchtest.formatting import count_noun, format_value
from benchtest.prop.design import Design, Feed, Probe
from benchtest.prop.lit_set import LitSet
from benchtest.prop.notation import parse_probe
from benchtest.session.log.power_checks import measured_supplies
from benchtest.session.log.state import State

MIN_READINGS = 3
"""Number of rail readings for a common offset."""
MIN_OFFSET_SHARE = 0.01
"""Least offset for a doubt, as a share of the supply volts: the tolerance of supplies."""
MAX_SPREAD_SHARE = 0.35
"""Largest spread that a supply's offset leaves unexplained, as a share of it. Ours: the offset from
a bad joint or a wrong node current follows the current of each lit set."""
MIN_SHARE = 0.25
"""Least share of a supply's change in a reading that is evidence about that supply."""
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
    """Return the doubt about the volts of one supply; None without one.

    Of several supplies, one that was not measured again comes first, then the one that fits best.

    Args:
        state: state of the session.
        finding: finding of that state.
    """
    rails = _rails(finding)
    if len(rails) < MIN_READINGS:
        return None
    off_v = np.array([row.reading.value - row.expected for row in rails])
    if float(np.abs(off_v).max()) < MIN_OFFSET_SHARE * min(
        feed.volts for feed in state.design.feeds
    ):
        return None
    found = []
    for feed in state.design.feeds:
        misfit_v, doubt = _doubt_of(state, feed, rails, off_v)
        if doubt is not None:
            found.append((is_answered(state, doubt), misfit_v, doubt))
    return min(found, key=lambda one: one[:2])[2] if found else None


def _doubt_of(
    state: State, feed: Feed, rails: Sequence[JudgedReading], off_v: FloatArray
) -> tuple[float, SupplyDoubt | None]:
    """Compare the offsets of readings with those of another voltage of one supply.

    Args:
        state: state of the session.
        feed: the feed of that supply.
        rails: readings of rail volts under load.
        off_v: differences from the volts of a healthy unit, shape (readings,). [V]

    Returns:
        The spread that is left [V], and the doubt; None without one.
    """
    design = state.design
    typed_v = measured_supplies(design, state.checks).get(feed.name)
    supply_v = feed.volts if typed_v is None else typed_v
    share = _shares(design, feed, rails)
    moved = share >= MIN_SHARE
    if int(moved.sum()) < MIN_READINGS:
        return 0.0, None
    wrong_v = float(np.median(off_v[moved] / share[moved]))
    drop_v = supply_v - float(np.median([row.expected for row in rails]))
    if abs(wrong_v) < max(MIN_OFFSET_SHARE * supply_v, DROP_SHARE * drop_v):
        return 0.0, None
    misfit_v = float(np.ptp(off_v - share * wrong_v))
    if misfit_v > MAX_SPREAD_SHARE * abs(wrong_v):
        return misfit_v, None
    where = "the prop file's" if typed_v is None else "typed as"
    way = "lower" if wrong_v < 0.0 else "higher"
    readings = f"All {count_noun(len(rails), 'reading')} of rail volts"
    if len(design.feeds) == 1:
        off = format_value(abs(wrong_v), "V")
        words = f"{readings} lie {off} {way} than the supply {where} {supply_v:g} V allows"
    else:
        words = (
            f"{readings} fit a supply of {supply_v + wrong_v:.2f} V at feed {feed.name}, "
            f"{way} than {where} {supply_v:g} V"
        )
    return misfit_v, SupplyDoubt(feed.name, _most_lit(rails), parse_probe(feed.name, design), words)


def _shares(design: Design, feed: Feed, rails: Sequence[JudgedReading]) -> FloatArray:
    """Return by how much each reading follows one supply's volts, shape (readings,). [V/V]

    Nodes hold their current while they have headroom, so it does not matter which are lit.

    Source: superposition; the other supplies stand at 0 V and the nodes draw nothing.
    """
    alone = design.with_supply_volts(
        {one.name: feed.volts if one == feed else 0.0 for one in design.feeds}
    )
    probes = [row.reading.probe for row in rails]
    return solve_unloaded(Circuit(alone)).volts_at(probes) / feed.volts


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
