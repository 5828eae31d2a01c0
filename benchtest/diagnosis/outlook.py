"""What the next reading would show under each of the likeliest faults, and so tell them apart."""

from __future__ import annotations

from dataclasses import dataclass

from benchtest.diagnosis.engine import Engine
from benchtest.diagnosis.finding import Finding
from benchtest.diagnosis.voltage_profile import grid_column, solution_with_joint
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet

MOST, LEAST = 3, 0.02
"""Joints that are told of at the most, and the probability that each must have."""


@dataclass(frozen=True, slots=True)
class ExpectedReading:
    """What a probe would show. [V]"""

    where: str
    """A joint; empty for a unit with nothing wrong."""
    volts: float


def expected_reading(
    engine: Engine, finding: Finding, lit: LitSet, probe: Probe
) -> tuple[ExpectedReading, ...]:
    """What a probe would show with each likely joint at fault, and of a unit as designed.

    Each joint is solved with the resistance that the evidence gives it. What readings say of causes
    that the unit shares is left out: it moves all of these alike.

    Raises:
        CircuitFault: the prop has no solution with these lit.
    """
    found = [ExpectedReading("", solution_with_joint(engine, lit, -1, 0).volts(probe))]
    bands = sorted(enumerate(finding.joints), key=lambda row: -row[1].probability)
    for number, band in bands[:MOST]:
        if band.probability >= LEAST:
            volts = solution_with_joint(engine, lit, number, grid_column(band)).volts(probe)
            found.append(ExpectedReading(band.name, float(volts)))
    return tuple(found)
