"""Volts along the prop: as designed, and as this unit's readings have them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.solution import Solution
from benchtest.circuit.startup import require_start
from benchtest.circuit.tolerance import Spread, Tolerances, sensitivities
from benchtest.diagnosis.engine import Engine
from benchtest.diagnosis.finding import Finding, JointBand
from benchtest.diagnosis.likelihood.measurement import noise_of, taps_of, values_of
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.model.fault_response import GRID, GRID_OHM
from benchtest.diagnosis.model.node_variation import spread_of_unit
from benchtest.diagnosis.planning.forecast import MIN_SLIP_SD, regression_weights
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet

MIN_PROFILE_FAULT_PROBABILITY = 0.5
"""Probability of all joints together from which on the worst of them is taken to be at fault: two
that readings cannot tell apart have half of it each, and either gives the same volts."""


@dataclass(frozen=True)
class VoltageProfile:
    """What probes show with given strands lit. All of shape (probes,). [V]

    Attributes:
        lit: strands lit.
        designed_v: a unit exactly as designed.
        designed_sd_v: standard deviation of what healthy units show.
        read_v: this unit, by its readings and its likeliest fault; None without readings.
        read_sd_v: what doubt the readings leave; None without readings.
        suspect: the joint taken to be at fault in `read_v`, if one is.
    """

    lit: LitSet
    designed_v: FloatArray
    designed_sd_v: FloatArray
    read_v: FloatArray | None
    read_sd_v: FloatArray | None
    suspect: str | None


def voltage_profile(
    engine: Engine,
    lit: LitSet,
    probes: Sequence[Probe],
    readings: Sequence[Reading],
    meter: Meter,
    finding: Finding,
) -> VoltageProfile:
    """Volts at probes under one lit set.

    What readings taken anywhere say of causes that the unit shares (node current, wire, supply)
    is carried over to each probe by Gaussian conditioning, as for the next reading's forecast.

    Args:
        engine: of the design.
        lit: strands lit.
        probes: where; memory grows with probes times nodes.
        readings: this unit's.
        meter: of readings that name none.
        finding: what they say.

    Raises:
        CircuitFault: the prop has no solution with these lit, or does not start.
    """
    solution = engine.responses.base(lit).solution
    require_start(solution)
    wanted = list(probes)
    moved = _spread(solution, wanted, engine.tolerances)
    designed = np.array([solution.volts(probe) for probe in wanted])
    if not readings:
        return VoltageProfile(lit, designed, moved.sd_v, None, None, None)
    values = values_of(readings)
    groups = taps_of(engine.responses.circuit, readings)
    likelihood = ReadingLikelihood(
        engine.responses, groups, values, noise_of(readings, meter), engine.tolerances
    )
    joint, column = _likeliest_fault(engine, finding)
    mean, _ = likelihood.under(joint, column)
    healthy = likelihood.healthy_mean()
    covariance = likelihood.covariance(likelihood.healthy_spread, healthy)
    read = likelihood.healthy_spread
    shared = moved.shared @ read.shared.T + moved.nodes @ read.nodes.T
    off = values - mean
    slipped = int(slips(off, covariance, MIN_SLIP_SD))
    weights = regression_weights(covariance, shared, (slipped,) if slipped >= 0 else ())
    known = np.einsum("pr,pr->p", weights, shared)
    sd_v = np.sqrt(np.maximum(moved.sd_v**2 - known, 0.0))
    at = solution_with_joint(engine, lit, joint, column)
    base = np.array([at.volts(probe) for probe in wanted])
    name = engine.space.joints[joint].name if joint >= 0 else None
    return VoltageProfile(lit, designed, moved.sd_v, base + weights @ off, sd_v, name)


def _spread(solution: Solution, probes: list[Probe], tolerances: Tolerances) -> Spread:
    circuit = solution.circuit
    columns = circuit.probe_incidence(probes).columns()
    read = sensitivities(circuit, solution.factor, columns, circuit.probe_offset(probes))
    return spread_of_unit(solution, read, tolerances, frozenset())


def _likeliest_fault(engine: Engine, finding: Finding) -> tuple[int, int]:
    """The joint at fault and its place in the grid; (-1, 0) where none is likely enough."""
    worst = max(
        range(len(finding.joints)), key=lambda row: finding.joints[row].probability, default=-1
    )
    if (
        worst < 0
        or sum(band.probability for band in finding.joints) < MIN_PROFILE_FAULT_PROBABILITY
    ):
        return -1, 0
    return worst, grid_column(finding.joints[worst])


def grid_column(band: JointBand) -> int:
    """Place in the grid of resistances of what the evidence gives a joint; its last is open."""
    if band.ohms is None or band.open > band.probability / 2:
        return GRID
    return int(np.argmin(np.abs(np.log(GRID_OHM / band.ohms.best))))


def solution_with_joint(engine: Engine, lit: LitSet, joint: int, column: int) -> Solution:
    """The prop with one joint changed; with none where `joint` is -1."""
    if joint < 0:
        return engine.responses.base(lit).solution
    return engine.responses.exact(engine.space.joints[joint].name, column, lit)
