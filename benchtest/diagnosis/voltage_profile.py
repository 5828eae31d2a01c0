"""Voltage profile of the design, and of a unit as estimated from its readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.solution import Solution, require_start
from benchtest.circuit.tolerance import Spread, Tolerances, sensitivities
from benchtest.diagnosis.engine import Engine
from benchtest.diagnosis.finding import Finding, JointBand
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.model.fault_response import GRID_OHM, OPEN_COLUMN
from benchtest.diagnosis.model.node_variation import spread_of_unit
from benchtest.diagnosis.planning.regression import regression_weights
from benchtest.diagnosis.thresholds import MIN_PROFILE_FAULT_PROBABILITY, MIN_SLIP_SD
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet


@dataclass(frozen=True)
class VoltageProfile:
    """Volts at probes under one lit set; all arrays have shape (probes,). [V]

    Attributes:
        lit: strands lit.
        designed_v: of the design. [V]
        designed_sd_v: standard deviation across healthy units. [V]
        read_v: estimate of this unit from its readings and its likeliest fault; None without
            readings. [V]
        read_sd_v: standard deviation of that estimate; None without readings. [V]
        suspect: name of the joint at fault in `read_v`; None for a healthy unit.
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
    """Return the volts at probes under one lit set.

    The residuals of readings correct each probe by the causes that they share (node current, wire,
    supply): the conditional mean and variance of jointly normal variables (Anderson, An
    Introduction to Multivariate Statistical Analysis, theorem 2.5.1).

    Args:
        engine: of the design.
        lit: strands lit.
        probes: the probes; memory grows with probes times nodes.
        readings: of this unit.
        meter: of readings without one.
        finding: from these readings.

    Raises:
        CircuitFault: the prop has no solution under this lit set, or does not start.
    """
    solution = engine.responses.base(lit).solution
    require_start(solution)
    wanted = list(probes)
    spread = _spread(solution, wanted, engine.tolerances)
    designed = np.array([solution.volts(probe) for probe in wanted])
    if not readings:
        return VoltageProfile(lit, designed, spread.sd_v, None, None, None)
    likelihood = ReadingLikelihood(engine.responses, readings, meter, engine.tolerances)
    values = likelihood.values
    joint, column = _likeliest_fault(engine, finding)
    mean, _ = likelihood.under(joint, column)
    healthy = likelihood.healthy_mean()
    covariance = likelihood.covariance(likelihood.healthy_spread, healthy)
    read = likelihood.healthy_spread
    shared = spread.shared @ read.shared.T + spread.nodes @ read.nodes.T
    residual = values - mean
    slipped = int(slips(residual, covariance, MIN_SLIP_SD))
    weights = regression_weights(covariance, shared, (slipped,) if slipped >= 0 else ())
    explained = np.einsum("pr,pr->p", weights, shared)
    sd_v = np.sqrt(np.maximum(spread.sd_v**2 - explained, 0.0))
    faulty = solution_with_joint(engine, lit, joint, column)
    faulty_v = np.array([faulty.volts(probe) for probe in wanted])
    name = engine.space.joints[joint].name if joint >= 0 else None
    return VoltageProfile(lit, designed, spread.sd_v, faulty_v + weights @ residual, sd_v, name)


def _spread(solution: Solution, probes: list[Probe], tolerances: Tolerances) -> Spread:
    circuit = solution.circuit
    columns = circuit.probe_incidence(probes).columns()
    read = sensitivities(circuit, solution.factor, columns, circuit.probe_offset(probes))
    return spread_of_unit(solution, read, tolerances, frozenset())


def _likeliest_fault(engine: Engine, finding: Finding) -> tuple[int, int]:
    """Return the joint at fault and its resistance as an index of the grid; (-1, 0) if healthy."""
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
    """Return the estimated resistance of a joint as an index of the grid; the last one is open."""
    if band.ohms is None or band.open > band.probability / 2:
        return OPEN_COLUMN
    return int(np.argmin(np.abs(np.log(GRID_OHM / band.ohms.best))))


def solution_with_joint(engine: Engine, lit: LitSet, joint: int, column: int) -> Solution:
    """Return the solution with one joint changed, or with no change if `joint` is -1.

    Args:
        engine: of the design.
        lit: strands lit.
        joint: index in the fault space, or -1.
        column: its resistance, as an index of the grid.
    """
    if joint < 0:
        return engine.responses.base(lit).solution
    return engine.responses.exact(engine.space.joints[joint].name, column, lit)
