"""Choice of readings that calibrate a batch: node current, wire and copper of its units.

Readings that locate a fault are compared with their neighbors, so that these causes cancel out.
The readings chosen here depend on them: a few on any unit make the next unit better known.
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
from benchtest.diagnosis.planning.candidates import ReadingRequest
from benchtest.diagnosis.thresholds import MIN_CALIBRATION_BITS
from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import RAILS, Design, Place, Point, Probe, rail_probe
from benchtest.prop.lit_set import LitSet, all_lit

MAX_CALIBRATION_READINGS = 4
"""Maximum number of readings, exceeded by one if the last are a pair."""


def batch_calibration_readings(
    design: Design,
    readings: Sequence[Reading] = (),
    meter: Meter = DEFAULT_METER,
    tolerances: Tolerances | None = None,
) -> list[ReadingRequest]:
    """Return the readings of a healthy unit with the most information about its batch, best first.

    Args:
        design: the prop, or the design learned from its batch.
        readings: readings of this unit so far.
        meter: of further readings.
        tolerances: deviation of this unit from that design; None for that of its node kind.

    Returns:
        At most `MAX_CALIBRATION_READINGS` or one more; empty if little information remains.

    Source: greedy D-optimal design, as in any text on the design of experiments.
    """
    tolerances = tolerances or tolerances_of(design)
    responses = DesignResponse(design, fault_space(design))
    taken = [(reading.lit, reading.probe) for reading in readings]
    groups = _candidate_groups(design)
    requests = list(
        dict.fromkeys(request for group in groups for request in group if request not in taken)
    )
    regression = unit_evidence_of(
        responses,
        [*readings, *(_healthy_reading(responses, request) for request in requests)],
        meter,
        tolerances,
    )
    place_of = {request: place for place, request in enumerate([*taken, *requests])}
    found = list(taken)
    while len(found) - len(taken) < MAX_CALIBRATION_READINGS:
        more = [[request for request in group if request not in found] for group in groups]
        more = [group for group in more if group]
        known = _log_known(regression, [place_of[request] for request in found])
        known_with = [
            _log_known(regression, [place_of[request] for request in (*found, *group)])
            for group in more
        ]
        gains = [(each - known) / len(group) for each, group in zip(known_with, more, strict=True)]
        # rounded, so that of probes equal by symmetry the first is chosen on every machine
        best = int(np.argmax(np.round(gains, 6))) if gains else -1
        if best < 0 or gains[best] < MIN_CALIBRATION_BITS * np.log(2.0):
            break
        found += more[best]
    return found[len(taken) :]


def _candidate_groups(design: Design) -> list[tuple[ReadingRequest, ...]]:
    """Return drops along buses under full light, and pairs of rail voltages with all and none lit.

    One reading of such a pair has no information alone: the supply is not known well enough.
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


def _healthy_reading(responses: DesignResponse, request: ReadingRequest) -> Reading:
    lit, probe = request
    return Reading(lit, probe, responses.base(lit).solution.volts(probe))


def _log_known(regression: UnitEvidence, rows: list[int]) -> float:
    """Return the information of readings about the three causes, as a natural logarithm."""
    precision: FloatArray = regression.only(np.array(rows, dtype=np.intp)).information[0]
    known = np.eye(len(precision)) + precision
    # information about the supply itself does not count (Schur complement)
    supply = known[len(CAUSES) :, len(CAUSES) :]
    return 0.5 * float(np.linalg.slogdet(known)[1] - np.linalg.slogdet(supply)[1])
