"""Simulated units that deviate from the model, read with a simulated meter."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.diagnosis import Engine, Finding
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.conductors import Conductor
from benchtest.prop.design import Design, Probe
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import LitSet

METER_GAIN_SD = 0.0025


@dataclass
class Bench:
    """One built unit, and a person who takes the readings that the engine requests."""

    design: Design
    faults: Mapping[str, float]
    seed: int
    readings: list[Reading] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        joints = {j.name: 0.002 * 1.8 ** rng.normal() for j in power_joints(self.design)}
        self.truth = _built(self.design, rng)
        self.circuit = Circuit(self.truth, {**joints, **self.faults})
        self.gain = 1.0 + METER_GAIN_SD * rng.normal()

    def read(self, lit: LitSet, probe: Probe) -> Reading:
        volts = solve(self.circuit, lit.duty(self.truth)).volts(probe) * self.gain
        step = DEFAULT_METER.resolution_v(volts)
        return Reading(lit, probe, round(volts / step) * step)

    def find(self, engine: Engine, at_most: int = 14) -> Finding:
        """Take the requested readings until the finding is settled, `at_most` in total."""
        finding = engine.diagnose(self.readings)
        while not finding.next.settled and len(self.readings) < at_most:
            assert finding.next.lit is not None
            assert finding.next.probe is not None
            self.readings.append(self.read(finding.next.lit, finding.next.probe))
            finding = engine.diagnose(self.readings)
        return finding


def _built(design: Design, rng: np.random.Generator) -> Design:
    """Return a unit as built, with one draw of the tolerances of common practice."""
    amps, wire = 1.0 + 0.08 * rng.normal(), 1.0 + 0.08 * rng.normal()
    copper, supply = 1.0 + 0.15 * rng.normal(), 1.0 + 0.01 * rng.normal()

    def scaled(conductor: Conductor, factor: float) -> Conductor:
        return dataclasses.replace(conductor, ratio=conductor.ratio * factor)

    node = dataclasses.replace(
        design.node,
        channel_ma=design.node.channel_ma * amps,
        quiescent_ma=design.node.quiescent_ma * amps,
    )
    return dataclasses.replace(
        design,
        node=node,
        strands=tuple(
            dataclasses.replace(strand, wire=scaled(strand.wire, wire)) for strand in design.strands
        ),
        buses=tuple(
            dataclasses.replace(bus, copper=scaled(bus.copper, copper)) for bus in design.buses
        ),
        feeds=tuple(
            dataclasses.replace(feed, volts=feed.volts * supply, wire=scaled(feed.wire, wire))
            for feed in design.feeds
        ),
    )


@pytest.fixture(scope="session")
def fan(make_fan: Callable[..., Design]) -> Design:
    """Twelve strands between two buses with one feed: the most common prop."""
    return make_fan(12, 30)


@pytest.fixture(scope="session")
def fan_engine(fan: Design) -> Engine:
    return Engine(fan)
