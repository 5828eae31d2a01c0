"""Range of a probe's voltage under any single fault of the model."""

from __future__ import annotations

import numpy as np

from benchtest.diagnosis.engine import Engine
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.thresholds import MAX_SINGLE_FAULT_RATIO, RANGE_MARGIN_SD
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet


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
