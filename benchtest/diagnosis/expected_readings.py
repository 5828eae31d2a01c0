"""Expected readings: of a healthy unit, under any single fault, under the likeliest faults."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchtest.circuit.solution import require_start
from benchtest.circuit.tolerance_condensed import standard_deviation_v
from benchtest.diagnosis.engine import Engine
from benchtest.diagnosis.finding import Finding, JudgedReading
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.planning.cost import leads_after, reading_cost
from benchtest.diagnosis.thresholds import MAX_SINGLE_FAULT_RATIO, RANGE_MARGIN_SD
from benchtest.diagnosis.voltage_profile import grid_column, solution_with_joint
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design, Probe
from benchtest.prop.lit_set import LitSet

MAX_JOINTS, MIN_PROBABILITY = 3, 0.02
"""Joints in the result, and the least probability of each."""


@dataclass(frozen=True, slots=True)
class ExpectedReading:
    """Volts at a probe under one fault. [V]"""

    where: str
    """The joint at fault; empty for a healthy unit."""
    volts: float


def expected_reading(
    engine: Engine, finding: Finding, lit: LitSet, probe: Probe
) -> tuple[ExpectedReading, ...]:
    """Return the volts at a probe for a unit as designed and with each likely joint at fault.

    Each joint is solved with its most probable resistance. Deviations that the whole unit shares
    are left out: they move all results alike.

    Raises:
        CircuitFault: the prop has no solution with this lit set.
    """
    found = [ExpectedReading("", solution_with_joint(engine, lit, -1, 0).volts(probe))]
    bands = sorted(enumerate(finding.joints), key=lambda row: -row[1].probability)
    for number, band in bands[:MAX_JOINTS]:
        if band.probability >= MIN_PROBABILITY:
            volts = solution_with_joint(engine, lit, number, grid_column(band)).volts(probe)
            found.append(ExpectedReading(band.name, float(volts)))
    return tuple(found)


def next_reading_s(finding: Finding, design: Design) -> float | None:
    """Return the person's seconds of the next reading, leads where the last reading left them. [s]

    None without a next reading.
    """
    ask = finding.next
    if ask.lit is None or ask.probe is None:
        return None
    taken = (row.reading for row in finding.readings if row.reading.volts is not None)
    leads = leads_after(design, ((reading.lit, reading.probe) for reading in taken))
    return reading_cost(design, leads, ask.lit, ask.probe).seconds


def possible_volts(engine: Engine, lit: LitSet, probe: Probe, meter: Meter) -> tuple[float, float]:
    """Return the lowest and the highest possible reading of a probe. [V]

    The range includes every power joint at every resistance, also open, joined rails, and every
    fault of the data line or a node. Circuits are estimated as for the likelihood, so that this
    takes milliseconds once the lit set is solved.

    Args:
        engine: of the design.
        lit: strands lit.
        probe: the points of the leads.
        meter: of the reading.

    Raises:
        CircuitFault: the prop has no solution under this lit set.
    """
    reading = [Reading(lit, probe, 0.0)]
    likelihood = ReadingLikelihood(engine.responses, reading, meter, engine.tolerances)
    healthy_v = float(likelihood.healthy_mean()[0])
    margin_v = RANGE_MARGIN_SD * float(np.sqrt(likelihood.healthy_covariance[0, 0]))
    margin_v += meter.error_limit_v(min(abs(healthy_v), meter.ranges_v[-1]))
    shown_v = np.concatenate(
        [likelihood.rough_means()[..., 0].ravel(), likelihood.chain_mean[:, 0]]
    )
    if probe.red.rail != probe.black.rail:
        shown_v = np.append(shown_v, 0.0)  # joined rails
    low_v = healthy_v + MAX_SINGLE_FAULT_RATIO * min(float(shown_v.min()) - healthy_v, 0.0)
    high_v = healthy_v + MAX_SINGLE_FAULT_RATIO * max(float(shown_v.max()) - healthy_v, 0.0)
    if probe.is_rail:  # a rail voltage lies between 0 and the highest supply
        low_v, high_v = 0.0, max(float(engine.responses.circuit.supply_v.max()), healthy_v)
    return low_v - margin_v, high_v + margin_v


def judged_healthy(
    engine: Engine, readings: Sequence[Reading], meter: Meter
) -> tuple[JudgedReading, ...]:
    """Return each reading with that of a healthy unit.

    The figures equal those of `Finding.readings`, for readings without a finding.

    Args:
        engine: of the design.
        readings: in any order.
        meter: of readings without one.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    if not readings:
        return ()
    likelihood = _likelihood(engine, readings, meter)
    mean = likelihood.healthy_mean()
    sd = np.sqrt(np.diag(likelihood.healthy_covariance))
    return tuple(
        JudgedReading(reading, float(at), float(of), float((value - at) / of))
        for reading, value, at, of in zip(readings, likelihood.values, mean, sd, strict=True)
    )


def healthy_volts(engine: Engine, lit: LitSet, probe: Probe) -> tuple[float, float]:
    """Return the volts of a healthy unit at a probe, and the standard deviation across units. [V]

    The figures equal those of `benchtest.circuit.prediction`, from the engine's own circuit: no
    other is built, and a lit set that the engine has planned for is solved already.

    Args:
        engine: of the design, with its supplies as they were measured.
        lit: strands lit.
        probe: the points of the leads.

    Raises:
        CircuitFault: the design's circuit has no solution, or its nodes do not start.
    """
    solution = engine.responses.solution(lit)
    require_start(solution)
    return solution.volts(probe), float(standard_deviation_v(solution, [probe])[0])


def has_outlier(engine: Engine, readings: Sequence[Reading], meter: Meter, far_sd: float) -> bool:
    """Return True if a reading is far from the value that all others predict in a healthy unit.

    Args:
        engine: of the design.
        readings: in any order.
        meter: of readings without one.
        far_sd: least distance that counts as far, in standard deviations.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    if len(readings) < 2:
        return False
    likelihood = _likelihood(engine, readings, meter)
    off = likelihood.values - likelihood.healthy_mean()
    return int(slips(off, likelihood.healthy_covariance, far_sd)) >= 0


def _likelihood(engine: Engine, readings: Sequence[Reading], meter: Meter) -> ReadingLikelihood:
    return ReadingLikelihood(engine.responses, readings, meter, engine.tolerances)
