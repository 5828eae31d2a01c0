"""Comparison of readings with those of a healthy unit, without an evaluation of faults."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchtest.circuit.startup import require_start
from benchtest.circuit.tolerance_condensed import standard_deviation_v
from benchtest.diagnosis.engine import Engine
from benchtest.diagnosis.finding import JudgedReading
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet


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
