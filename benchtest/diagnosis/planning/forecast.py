"""What every probe would read next under every fault, given what was read before."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.solution import Solution
from benchtest.circuit.tolerance import Tolerances
from benchtest.circuit.tolerance_condensed import CondensedSensitivities, CondensedSpread
from benchtest.diagnosis.likelihood.measurement import (
    ISLAND_LIT_SHARE,
    ISLAND_SHARE,
    taps_of,
    volt_noise,
)
from benchtest.diagnosis.likelihood.robust_gaussian import slips
from benchtest.diagnosis.likelihood.undervoltage import half_data_loss, nonlinearity_sd
from benchtest.diagnosis.model.fault_response import CELL_SD, GRID, DesignResponse, LitSetResponse
from benchtest.diagnosis.model.node_variation import node_variation_a
from benchtest.diagnosis.model.wiring_faults import DeadCopper
from benchtest.diagnosis.planning.candidates import reachable_probes, strand_spans
from benchtest.diagnosis.planning.cost import ProbeTimes
from benchtest.diagnosis.solve_budget import SolveBudget, solve_units
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet

if TYPE_CHECKING:
    from benchtest.diagnosis.likelihood.readings import JointLikelihoods, ReadingLikelihood
    from benchtest.diagnosis.planning.information import FaultSamples
    from benchtest.diagnosis.planning.next_reading import PlanningEvidence


MIN_SLIP_SD = 4.0
"""Standard deviations from all other readings past which one counts as a slip."""


MIN_EXACT_PROBABILITY = 0.01
"""Components with less probability keep their estimate."""
BLOCK_BYTES = 200_000
"""Expected readings worked out together: about what fits into a processor's own memory."""
SHORT, SOFT_SHORT = -2, -3
"""Stand for a joint where copper has no volts, and where a short leaves it some: what probes on it
then show is not forecast."""
ISLAND_SUPPLY_SHARES = (0.1, 0.5, 0.85)
"""Volts between an island's rails that stand for all that they may be, as shares of the supply's.
At 5 V they are 0 to 4.3 V, common practice; see `measurement.ISLAND_SHARE`."""


@dataclass(frozen=True)
class ProbeForecast:
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
    compensating_a: FloatArray
    spread: CondensedSpread
    variance: FloatArray


class ReadingRegression:
    """What earlier readings say under each component; one for all lit sets.

    Attributes:
        likelihood: of the readings.
        readings: the readings.
        mean: predicted, shape (components, readings). [V]
        off: measured less predicted, same shape. [V]
        loose: readings that a component leaves open: on copper that it cuts off, or that has no
            volts, same shape.
        silent: for each group of components, the readings that say nothing under them.
        group: of each component, shape (components,).
    """

    def __init__(
        self,
        parts: FaultSamples,
        readings: Sequence[Reading],
        likelihood: ReadingLikelihood,
        likelihoods: JointLikelihoods,
        loose: NDArray[np.bool_],
    ) -> None:
        self.likelihood = likelihood
        self.readings = readings
        self.floating = loose
        healthy = likelihood.healthy_mean()
        self._covariance = likelihood.covariance(likelihood.healthy_spread, healthy)
        self._gained = likelihood.noise.gain * healthy
        faulty = likelihoods.joint_mean[parts.joint, parts.column]
        self.mean = np.where((parts.joint >= 0)[:, None], faulty, healthy)
        data = (parts.chain >= 0) & (parts.joint == -1)
        self.mean[data] = likelihood.chain_mean[parts.chain[data]]
        two = np.flatnonzero(parts.other >= 0)
        self.mean[two] = two_joints_mean(
            likelihood,
            parts.joint[two],
            parts.column[two],
            parts.other[two],
            parts.other_column[two],
        )
        self.off = likelihood.values - self.mean
        groups = _silent_readings(self.off, self._covariance, loose)
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
        shared = spread.covariance_with(self.likelihood.healthy_spread)
        shared += gained_v[:, None] * self._gained
        weights = [regression_weights(self._covariance, shared, silent) for silent in self.silent]
        return weights, np.einsum(
            "pr,pr->p", regression_weights(self._covariance, shared, ()), shared
        )


@dataclass(frozen=True)
class PredictedReadings:
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
        way: change of nodes' current of each component, as a row of `shift`, -1 for none.
        shift: change of probes with it, shape (ways, probes).
        fixed: of some components what probes show whatever else is read, NaN elsewhere,
            shape (probes,) each.
        again: places of probes that were read under this lit set, shape (read,).
        again_mean: what each should have shown under each component, shape (components, read).
    """

    value: FloatArray
    per_amp: FloatArray
    joint: IndexArray
    compensating_a: FloatArray
    other: IndexArray
    other_push: FloatArray
    weights: list[FloatArray]
    group: IndexArray
    off: FloatArray
    way: IndexArray
    shift: FloatArray
    fixed: Mapping[int, FloatArray]
    again: IndexArray
    again_mean: FloatArray

    def blocks(self) -> Iterator[tuple[slice, FloatArray]]:
        """All components: which, and what every probe reads, shape (some, probes)."""
        step = max(1, BLOCK_BYTES // max(1, self.value.nbytes))
        for start in range(0, len(self.joint), step):
            some = slice(start, start + step)
            yield some, self.under(np.arange(len(self.joint))[some])

    def under(self, some: IndexArray, probes: IndexArray | slice = slice(None)) -> FloatArray:
        """Some components, shape (some, probes)."""
        joint, group = self.joint[some], self.group[some]
        found = np.take(self.per_amp[:, probes], np.maximum(joint, 0), axis=0)
        found *= self.compensating_a[some, None]
        two = np.flatnonzero(self.other[some] >= 0)
        if len(two):
            more = self.per_amp[:, probes][self.other[some][two]]
            found[two] += more * self.other_push[some][two, None]
        moved = np.flatnonzero(self.way[some] >= 0)
        found[moved] += self.shift[self.way[some][moved]][:, probes]
        found += self.value[probes]
        if len(self.again):
            # one model for both: a reading that is taken again tells no more than its own noise
            places = np.arange(len(self.value))[probes]
            at, taken = np.nonzero(places[:, None] == self.again)
            found[:, at] = self.again_mean[some][:, taken]
        for number, weights in enumerate(self.weights):
            mine = group == number
            if mine.all():
                found += self.off[some] @ weights[probes].T
            elif mine.any():
                found[mine] += self.off[some[mine]] @ weights[probes].T
        for row, component in enumerate(some.tolist()):
            if (fixed := self.fixed.get(component)) is not None:
                found[row] = np.where(np.isnan(fixed[probes]), found[row], fixed[probes])
        return found


class Forecaster:
    """Forecasts for one design and one meter; what does not depend on evidence is kept."""

    def __init__(self, responses: DesignResponse, meter: Meter, tolerances: Tolerances) -> None:
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
        self._places = [(probe.red.place, probe.black.place) for probe in self.probes]
        self._plus = np.array(
            [(probe.red.rail == "+", probe.black.rail == "+") for probe in self.probes]
        )
        self._floating: dict[str, NDArray[np.bool_]] = {}
        self._dead: dict[frozenset[int], NDArray[np.bool_]] = {}
        self._red, self._black = responses.circuit.netlist.leads(self.probes)
        self.efforts = ProbeTimes(responses.design, self.probes)
        self._forecasts: dict[LitSet, ProbeForecast] = {}
        self._flat_sensitivities: CondensedSensitivities | None = None
        self._sd_v: dict[LitSet, FloatArray] = {}
        self._budget = SolveBudget.of(responses.design)
        self._conditional_key: Hashable = None
        self._read: Sequence[Reading] = ()

    def probe_forecast(self, lit: LitSet) -> ProbeForecast:
        """The healthy prop's readings under a lit set."""
        if lit not in self._forecasts:
            self._forecasts[lit] = self._look(lit)
        return self._forecasts[lit]

    def forget(self) -> None:
        """Let go of what the circuit has let go of; see `DesignResponse.forget`."""
        for kept in (self._forecasts, self._sd_v):
            for lit in [lit for lit in kept if not self.responses.has_cached(lit)]:
                del kept[lit]

    def _look(self, lit: LitSet) -> ProbeForecast:
        base, circuit = self.responses.base(lit), self.responses.circuit
        point_v = base.solution.point_v
        value = point_v[self._red] - point_v[self._black]
        known = frozenset(self.responses.given)
        back = self._probe_sensitivities(base.solution)
        law = node_variation_a(base.solution, self.tolerances)
        spread = CondensedSpread(base.solution, back, self.tolerances, known, CELL_SD, law)
        steps = volt_noise(self.meter, value)
        variance = spread.variance + steps**2 + (self.gain * value) ** 2
        variance += self._nonlinearity_sd(base, back, law, value) ** 2
        loose = circuit.floating[self._red] | circuit.floating[self._black]
        variance[loose] += (ISLAND_SHARE * circuit.supply_v.max()) ** 2
        # what a joint does to a probe is what the probe does to the joint
        per_amp = back.across[self.responses.joint_places]
        return ProbeForecast(
            value, per_amp, self.responses.capped_compensating_a(base), spread, variance
        )

    def _nonlinearity_sd(
        self, base: LitSetResponse, back: CondensedSensitivities, law: FloatArray, value: FloatArray
    ) -> FloatArray:
        """See `starved.nonlinearity_sd`, shape (probes,)."""

        def moved() -> FloatArray:
            drawn = np.column_stack([self.tolerances.current * base.solution.load_a, law])
            pushed = self.responses.circuit.load_incidence.gather(drawn)
            return np.asarray(back.factor.condense(pushed).T @ back.skeleton)

        return nonlinearity_sd(self.responses, base.lit, value, moved)

    def _probe_sensitivities(self, solution: Solution) -> CondensedSensitivities:
        """The probes solved backwards; once for all lit sets whose loads are flat."""
        circuit = self.responses.circuit
        if not circuit.is_flat(solution.factor):
            return CondensedSensitivities(circuit, solution.factor, self.probes)
        if self._flat_sensitivities is None:
            self._flat_sensitivities = CondensedSensitivities(circuit, circuit.factor, self.probes)
        return self._flat_sensitivities

    def sd_v(self, lit: LitSet, probe: Probe) -> float:
        """Standard deviation of a probe as `forecast` last gave it for a lit set. [V]"""
        return float(self._sd_v[lit][self.place_of[probe]])

    def unread_rail_spans(self, taken: Iterable[Probe]) -> IndexArray:
        """Return the places of probes along a rail that none of `taken` reads yet, (spans,)."""
        spans = {span.points: span for span in self._spans}
        read = {span.red.rail for probe in taken if (span := spans.get(probe.points)) is not None}
        left = [self.place_of[span] for span in self._spans if span.red.rail not in read]
        return np.array(left, dtype=np.intp)

    def regression(
        self, parts: FaultSamples, evidence: PlanningEvidence
    ) -> ReadingRegression | None:
        """What earlier readings say; None without any."""
        self._read = evidence.readings
        if evidence.likelihood is None:
            self._budget = SolveBudget.of(self.responses.design)
            return None
        self._budget, self._conditional_key = (
            evidence.likelihood.budget,
            evidence.likelihood.conditional,
        )
        assert evidence.likelihoods is not None
        loose = self._floating_readings(parts, evidence.readings, evidence.likelihood)
        return ReadingRegression(
            parts, evidence.readings, evidence.likelihood, evidence.likelihoods, loose
        )

    def isolates_copper(self, parts: FaultSamples, lit: LitSet) -> NDArray[np.bool_]:
        """Return which components are a joint that is open and cuts copper off, (components,)."""
        cut = self.responses.base(lit).cut[:, GRID]
        is_open = (parts.joint >= 0) & (parts.column == GRID) & (parts.other < 0)
        likely = is_open & (parts.weight >= MIN_EXACT_PROBABILITY)
        return np.asarray(likely & cut[np.maximum(parts.joint, 0)])

    def _floating_leads(self, joint: int) -> NDArray[np.bool_]:
        """Return which leads an open joint leaves on copper that is cut off, (probes, 2)."""
        leads = np.stack([self._red, self._black], axis=1)
        return np.asarray(self._floating_points(joint)[leads])

    def _floating_points(self, joint: int) -> NDArray[np.bool_]:
        """Return which points an open joint cuts off, shape (points,)."""
        name = self.responses.space.joints[joint].name
        if name not in self._floating:
            self._floating[name] = self.responses.circuit.changed({name: np.inf}).floating
        return self._floating[name]

    def data_fault_behind(self, joint: int) -> int:
        """Return a chain fault that leaves dark what gets no data behind an open joint.

        Returns:
            Its place in the fault space; -1 where the joint cuts no node off.
        """
        space, nodes = self.responses.space, self.responses.design.node_count
        floating = self._floating_points(joint)
        off = (floating[:nodes] | floating[nodes : 2 * nodes])[space.order]
        if not off.any():
            return -1
        first = int(off.argmax())
        ways = [
            (-fault.start, place)
            for place, fault in enumerate(space.chain)
            if fault.start <= first < fault.stop
            and fault.remap is None
            and fault.shorted is None
            and fault.stop == nodes
        ]
        return min(ways)[1] if ways else -1

    def _dead_leads(self, shorted: DeadCopper) -> NDArray[np.bool_]:
        """Return which leads are on copper without volts, shape (probes, 2)."""
        if shorted.strands not in self._dead:
            dead = [(shorted.contains(red), shorted.contains(black)) for red, black in self._places]
            self._dead[shorted.strands] = np.array(dead, dtype=bool)
        return self._dead[shorted.strands]

    def _floating_readings(
        self, parts: FaultSamples, readings: Sequence[Reading], likelihood: ReadingLikelihood
    ) -> NDArray[np.bool_]:
        """See `ReadingRegression.floating`."""
        found = np.zeros((len(parts.joint), len(readings)), dtype=bool)
        place_of = [self.place_of.get(one.probe, -1) for one in readings]
        known = np.array([place >= 0 and one.volts is not None
                          for place, one in zip(place_of, readings, strict=True)])  # fmt: skip
        for row, (joint, column) in enumerate(zip(parts.joint, parts.column, strict=True)):
            if joint == SHORT:
                shorted = self.responses.space.chain[parts.chain[row]].shorted
                assert shorted is not None
                found[row] = known & self._dead_leads(shorted)[place_of].any(axis=1)
            elif parts.island[row] >= 0:
                found[row] = known & self._floating_leads(int(joint))[place_of].any(axis=1)
            elif joint >= 0:
                found[row, list(likelihood.floating.get((int(joint), int(column)), ()))] = True
        return found

    def forecast(
        self,
        lit: LitSet,
        parts: FaultSamples,
        regression: ReadingRegression | None,
        silent: Sequence[Probe] = (),
    ) -> PredictedReadings:
        """Expected reading of each probe under each component, in its own standard deviations.

        Args:
            lit: strands lit.
            parts: the components.
            regression: what earlier readings say.
            silent: probes that are taken to tell nothing.
        """
        look, joint = self.probe_forecast(lit), parts.joint
        weights: list[FloatArray] = []
        variance, off = look.variance, np.zeros((len(joint), 0))
        if regression is not None:
            weights, known = regression.of(look.spread, self.gain * look.value)
            # what was learned can never leave less than a hundredth of the doubt
            variance, off = np.maximum(variance - known, 1e-4 * variance), regression.off
        self._sd_v[lit] = np.sqrt(variance)
        scale = 1.0 / self._sd_v[lit]
        scale[[self.place_of[probe] for probe in silent if probe in self.place_of]] = 0.0
        compensating_a, other_push = self._fault_currents_a(lit, parts)
        way, shift = self._chain_shifts(lit, parts)
        again, again_mean = self._repeated_probes(lit, regression, len(joint))
        fixed = self._fixed_volts(lit, parts, regression)
        return PredictedReadings(
            look.value * scale,
            look.per_amp * scale,
            joint,
            compensating_a,
            parts.other,
            other_push,
            [each * scale[:, None] for each in weights],
            np.zeros(len(joint), dtype=np.intp) if regression is None else regression.group,
            off,
            way,
            shift * scale,
            {component: row * scale for component, row in fixed.items()},
            again,
            again_mean * scale[again],
        )

    def _fault_currents_a(self, lit: LitSet, parts: FaultSamples) -> tuple[FloatArray, FloatArray]:
        """Return amperes that stand in for each component's joints, (components,) each. [A]"""
        compensating_a = self.probe_forecast(lit).compensating_a
        one = np.where(parts.joint >= 0, compensating_a[parts.joint, parts.column], 0.0)
        other = np.zeros(len(one))
        two = np.flatnonzero(parts.other >= 0)
        if len(two):
            pushed = self.responses.pair_compensating_a(
                self.responses.base(lit), parts.joint[two], parts.column[two],
                parts.other[two], parts.other_column[two],
            )  # fmt: skip
            one[two], other[two] = pushed
        return one, other

    def _chain_shifts(self, lit: LitSet, parts: FaultSamples) -> tuple[IndexArray, FloatArray]:
        """Return what nodes that are dark, or get others' data, change; see `PredictedReadings`."""
        chain = np.unique(parts.chain[parts.chain >= 0])
        way = np.where(parts.chain >= 0, np.searchsorted(chain, parts.chain), -1)
        if not len(chain):
            return way, np.zeros((0, len(self.probes)))
        base, circuit = self.responses.base(lit), self.responses.circuit
        more_a = np.stack(
            [self.responses.extra_load_a(base, int(place)) for place in chain], axis=1
        )
        back = self._probe_sensitivities(base.solution)
        pushed = back.factor.condense(circuit.load_incidence.gather(-more_a))
        return way, np.asarray(pushed.T @ back.skeleton)

    def _repeated_probes(
        self, lit: LitSet, regression: ReadingRegression | None, components: int
    ) -> tuple[IndexArray, FloatArray]:
        """Return probes that were read under a lit set, and what they should have shown."""
        places: dict[int, FloatArray] = {}
        for row, reading in enumerate([] if regression is None else regression.readings):
            place = self.place_of.get(reading.probe, -1)
            if place >= 0 and reading.lit == lit and reading.volts is not None:
                assert regression is not None
                sign = 1.0 if self.probes[place] == reading.probe else -1.0
                places[place] = sign * regression.mean[:, row]
        again = np.array(list(places), dtype=np.intp)
        return again, np.array(list(places.values())).reshape(-1, components).T

    def _fixed_volts(
        self, lit: LitSet, parts: FaultSamples, regression: ReadingRegression | None
    ) -> dict[int, FloatArray]:
        """Return what probes show on copper that a component cuts off or leaves without volts."""
        found: dict[int, FloatArray] = {}
        point_v = self.responses.base(lit).solution.point_v
        at_v = np.stack([point_v[self._red], point_v[self._black]], axis=1)
        supply_v = float(self.responses.circuit.supply_v.max())
        for row, (joint, island) in enumerate(zip(parts.joint, parts.island, strict=True)):
            if joint == SHORT:
                shorted = self.responses.space.chain[parts.chain[row]].shorted
                assert shorted is not None
                leads, rail_v = self._dead_leads(shorted), 0.0
            elif island >= 0:
                leads = self._floating_leads(int(joint))
                rail_v = self._island_v(lit, row, int(island), regression)
            else:
                continue
            # a + pad lies above the return by the volts between the rails, a - pad below the supply
            other_v = np.where(self._plus, rail_v, supply_v - rail_v)
            if joint == SHORT:
                other_v = np.zeros_like(at_v)
            red_v, black_v = np.where(leads, other_v, at_v).T
            shown_v = np.where(self._is_rail & leads.any(axis=1), rail_v, red_v - black_v)
            # millivolts along such copper are no more than a sound prop's
            along = leads.all(axis=1) & ~self._is_rail
            shown_v = np.where(along, at_v[:, 0] - at_v[:, 1], shown_v)
            shown_v = np.where(leads.any(axis=1), shown_v, np.nan)
            if regression is not None:
                self._insert_read_volts(
                    shown_v, row, regression, same_lit=None if joint == SHORT else lit
                )
            found[row] = shown_v
        return found

    def _insert_read_volts(
        self, shown_v: FloatArray, row: int, regression: ReadingRegression, same_lit: LitSet | None
    ) -> None:
        """Put in what was read of probes whose volts a component leaves open.

        Args:
            shown_v: of every probe; those that were read are replaced, shape (probes,). [V]
            row: the component.
            regression: earlier readings.
            same_lit: lit set under which alone they show the same again; None for all.
        """
        for place in np.flatnonzero(regression.floating[row]).tolist():
            reading = regression.readings[place]
            if same_lit is None or reading.lit == same_lit:
                probe = self.place_of[reading.probe]
                sign = 1.0 if self.probes[probe] == reading.probe else -1.0
                shown_v[probe] = sign * reading.value

    def _island_v(
        self, lit: LitSet, row: int, way: int, regression: ReadingRegression | None
    ) -> float:
        """Return the volts between the rails of copper that is cut off, in one of its ways. [V]"""
        supply_v = float(self.responses.circuit.supply_v.max())
        read = (
            []
            if regression is None
            else [
                regression.readings[place]
                for place in np.flatnonzero(regression.floating[row]).tolist()
                if regression.readings[place].probe.is_rail
            ]
        )
        if not read:
            return ISLAND_SUPPLY_SHARES[way] * supply_v
        same = [reading for reading in read if reading.lit == lit]
        if same:
            return same[-1].value
        apart_v = (way - 1) * ISLAND_LIT_SHARE * supply_v
        return float(np.clip(read[-1].value + apart_v, 0.0, supply_v))

    def with_exact_solutions(
        self, off_sd: FloatArray, lit: LitSet, probe: Probe, parts: FaultSamples
    ) -> FloatArray:
        """One probe's forecast, with faults that starve nodes solved anew.

        Args:
            off_sd: what `forecast` said of this probe, shape (components,).
            lit: strands lit; `forecast` was asked of them last with the same evidence.
            probe: what is read.
            parts: the components.
        """
        look, row = self.probe_forecast(lit), self.place_of[probe]
        if any(one.lit == lit and one.probe.points == probe.points for one in self._read):
            return off_sd  # what it should have shown is known, see `PredictedReadings.again`
        nonlinear, units = self.responses.base(lit).nonlinear, solve_units(self.responses.design)
        right = off_sd.copy()
        for place, (joint, column) in enumerate(zip(parts.joint, parts.column, strict=True)):
            if joint < 0 or parts.other[place] >= 0 or not nonlinear[joint, column]:
                continue
            if parts.island[place] >= 0 and self._floating_leads(int(joint))[row].any():
                continue
            if parts.weight[place] < MIN_EXACT_PROBABILITY:
                continue
            name = self.responses.space.joints[joint].name
            circuit = (self._conditional_key, name, int(column), lit)
            if not self._budget.takes((circuit,), units):
                continue
            solution = self.responses.exact(name, int(column), lit)
            volts = solution.volts(probe)
            if solution.circuit.cut_off.any():
                (taps,) = taps_of(solution.circuit, [Reading(lit, probe, 0.0)])
                volts += float(half_data_loss(self.responses, solution, taps)[0])
            estimate_v = (
                look.value[row] + look.per_amp[joint, row] * look.compensating_a[joint, column]
            )
            right[place] += (volts - estimate_v) / self._sd_v[lit][row]
        return right


def two_joints_mean(
    likelihood: ReadingLikelihood,
    joint: IndexArray,
    column: IndexArray,
    other: IndexArray,
    other_column: IndexArray,
) -> FloatArray:
    """Return readings under two joints' faults together, shape (pairs, readings).

    Args:
        likelihood: of the readings.
        joint: place of the one in the fault space, shape (pairs,).
        column: its resistance, as a place in the grid.
        other: place of the other.
        other_column: its resistance.
    """
    responses, parts = likelihood.responses, []
    for effect in likelihood.effects:
        one, two = responses.pair_compensating_a(effect.base, joint, column, other, other_column)
        own = effect.branch[responses.joint_columns]
        parts.append(effect.value + one[:, None] * own[joint] + two[:, None] * own[other])
    return likelihood.in_reading_order(parts, axis=1)


def _silent_readings(
    off: FloatArray, covariance: FloatArray, loose: NDArray[np.bool_]
) -> dict[tuple[int, ...], list[int]]:
    """Readings that say nothing under a fault, and the components that it is so for.

    A reading that everything else contradicts under that fault is a slip; one whose lead is on
    copper that the fault cuts off may show anything.
    """
    groups: dict[tuple[int, ...], list[int]] = {}
    slipped = slips(off, covariance, MIN_SLIP_SD)
    for place, row in enumerate(loose):
        silent = tuple(np.flatnonzero(row).tolist())
        if not silent and slipped[place] >= 0:
            silent = (int(slipped[place]),)
        groups.setdefault(silent, []).append(place)
    return groups


def regression_weights(
    covariance: FloatArray, shared: FloatArray, silent: tuple[int, ...]
) -> FloatArray:
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
