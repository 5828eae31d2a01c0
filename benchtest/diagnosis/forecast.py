"""What every probe would read next under every fault, given what was read before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.tolerance import Spread, Tolerances, spread_of
from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.response import Base, Responses
from benchtest.diagnosis.taps import volt_noise
from benchtest.evidence.meter import Meter
from benchtest.prop.design import Probe
from benchtest.prop.lit import Lit

if TYPE_CHECKING:
    from benchtest.diagnosis.plan import Evidence


def forecast_lit(
    responses: Responses,
    lit: Lit,
    probes: list[Probe],
    joint: NDArray[np.intp],
    column: NDArray[np.intp],
    evidence: Evidence,
    meter: Meter,
    tolerances: Tolerances,
) -> FloatArray:
    """Expected reading of each probe under each component, in its own standard deviations.

    Returns:
        Shape (probes, components).
    """
    base = responses.base(lit)
    circuit = responses.circuit
    columns = circuit.probe_matrix(probes)
    per_supply = np.array([circuit.probe_offset(probe) for probe in probes])
    value = columns.T @ base.solution.x + per_supply @ circuit.supply_v
    mean = value[:, None] + _moved(responses, base, columns, joint, column)
    spread = spread_of(base.solution, columns, per_supply, tolerances)
    steps = np.array([volt_noise(meter, float(volts)) for volts in value])
    gain = meter.percent / 200.0
    variance = spread.sd_v**2 + steps**2 + (gain * value) ** 2
    if evidence.weigher is not None:
        shift, known = _learned(spread, gain * value, joint, column, evidence)
        mean, variance = mean + shift, np.maximum(variance - known, steps**2)
    return np.asarray(mean / np.sqrt(variance)[:, None])


def _moved(
    responses: Responses,
    base: Base,
    columns: FloatArray,
    joint: NDArray[np.intp],
    column: NDArray[np.intp],
) -> FloatArray:
    """Change of each probe under each component, shape (probes, components). [V]"""
    per_amp = columns.T @ base.joint_x
    push = responses.capped_push(base)[joint, column]
    return np.asarray(np.where(joint >= 0, per_amp[:, joint] * push, 0.0))


def _learned(
    spread: Spread,
    gained_v: FloatArray,
    joint: NDArray[np.intp],
    column: NDArray[np.intp],
    evidence: Evidence,
) -> tuple[FloatArray, FloatArray]:
    """What earlier readings say of the shared causes, carried over to each probe.

    Returns:
        Shift of each probe under each component, shape (probes, components) [V], and the part of
        its variance that is known now, shape (probes,) [V²].
    """
    weigher, weighed = evidence.weigher, evidence.weighed
    assert weigher is not None
    assert weighed is not None
    healthy = weigher.healthy_mean()
    read = weigher.healthy_spread()
    shared = spread.shared @ read.shared.T + spread.nodes @ read.nodes.T
    shared += gained_v[:, None] * (weigher.noise.gain * healthy)
    regress = np.linalg.solve(weigher.covariance(read, healthy), shared.T).T
    mean = np.where((joint >= 0)[:, None], weighed.joint_mean[joint, column], healthy)
    off = weigher.values - mean
    return regress @ off.T, np.einsum("pr,pr->p", regress, shared)
