"""Volts along strands, measured and predicted, for the plots of report and screen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchtest.diagnosis import Finding, VoltageProfile, voltage_profile
from benchtest.errors import CircuitFault
from benchtest.prop.design import (
    BusPad,
    Design,
    NodeName,
    Place,
    Probe,
    StrandEnd,
    rail_probe,
)
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.records.strand_plot import (
    MAX_PANELS,
    ReadingDot,
    StrandCurve,
    StrandPanel,
    StrandPlot,
)
from benchtest.session.guidance.release import is_enough
from benchtest.session.log.evidence import accepted_readings
from benchtest.session.session import Session

CURVE_POINTS = 9
"""Number of nodes on a curve; volts along a strand change smoothly."""


def strand_plot(session: Session, found: Finding) -> StrandPlot | None:
    """Return the volts along the strands at full white, the largest load.

    None if the circuit has no solution at that load.
    """
    design = session.design
    lit = all_lit(design)
    dots = {s.number: reading_dots(session, lit, s.number) for s in design.strands}
    try:
        shown, left_out = _shown(session, lit, dots)
        places = {number: _places(design, number) for number in shown}
        probes = [rail_probe(place) for number in shown for _, place in places[number]]
        along = _profile_of(session, found, lit, probes)
    except CircuitFault:
        return None
    panels, start = [], 0
    for number in shown:
        stop = start + len(places[number])
        curve = _curve(along, slice(start, stop), [x for x, _ in places[number]], dots[number])
        panels.append(StrandPanel(number, design.strand(number).nodes, curve))
        start = stop
    return StrandPlot("all", panels, _floor(design, along), along.suspect, left_out)


def _profile_of(
    session: Session, found: Finding, lit: LitSet, probes: list[Probe]
) -> VoltageProfile:
    """Return the volts at probes from the readings that the finding accepted."""
    readings = accepted_readings(session.state, found)
    return voltage_profile(session.engine, lit, probes, readings, session.meter, found)


def lowest_read_v(plot: StrandPlot | None) -> float | None:
    """Return the lowest volts along the strands from a unit's readings; None without any. [V]"""
    if plot is None:
        return None
    read = [min(panel.curve.read_v) for panel in plot.panels if panel.curve.read_v is not None]
    return min(read, default=None)


def final_lowest_v(session: Session, found: Finding) -> float | None:
    """Return the lowest volts along the strands by a finding that allows a sign-off, else None. [V]

    Takes some tens of milliseconds: call it from a worker thread.
    """
    is_final = found.next.settled or is_enough(session.state, found)
    return lowest_read_v(strand_plot(session, found)) if is_final else None


def strand_curve(session: Session, found: Finding, lit: LitSet, number: int) -> StrandCurve | None:
    """Return the volts along one strand; None if the circuit has no solution."""
    places = _places(session.design, number)
    probes = [rail_probe(place) for _, place in places]
    try:
        along = _profile_of(session, found, lit, probes)
    except CircuitFault:
        return None
    xs, dots = [x for x, _ in places], reading_dots(session, lit, number)
    return _curve(along, slice(None), xs, dots)


def _shown(
    session: Session, lit: LitSet, dots: dict[int, list[ReadingDot]]
) -> tuple[list[int], tuple[int, ...]]:
    """Return strands to plot and to leave out: first failed or read ones, then the lowest volts."""
    design = session.design
    numbers = [strand.number for strand in design.strands]
    if len(numbers) <= MAX_PANELS:
        return numbers, ()
    node_v = session.engine.responses.base(lit).solution.node_v
    lowest = {n: float(_of(design, node_v, n).min()) for n in numbers}
    failed = set(session.state.failed)
    numbers.sort(key=lambda n: (n not in failed, not dots[n], lowest[n]))
    return sorted(numbers[:MAX_PANELS]), tuple(sorted(numbers[MAX_PANELS:]))


def _of(
    design: Design, node_v: np.ndarray[tuple[int, ...], np.dtype[np.float64]], number: int
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    start = design.first_index[number - 1]
    return node_v[start : start + design.strand(number).nodes]


def _places(design: Design, number: int) -> list[tuple[float, Place]]:
    """Return places on a strand: end A at 0, some nodes, end B one after the last node."""
    last = design.strand(number).nodes
    nodes = sorted({round(float(node)) for node in np.linspace(1, last, CURVE_POINTS)})
    along: list[tuple[float, Place]] = [(0.0, StrandEnd(number, "A"))]
    along += [(float(node), NodeName(number, node)) for node in nodes]
    return [*along, (last + 1.0, StrandEnd(number, "B"))]


def _curve(
    along: VoltageProfile, part: slice, x: Sequence[float], dots: Sequence[ReadingDot]
) -> StrandCurve:
    read = along.read_v is not None and along.read_sd_v is not None
    return StrandCurve(
        x,
        along.designed_v[part].tolist(),
        along.designed_sd_v[part].tolist(),
        along.read_v[part].tolist() if read and along.read_v is not None else None,
        along.read_sd_v[part].tolist() if read and along.read_sd_v is not None else None,
        dots,
    )


def reading_dots(session: Session, lit: LitSet, number: int) -> list[ReadingDot]:
    """Return the rail readings on a strand, or on the pads at its ends."""
    design, dots = session.design, []
    for reading in session.state.readings:
        if reading.lit != lit or reading.volts is None or not reading.probe.is_rail:
            continue
        x = _x(design, number, reading.probe.red.place)
        if x is not None:
            dots.append(ReadingDot(x, reading.volts))
    return dots


def _x(design: Design, number: int, place: Place) -> float | None:
    last = design.strand(number).nodes
    if isinstance(place, NodeName) and place.strand == number:
        return float(place.node)
    if isinstance(place, StrandEnd) and place.strand == number:
        return 0.0 if place.end == "A" else last + 1.0
    if isinstance(place, BusPad) and place.strand == number:
        bus = next(bus for bus in design.buses if bus.name == place.bus)
        return 0.0 if StrandEnd(number, "A") in bus.ends else last + 1.0
    return None


def _floor(design: Design, along: VoltageProfile) -> float | None:
    """Return the least volts of a node; None if that line would flatten all curves."""
    volts = along.designed_v - 2.0 * along.designed_sd_v
    if along.read_v is not None:
        volts = np.minimum(volts, along.read_v)
    span = float(along.designed_v.max() - volts.min())
    least = design.node.lowest_v
    return least if least > float(volts.min()) - 1.5 * span else None
