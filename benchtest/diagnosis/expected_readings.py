"""Volts of the next reading under each of the likeliest faults, and its cost in seconds."""

from __future__ import annotations

from dataclasses import dataclass

from benchtest.diagnosis.engine import Engine
from benchtest.diagnosis.finding import Finding
from benchtest.diagnosis.planning.cost import leads_after, reading_cost
from benchtest.diagnosis.voltage_profile import grid_column, solution_with_joint
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
