"""What every probe would read next under every fault, given what was read before."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.solution import Solution
from benchtest.circuit.tolerance import Tolerances
from benchtest.circuit.tolerance_condensed import CondensedSensitivities, CondensedSpread
from benchtest.diagnosis.likelihood.measurement import ISLAND_SHARE, taps_of, volt_noise
from benchtest.diagnosis.likelihood.nonlinear import doubt, half_of_data_lost
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.model.fault_response import CELL_SD, Base, Responses
from benchtest.diagnosis.model.node_variation import law_a
from benchtest.diagnosis.planning.candidates import reachable_probes, strand_spans
from benchtest.diagnosis.planning.cost import ProbeEfforts
from benchtest.diagnosis.solve_budget import SolveBudget, solve_units
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet

if TYPE_CHECKING:
    from benchtest.diagnosis.likelihood.readings import Weighed, Weigher
    from benchtest.diagnosis.planning.information import Components
    from benchtest.diagnosis.planning.next_reading import Evidence


SLIPPED_SD = 4.0
"""Standard deviations from all other readings past which one counts as a slip."""


LEAST_PUT_RIGHT = 0.01
"""Components with less probability keep their estimate."""
AT_ONCE_OCTETS = 200_000
"""Expected readings worked out together: about what fits into a processor's own memory."""
SHORT, SOFT_SHORT = -2, -3
"""Stand for a joint where the whole prop has no volts, and where a short leaves it some: what every
probe then shows is not forecast."""
ISLAND_OF_SUPPLY = 0.5
"""What an island's rails are taken to show, as a share of the supply's volts. At 5 V about the
middle of 1.5 to 4.3 V, common practice."""


@dataclass(frozen=True)
class Outlook:
    """What every probe reads of the healthy prop under one lit set, and what moves it.

    Attributes:
        value: shape (probes,). [V]
        per_amp: change per ampere pushed through each joint, shape (joints, probes). [V/A]
        push: amperes that stand in for each joint's faults, shape (joints, COLUMNS). [A]
        spread: effects of all tolerances.
        variance: of the reading, errors of the meter included, shape (probes,). [V²]
    """

    value: FloatArray
    per_amp: FloatArray
    push: FloatArray
    spread: CondensedSpread
    variance: FloatArray


class Told:
    """What earlier readings say under each component; one for all lit sets.

    Attributes:
        weigher: of the readings.
        off: measured less predicted, shape (components, readings). [V]
        silent: for each group of components, the readings that say nothing under them.
        group: of each component, shape (components,).
    """

    def __init__(self, parts: Components, weigher: Weigher, weighed: Weighed) -> None:
        self.weigher = weigher
        healthy = weigher.healthy_mean()
        self._covariance = weigher.covariance(weigher.healthy_spread, healthy)
        self._gained = weigher.noise.gain * healthy
        faulty = weighed.joint_mean[parts.joint, parts.column]
        mean = np.where((parts.joint >= 0)[:, None], faulty, healthy)
        two = parts.other >= 0
        mean[two] += weighed.joint_mean[parts.other[two], parts.other_column[two]] - healthy
        self.off = weigher.values - mean
        groups = _silent_readings(weigher, parts, self.off, self._covariance)
        self.silent = list(groups)
        self.group = np.zeros(len(parts.joint), dtype=np.intp)
        for number, mine in enumerate(groups.values()):
            self.group[mine] = number

    def of(
        self, spread: CondensedSpread, gained_v: FloatArray
    ) -> tuple[list[FloatArray], FloatArray]:
        """What is carried over to probes.

        Returns:
            Weights of the readings in each probe for each group, shape (probes, readings), and the
            part of each probe's variance that is known now, shape (probes,) [V²].
        """
        shared = spread.covariance_with(self.weigher.healthy_spread)
        shared += gained_v[:, None] * self._gained
        weights = [regress(self._covariance, shared, silent) for silent in self.silent]
        return weights, np.einsum("pr,pr->p", regress(self._covariance, shared, ()), shared)


@dataclass(frozen=True)
class Expected:
    """What probes would read under each component, in their own standard deviations.

    A large prop has some millions of these for each lit set: they are worked out block by block.

    Attributes:
        value: of the healthy prop, shape (probes,).
        per_amp: change per ampere pushed through each joint, shape (joints, probes).
        joint: of each component, negative for none, shape (components,).
        push: amperes that stand in for each component, shape (components,). [A]
        other: the second joint of each component, negative for none.
        other_push: likewise for that.
        weights: what each earlier reading's being off does, for each group, (probes, readings).
        group: of each component, shape (components,).
        off: how far the readings are off under it, shape (components, readings).
        without_volts: what probes read where the whole prop has none, shape (probes,).
    """

    value: FloatArray
    per_amp: FloatArray
    joint: IndexArray
    push: FloatArray
    other: IndexArray
    other_push: FloatArray
    weights: list[FloatArray]
    group: IndexArray
    off: FloatArray
    without_volts: FloatArray

    def blocks(self) -> Iterator[tuple[slice, FloatArray]]:
        """All components: which, and what every probe reads, shape (some, probes)."""
        step = max(1, AT_ONCE_OCTETS // max(1, self.value.nbytes))
        for start in range(0, len(self.joint), step):
            some = slice(start, start + step)
            yield some, self.under(np.arange(len(self.joint))[some])

    def under(self, some: IndexArray, probes: IndexArray | slice = slice(None)) -> FloatArray:
        """Some components, shape (some, probes)."""
        joint, group = self.joint[some], self.group[some]
        found = np.take(self.per_amp[:, probes], np.maximum(joint, 0), axis=0)
        found *= self.push[some, None]
        two = np.flatnonzero(self.other[some] >= 0)
        if len(two):
            more = self.per_amp[:, probes][self.other[some][two]]
            found[two] += more * self.other_push[some][two, None]
        found += self.value[probes]
        for number, weights in enumerate(self.weights):
            mine = group == number
            if mine.all():
                found += self.off[some] @ weights[probes].T
            elif mine.any():
                found[mine] += self.off[some[mine]] @ weights[probes].T
        found[joint == SHORT] = self.without_volts[probes]
        return found


class Forecaster:
    """Forecasts for one design and one meter; what does not depend on evidence is kept."""

    def __init__(self, responses: Responses, meter: Meter, tolerances: Tolerances) -> None:
        self.responses = responses
        self.meter = meter
        self.tolerances = tolerances
        self.gain = meter.percent / 200.0
        self.probes = reachable_probes(responses.design)
        self.place_of = {probe: place for place, probe in enumerate(self.probes)}
        joints = {joint.probe for joint in responses.space.joints if not joint.is_fuse}
        self.may_turn = [not probe.is_rail and probe not in joints for probe in self.probes]
        self._spans = strand_spans(responses.design)
        # with exchanged leads a reading differs in nothing but its sign
        for probe, place in list(self.place_of.items()):
            self.place_of.setdefault(probe.reversed, place)
        self._is_rail = np.array([probe.is_rail for probe in self.probes])
        self._red, self._black = responses.circuit.netlist.leads(self.probes)
        self.efforts = ProbeEfforts(responses.design, self.probes)
        self._outlooks: dict[LitSet, Outlook] = {}
        self._flat: CondensedSensitivities | None = None
        self._sd_v: dict[LitSet, FloatArray] = {}
        self._budget = SolveBudget.of(responses.design)
        self._footing: Hashable = None

    def outlook(self, lit: LitSet) -> Outlook:
        """The healthy prop's readings under a lit set."""
        if lit not in self._outlooks:
            self._outlooks[lit] = self._look(lit)
        return self._outlooks[lit]

    def forget(self) -> None:
        """Let go of what the circuit has let go of; see `Responses.forget`."""
        for kept in (self._outlooks, self._sd_v):
            for lit in [lit for lit in kept if not self.responses.keeps(lit)]:
                del kept[lit]

    def _look(self, lit: LitSet) -> Outlook:
        base, circuit = self.responses.base(lit), self.responses.circuit
        point_v = base.solution.point_v
        value = point_v[self._red] - point_v[self._black]
        known = frozenset(self.responses.given)
        back = self._back(base.solution)
        law = law_a(base.solution, self.tolerances)
        spread = CondensedSpread(base.solution, back, self.tolerances, known, CELL_SD, law)
        steps = volt_noise(self.meter, value)
        variance = spread.variance + steps**2 + (self.gain * value) ** 2
        variance += self._doubt(base, back, law, value) ** 2
        loose = circuit.floating[self._red] | circuit.floating[self._black]
        variance[loose] += (ISLAND_SHARE * circuit.supply_v.max()) ** 2
        # what a joint does to a probe is what the probe does to the joint
        per_amp = back.across[self.responses.joint_places]
        return Outlook(value, per_amp, self.responses.capped_push(base), spread, variance)

    def _doubt(
        self, base: Base, back: CondensedSensitivities, law: FloatArray, value: FloatArray
    ) -> FloatArray:
        """See `starved.doubt`, shape (probes,)."""

        def moved() -> FloatArray:
            drawn = np.column_stack([self.tolerances.current * base.solution.load_a, law])
            pushed = self.responses.circuit.load_incidence.gather(drawn)
            return np.asarray(back.factor.condense(pushed).T @ back.skeleton)

        return doubt(self.responses, base.lit, value, moved)

    def _back(self, solution: Solution) -> CondensedSensitivities:
        """The probes solved backwards; once for all lit sets whose loads are flat."""
        circuit = self.responses.circuit
        if not circuit.is_flat(solution.factor):
            return CondensedSensitivities(circuit, solution.factor, self.probes)
        if self._flat is None:
            self._flat = CondensedSensitivities(circuit, circuit.factor, self.probes)
        return self._flat

    def sd_v(self, lit: LitSet, probe: Probe) -> float:
        """Standard deviation of a probe as `forecast` last gave it for a lit set. [V]"""
        return float(self._sd_v[lit][self.place_of[probe]])

    def spans_but(self, taken: Iterable[Probe]) -> IndexArray:
        """Return the places of probes along a rail that none of `taken` reads yet, (spans,)."""
        spans = {span.points: span for span in self._spans}
        read = {span.red.rail for probe in taken if (span := spans.get(probe.points)) is not None}
        left = [self.place_of[span] for span in self._spans if span.red.rail not in read]
        return np.array(left, dtype=np.intp)

    def told(self, parts: Components, evidence: Evidence) -> Told | None:
        """What earlier readings say; None without any."""
        if evidence.weigher is None:
            self._budget = SolveBudget.of(self.responses.design)
            return None
        self._budget, self._footing = evidence.weigher.budget, evidence.weigher.footing
        assert evidence.weighed is not None
        return Told(parts, evidence.weigher, evidence.weighed)

    def forecast(
        self, lit: LitSet, parts: Components, told: Told | None, silent: Sequence[Probe] = ()
    ) -> Expected:
        """Expected reading of each probe under each component, in its own standard deviations.

        Args:
            lit: strands lit.
            parts: the components.
            told: what earlier readings say.
            silent: probes that are taken to tell nothing.
        """
        look, joint = self.outlook(lit), parts.joint
        weights: list[FloatArray] = []
        variance, off = look.variance, np.zeros((len(joint), 0))
        if told is not None:
            weights, known = told.of(look.spread, self.gain * look.value)
            # what was learned can never leave less than a hundredth of the doubt
            variance, off = np.maximum(variance - known, 1e-4 * variance), told.off
        self._sd_v[lit] = np.sqrt(variance)
        scale = 1.0 / self._sd_v[lit]
        scale[[self.place_of[probe] for probe in silent if probe in self.place_of]] = 0.0
        return Expected(
            look.value * scale,
            look.per_amp * scale,
            joint,
            np.where(joint >= 0, look.push[joint, parts.column], 0.0),
            parts.other,
            np.where(parts.other >= 0, look.push[parts.other, parts.other_column], 0.0),
            [each * scale[:, None] for each in weights],
            np.zeros(len(joint), dtype=np.intp) if told is None else told.group,
            off,
            # millivolts along copper say nothing sure without volts: no more than a sound prop's
            np.where(self._is_rail, 0.0, look.value) * scale,
        )

    def put_right(
        self, off_sd: FloatArray, lit: LitSet, probe: Probe, parts: Components
    ) -> FloatArray:
        """One probe's forecast, with faults that starve nodes solved anew.

        Args:
            off_sd: what `forecast` said of this probe, shape (components,).
            lit: strands lit; `forecast` was asked of them last with the same evidence.
            probe: what is read.
            parts: the components.
        """
        look, row = self.outlook(lit), self.place_of[probe]
        bent, units = self.responses.base(lit).bent, solve_units(self.responses.design)
        right = off_sd.copy()
        for place, (joint, column) in enumerate(zip(parts.joint, parts.column, strict=True)):
            if joint < 0 or parts.other[place] >= 0 or not bent[joint, column]:
                continue
            if parts.weight[place] < LEAST_PUT_RIGHT:
                continue
            name = self.responses.space.joints[joint].name
            circuit = (self._footing, name, int(column), lit)
            if not self._budget.takes((circuit,), units):
                continue
            solution = self.responses.exact(name, int(column), lit)
            volts = solution.volts(probe)
            if solution.circuit.cut_off.any():
                (taps,) = taps_of(solution.circuit, [Reading(lit, probe, 0.0)])
                volts += float(half_of_data_lost(self.responses, solution, taps)[0])
            if solution.is_floating(probe):
                volts = self._no_more_than_islands_tell(volts, probe)
            estimate_v = look.value[row] + look.per_amp[joint, row] * look.push[joint, column]
            right[place] += (volts - estimate_v) / self._sd_v[lit][row]
        return right

    def _no_more_than_islands_tell(self, volts: float, probe: Probe) -> float:
        """Return one number for all rail volts of copper that is cut off: they are no evidence."""
        supply_v = float(self.responses.circuit.supply_v.max())
        return ISLAND_OF_SUPPLY * supply_v if probe.is_rail else volts


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
