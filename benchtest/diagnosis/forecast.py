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
from benchtest.diagnosis.response import CELL_SD, JointEffects, Responses
from benchtest.diagnosis.taps import FLOATING_SD_V, volt_noise
from benchtest.evidence.meter import Meter
from benchtest.prop.design import Probe
from benchtest.prop.lit import Lit

if TYPE_CHECKING:
    from benchtest.diagnosis.plan import Components, Evidence
    from benchtest.diagnosis.weigh import Weigher


SLIPPED_SD = 4.0
"""Standard deviations from all other readings past which one counts as a slip."""


LEAST_PUT_RIGHT = 0.01
"""Components with less probability keep their estimate."""
MOST_KEPT_OCTETS = 200_000_000
"""Memory that kept outlooks may take, about."""
SHORT = -2
"""Stands for a joint where the whole prop has no volts."""
ISLAND_V = 2.5
"""What an island's rails are taken to show. [V] About the middle of 1.5 to 4.3, common practice."""


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
        self.place_of = {probe: place for place, probe in enumerate(self.probes)}
        self._is_rail = np.array([probe.is_rail for probe in self.probes])
        self._columns = circuit.probe_incidence(self.probes).columns()
        self._per_supply = circuit.probe_offset(self.probes)
        self._outlooks: dict[Lit, Outlook] = {}
        self._flat_read: Readout | None = None
        self._flat_per_amp: tuple[JointEffects, FloatArray] | None = None
        self._sd_v: dict[Lit, FloatArray] = {}

    def outlook(self, lit: Lit) -> Outlook:
        """The healthy prop's readings under a lit set."""
        if lit not in self._outlooks:
            look = self._look(lit)
            if self._outlooks and look.spread.nodes.nbytes * len(self._outlooks) > MOST_KEPT_OCTETS:
                self._outlooks.pop(next(iter(self._outlooks)))  # a large prop: the oldest goes
            self._outlooks[lit] = look
        return self._outlooks[lit]

    def _look(self, lit: Lit) -> Outlook:
        base, circuit = self.responses.base(lit), self.responses.circuit
        value = base.solution.volts_at(self.probes)
        known = frozenset(self.responses.given)
        read = self._read(base.solution)
        spread = spread_of(base.solution, read, self.tolerances, known, known_sd=CELL_SD)
        steps = volt_noise(self.meter, value)
        variance = spread.sd_v**2 + steps**2 + (self.gain * value) ** 2
        if circuit.floating.any():
            loose = [base.solution.is_floating(probe) for probe in self.probes]
            variance[loose] += FLOATING_SD_V**2
        return Outlook(
            value, self._per_amp(base.effects), self.responses.capped_push(base), spread, variance
        )

    def _per_amp(self, effects: JointEffects) -> FloatArray:
        """Change of each probe per ampere at each joint; one for all lit sets with flat loads."""
        if self._flat_per_amp is not None and self._flat_per_amp[0] is effects:
            return self._flat_per_amp[1]
        per_amp = np.asarray(self._columns.T @ effects.x)
        self._flat_per_amp = (effects, per_amp)
        return per_amp

    def _read(self, solution: Solution) -> Readout:
        """The probes solved backwards; once for all lit sets whose loads are flat."""
        circuit = self.responses.circuit
        if not circuit.is_flat(solution.factor):
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
        self._sd_v[lit] = np.sqrt(variance)
        # millivolts along copper say nothing sure without volts, so no more than a sound prop's
        mean[:, joint == SHORT] = np.where(self._is_rail, 0.0, look.value)[:, None]
        return np.asarray(mean / self._sd_v[lit][:, None])

    def put_right(
        self, off_sd: FloatArray, lit: Lit, probe: Probe, parts: Components
    ) -> FloatArray:
        """One probe's forecast, with faults that starve nodes solved anew.

        Args:
            off_sd: what `forecast` said of this probe, shape (components,).
            lit: strands lit; `forecast` was asked of them last with the same evidence.
            probe: what is read.
            parts: the components.
        """
        look, row = self.outlook(lit), self.place_of[probe]
        bent = self.responses.base(lit).bent
        right = off_sd.copy()
        for place, (joint, column) in enumerate(zip(parts.joint, parts.column, strict=True)):
            if joint < 0 or parts.weight[place] < LEAST_PUT_RIGHT or not bent[joint, column]:
                continue
            name = self.responses.space.joints[joint].name
            solution = self.responses.exact(name, int(column), lit)
            volts = solution.volts(probe)
            if solution.is_floating(probe):
                volts = _no_more_than_islands_tell(volts, probe)
            estimate_v = look.value[row] + look.per_amp[row, joint] * look.push[joint, column]
            right[place] += (volts - estimate_v) / self._sd_v[lit][row]
        return right


def _no_more_than_islands_tell(volts: float, probe: Probe) -> float:
    """What copper that is cut off shows is not to be relied on: any of it counts as the same."""
    return ISLAND_V if probe.is_rail else volts


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
    shift = np.zeros((len(shared), len(off)))
    for silent, mine in _silent_readings(weigher, parts, off, covariance).items():
        shift[:, mine] = regress(covariance, shared, silent) @ off[mine].T
    return shift, np.einsum("pr,pr->p", regress(covariance, shared, ()), shared)


def _silent_readings(
    weigher: Weigher, parts: Components, off: FloatArray, covariance: FloatArray
) -> dict[tuple[int, ...], list[int]]:
    """Readings that say nothing under a fault, and the components that it is so for.

    A reading that everything else contradicts under that fault is a slip; one whose lead is on
    copper that the fault cuts off may show anything.
    """
    groups: dict[tuple[int, ...], list[int]] = {}
    slipped = slips(off, covariance, SLIPPED_SD)
    for place, (joint, column) in enumerate(zip(parts.joint, parts.column, strict=True)):
        silent = weigher.loose.get((int(joint), int(column)), ()) if joint >= 0 else ()
        if not silent and slipped[place] >= 0:
            silent = (int(slipped[place]),)
        groups.setdefault(silent, []).append(place)
    return groups


def regress(covariance: FloatArray, shared: FloatArray, silent: tuple[int, ...]) -> FloatArray:
    """Weights of the readings in what each probe will show, shape (probes, readings).

    Args:
        covariance: of the readings, shape (readings, readings).
        shared: covariance of each probe with each reading, shape (probes, readings).
        silent: readings that say nothing.
    """
    if silent:
        covariance = covariance.copy()
        covariance[list(silent), list(silent)] *= 1e8
    return np.asarray(np.linalg.solve(covariance, shared.T).T)
