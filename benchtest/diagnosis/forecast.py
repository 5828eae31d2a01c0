"""What every probe would read next under every fault, given what was read before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchtest.circuit.network import Solution
from benchtest.circuit.tolerance import Readout, Spread, Tolerances, readout, spread_of
from benchtest.circuit.wiring import FloatArray
from benchtest.diagnosis.candidates import reachable_probes
from benchtest.diagnosis.gauss import slips
from benchtest.diagnosis.response import Responses
from benchtest.diagnosis.taps import volt_noise
from benchtest.evidence.meter import Meter
from benchtest.prop.lit import Lit

if TYPE_CHECKING:
    from benchtest.diagnosis.plan import Components, Evidence


SLIPPED_SD = 4.0
"""Standard deviations from all other readings past which one counts as a slip."""


@dataclass(frozen=True)
class Outlook:
    """What every probe reads of the healthy prop under one lit set, and what moves it.

    Attributes:
        value: shape (probes,). [V]
        per_amp: change per ampere pushed through each joint, shape (probes, joints). [V/A]
        push: amperes that stand in for each joint's faults, shape (joints, COLUMNS). [A]
        spread: effects of all tolerances.
        variance: of the reading, errors of the meter included, shape (probes,). [V²]
    """

    value: FloatArray
    per_amp: FloatArray
    push: FloatArray
    spread: Spread
    variance: FloatArray


class Forecaster:
    """Forecasts for one design and one meter; what does not depend on evidence is kept."""

    def __init__(self, responses: Responses, meter: Meter, tolerances: Tolerances) -> None:
        self.responses = responses
        self.meter = meter
        self.tolerances = tolerances
        self.gain = meter.percent / 200.0
        circuit = responses.circuit
        self.probes = reachable_probes(responses.design)
        self._columns = circuit.probe_matrix(self.probes)
        self._per_supply = np.array([circuit.probe_offset(probe) for probe in self.probes])
        self._outlooks: dict[Lit, Outlook] = {}
        self._flat_read: Readout | None = None

    def outlook(self, lit: Lit) -> Outlook:
        """The healthy prop's readings under a lit set."""
        if lit not in self._outlooks:
            self._outlooks[lit] = self._look(lit)
        return self._outlooks[lit]

    def _look(self, lit: Lit) -> Outlook:
        base, circuit = self.responses.base(lit), self.responses.circuit
        value = self._columns.T @ base.solution.x + self._per_supply @ circuit.supply_v
        spread = spread_of(base.solution, self._read(base.solution), self.tolerances)
        steps = volt_noise(self.meter, value)
        variance = spread.sd_v**2 + steps**2 + (self.gain * value) ** 2
        per_amp = np.asarray(self._columns.T @ base.joint_x)
        return Outlook(value, per_amp, self.responses.capped_push(base), spread, variance)

    def _read(self, solution: Solution) -> Readout:
        """The probes solved backwards; once for all lit sets whose loads are flat."""
        circuit = self.responses.circuit
        if solution.factor is not circuit.factor:
            return readout(circuit, solution.factor, self._columns, self._per_supply)
        if self._flat_read is None:
            self._flat_read = readout(circuit, circuit.factor, self._columns, self._per_supply)
        return self._flat_read

    def forecast(self, lit: Lit, parts: Components, evidence: Evidence) -> FloatArray:
        """Expected reading of each probe under each component, in its own standard deviations.

        Returns:
            Shape (probes, components).
        """
        look = self.outlook(lit)
        joint, column = parts.joint, parts.column
        moved = np.where(joint >= 0, look.per_amp[:, joint] * look.push[joint, column], 0.0)
        mean, variance = look.value[:, None] + moved, look.variance
        if evidence.weigher is not None:
            shift, known = _learned(look.spread, self.gain * look.value, parts, evidence)
            # what was learned can never leave less than a hundredth of the doubt
            mean, variance = mean + shift, np.maximum(variance - known, 1e-4 * variance)
        return np.asarray(mean / np.sqrt(variance)[:, None])


def _learned(
    spread: Spread,
    gained_v: FloatArray,
    parts: Components,
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
    read = weigher.healthy_spread
    shared = spread.shared @ read.shared.T + spread.nodes @ read.nodes.T
    shared += gained_v[:, None] * (weigher.noise.gain * healthy)
    covariance = weigher.covariance(read, healthy)
    faulty = weighed.joint_mean[parts.joint, parts.column]
    off = weigher.values - np.where((parts.joint >= 0)[:, None], faulty, healthy)
    # under a fault that a reading contradicts, that reading is a slip and says nothing more
    slipped = slips(off, covariance, SLIPPED_SD)
    shift = np.zeros((len(shared), len(off)))
    for reading in np.unique(slipped).tolist():
        mine = slipped == reading
        shift[:, mine] = _regress(covariance, shared, reading) @ off[mine].T
    return shift, np.einsum("pr,pr->p", _regress(covariance, shared, -1), shared)


def _regress(covariance: FloatArray, shared: FloatArray, slipped: int) -> FloatArray:
    """Weights of the readings in what each probe will show, shape (probes, readings)."""
    if slipped >= 0:
        covariance = covariance.copy()
        covariance[slipped, slipped] *= 1e8
    return np.asarray(np.linalg.solve(covariance, shared.T).T)
