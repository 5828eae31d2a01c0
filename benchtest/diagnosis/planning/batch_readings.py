"""Readings that say most of what a unit shares with the rest of its batch.

The readings that find a fault are compared with their neighbours, so that node current, wire and
copper cancel out. These do not: few of them, on any unit, and the next unit is known better.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.tolerance import Tolerances
from benchtest.diagnosis.batch.model import CAUSES, UnitEvidence, unit_evidence_of
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.model.faults import fault_space
from benchtest.diagnosis.model.node_variation import tolerances_of
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import RAILS, Design, Place, Point, Probe, rail_probe
from benchtest.prop.lit_set import LitSet, all_lit

MIN_CALIBRATION_BITS = 0.25
"""A reading that says less of node current, wire and copper is not worth a person's time. Ours."""
MAX_CALIBRATION_READINGS = 4

ReadingRequest = tuple[LitSet, Probe]
"""What to light, and where to put the leads."""


def batch_calibration_readings(
    design: Design,
    readings: Sequence[Reading] = (),
    meter: Meter = DEFAULT_METER,
    tolerances: Tolerances | None = None,
) -> list[ReadingRequest]:
    """Readings of a healthy unit that teach most about the units after it, best first.

    Args:
        design: the prop, or what was learned of it.
        readings: what has been read of this unit already.
        meter: what is read with.
        tolerances: how far this unit may be from that design.

    Returns:
        At most `MAX_CALIBRATION_READINGS` or one more; none where little is left to learn.

    Source: greedy D-optimal design, as in any text on the design of experiments.
    """
    tolerances = tolerances or tolerances_of(design)
    responses = DesignResponse(design, fault_space(design))
    taken = [(reading.lit, reading.probe) for reading in readings]
    groups = _candidates(design)
    asks = list(dict.fromkeys(ask for group in groups for ask in group if ask not in taken))
    regression = unit_evidence_of(
        responses, [*readings, *(_expected(responses, ask) for ask in asks)], meter, tolerances
    )
    place_of = {ask: place for place, ask in enumerate([*taken, *asks])}
    found = list(taken)
    while len(found) - len(taken) < MAX_CALIBRATION_READINGS:
        more = [[ask for ask in group if ask not in found] for group in groups]
        more = [group for group in more if group]
        known = _log_known(regression, [place_of[ask] for ask in found])
        worth = [
            _log_known(regression, [place_of[ask] for ask in (*found, *group)]) for group in more
        ]
        gains = [(each - known) / len(group) for each, group in zip(worth, more, strict=True)]
        # rounded, so that probes alike by symmetry fall to the first of them everywhere
        best = int(np.argmax(np.round(gains, 6))) if gains else -1
        if best < 0 or gains[best] < MIN_CALIBRATION_BITS * np.log(2.0):
            break
        found += more[best]
    return found[len(taken) :]


def _candidates(design: Design) -> list[tuple[ReadingRequest, ...]]:
    """Long ways with much current in them, and rails with all lit and with none.

    Of such a pair neither tells anything alone, for nobody knows the supply so well.
    """
    places: list[Place] = [feed.at for feed in design.feeds]
    places += [pad for bus in design.buses for pad in (bus.pads[0], bus.pads[-1])]
    places += [end for entry in design.data_path for end in (entry, entry.other)]
    drops = [
        Probe(Point(bus.pads[0], rail), Point(bus.pads[-1], rail))
        for bus in design.buses
        if len(bus.pads) > 1
        for rail in RAILS
    ]
    bright, dark = all_lit(design), LitSet(frozenset())
    rails = dict.fromkeys(rail_probe(place) for place in places)
    pairs = [((bright, probe), (dark, probe)) for probe in rails]
    return [*(((bright, probe),) for probe in drops), *pairs]


def _expected(responses: DesignResponse, ask: ReadingRequest) -> Reading:
    lit, probe = ask
    return Reading(lit, probe, responses.base(lit).solution.volts(probe))


def _log_known(regression: UnitEvidence, rows: list[int]) -> float:
    """What these readings say of the three causes, as a natural logarithm."""
    precision: FloatArray = regression.only(np.array(rows, dtype=np.intp)).information[0]
    known = np.eye(len(precision)) + precision
    # what is said of the supply counts for nothing by itself (Schur complement)
    supply = known[len(CAUSES) :, len(CAUSES) :]
    return 0.5 * float(np.linalg.slogdet(known)[1] - np.linalg.slogdet(supply)[1])
