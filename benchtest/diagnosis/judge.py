"""Readings compared with those of a healthy unit, without weighing any fault."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchtest.diagnosis.engine import Engine
from benchtest.diagnosis.finding import JudgedReading
from benchtest.diagnosis.taps import noise_of, taps_of, values_of
from benchtest.diagnosis.weigh import Weigher
from benchtest.evidence.meter import Meter
from benchtest.evidence.reading import Reading


def judged_healthy(
    engine: Engine, readings: Sequence[Reading], meter: Meter
) -> tuple[JudgedReading, ...]:
    """Return each reading next to what a healthy unit would show.

    The same figures as `Finding.readings`, for readings that no finding weighs.

    Args:
        engine: of the design.
        readings: in any order.
        meter: of readings that name none.

    Raises:
        CircuitFault: the design's circuit has no solution.
    """
    if not readings:
        return ()
    groups = taps_of(engine.responses.circuit, readings)
    noise = noise_of(readings, meter)
    values = values_of(readings)
    weigher = Weigher(engine.responses, groups, values, noise, engine.tolerances)
    mean = weigher.healthy_mean()
    sd = np.sqrt(np.diag(weigher.healthy_covariance))
    return tuple(
        JudgedReading(reading, float(at), float(of), float((value - at) / of))
        for reading, value, at, of in zip(readings, values, mean, sd, strict=True)
    )
