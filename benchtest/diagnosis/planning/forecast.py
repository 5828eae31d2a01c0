"""Forecast of every probe's next reading under every fault sample, given the readings so far."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.solution import Solution
from benchtest.circuit.tolerance import Tolerances
from benchtest.circuit.tolerance_condensed import CondensedSensitivities, CondensedSpread
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.likelihood.measurement import (
    ISLAND_LIT_SHARE,
    ISLAND_SHARE,
    taps_of,
    volt_noise,
)
from benchtest.diagnosis.likelihood.reading_model import half_data_loss, nonlinearity_sd
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.fault_response import (
    CELL_SD,
    OPEN_COLUMN,
    DesignResponse,
    LitSetResponse,
)
from benchtest.diagnosis.model.node_variation import node_variation_a
from benchtest.diagnosis.model.wiring_faults import DeadCopper
from benchtest.diagnosis.planning.candidates import reachable_probes, strand_spans
from benchtest.diagnosis.planning.cost import ProbeTimes
from benchtest.diagnosis.planning.fault_samples import SHORT, SOFT_SHORT, FaultSamples
from benchtest.diagnosis.planning.regression import (
    PlanningEvidence,
    ReadingRegression,
    regression_weights,
)
from benchtest.diagnosis.solve_budget import SolveBudget, solve_units
from benchtest.diagnosis.thresholds import MIN_EXACT_PROBABILITY
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet

BLOCK_BYTES = 200_000
"""Size of the predictions computed in one block: about what fits into a processor's cache."""
MIN_VARIANCE_SHARE = 1e-4
"""Share of a probe's variance that remains however many readings explain it: a hundredth of the
standard deviation."""
ISLAND_SUPPLY_SHARES = (0.1, 0.5, 0.85)
"""Voltages that represent the unknown voltage between an island's rails, as shares of the supply's.
At 5 V they are 0 to 4.3 V, common practice; see `measurement.ISLAND_SHARE`."""
MAX_CACHED_METERS = 4
"""Meters whose forecasts are cached: one unit is hardly read with more."""
MAX_FORECAST_OCTETS, MAX_FORECAST_OCTETS_LARGE = 80_000_000, 200_000_000
"""Memory of the forecasts of one forecaster, and of all that are kept from one finding to the next;
the second of a large design."""


def max_forecast_octets(responses: DesignResponse) -> int:
    """Return the limit of the forecasts' memory for a design."""
    return MAX_FORECAST_OCTETS_LARGE if responses.is_large else MAX_FORECAST_OCTETS


@dataclass(frozen=True)
class ProbeForecast:
    """Readings of every probe of the healthy prop under one lit set, and their sensitivities.

    Attributes:
        value: of the healthy prop, shape (probes,). [V]
        per_amp: change per ampere injected across each joint, shape (joints, probes). [V/A]
        compensating_a: current that replaces each joint's fault, shape (joints, COLUMNS). [A]
        spread: effects of all tolerances.
        variance: of the reading, errors of the meter included, shape (probes,). [V²]
    """

    value: FloatArray
    per_amp: FloatArray
    compensating_a: FloatArray
    spread: CondensedSpread
    variance: FloatArray

    def octets_beyond(self, shared: CondensedSensitivities | None) -> int:
        """Return the memory of this forecast, without sensitivities that lit sets share."""
        own = 0 if self.spread.back is shared else self.spread.back.octets
        return own + self.spread.octets + self.per_amp.nbytes + self.compensating_a.nbytes


@dataclass(frozen=True)
class PredictedReadings:
    """Readings of every probe under each fault sample, in standard deviations of the probe.

    The prediction is the healthy value, plus the change by the sample's fault, plus the weighted
    residuals of earlier readings. A large prop has millions of predictions for each lit set, so
    that they are computed in blocks.

    Attributes:
        value: of the healthy prop, shape (probes,).
        per_amp: change per ampere injected across each joint, shape (joints, probes). [1/A]
        joint: index of each sample's joint, negative for none, shape (samples,).
        compensating_a: current that replaces each sample's joint fault, shape (samples,). [A]
        other: index of each sample's second joint, negative for none, shape (samples,).
        other_a: current that replaces the second joint's fault, shape (samples,). [A]
        weights: weights of earlier residuals for each group of samples, (probes, readings) each.
            [1/V]
        group: group of each sample, shape (samples,).
        residual: of earlier readings under each sample, shape (samples, readings). [V]
        shift_row: row of `shift` of each sample's chain fault, -1 for none, shape (samples,).
        shift: change by each chain fault, shape (chain faults, probes).
        fixed: for some samples the values that do not depend on other readings, NaN elsewhere,
            shape (probes,) each.
        repeated: indices of probes that were read under this lit set, shape (repeated,).
        repeated_mean: what they should have read under each sample, shape (samples, repeated).
    """

    value: FloatArray
    per_amp: FloatArray
    joint: IndexArray
    compensating_a: FloatArray
    other: IndexArray
    other_a: FloatArray
    weights: list[FloatArray]
    group: IndexArray
    residual: FloatArray
    shift_row: IndexArray
    shift: FloatArray
    fixed: Mapping[int, FloatArray]
    repeated: IndexArray
    repeated_mean: FloatArray

    def blocks(self) -> Iterator[tuple[slice, FloatArray]]:
        """Yield ranges of samples with every probe's value under them, shape (range, probes)."""
        step = max(1, BLOCK_BYTES // max(1, self.value.nbytes))
        for start in range(0, len(self.joint), step):
            some = slice(start, start + step)
            yield some, self.under(np.arange(len(self.joint))[some])

    def under(self, some: IndexArray, probes: IndexArray | slice = slice(None)) -> FloatArray:
        """Return the values of probes under some samples, shape (some, probes)."""
        joint, group = self.joint[some], self.group[some]
        found = np.take(self.per_amp[:, probes], np.maximum(joint, 0), axis=0)
        found *= self.compensating_a[some, None]
        two = np.flatnonzero(self.other[some] >= 0)
        if len(two):
            more = self.per_amp[:, probes][self.other[some][two]]
            found[two] += more * self.other_a[some][two, None]
        shifted = np.flatnonzero(self.shift_row[some] >= 0)
        found[shifted] += self.shift[self.shift_row[some][shifted]][:, probes]
        found += self.value[probes]
        if len(self.repeated):
            # same model for both: a repeated reading differs from the first by its noise alone
            places = np.arange(len(self.value))[probes]
            at, taken = np.nonzero(places[:, None] == self.repeated)
            found[:, at] = self.repeated_mean[some][:, taken]
        for number, weights in enumerate(self.weights):
            members = group == number
            if members.all():
                found += self.residual[some] @ weights[probes].T
            elif members.any():
                found[members] += self.residual[some[members]] @ weights[probes].T
        for row, sample in enumerate(some.tolist()):
            if (fixed := self.fixed.get(sample)) is not None:
                found[row] = np.where(np.isnan(fixed[probes]), found[row], fixed[probes])
        return found


class Forecaster:
    """Forecasts for one circuit and one meter; results independent of the evidence are cached.

    Attributes:
        responses: the circuit.
        meter: of further readings.
        tolerances: of a unit from its design.
        gain: one standard deviation of the meter's gain, as a share of the reading.
        probes: every reachable probe.
        place_of: index of each probe in `probes`, also for exchanged leads.
        may_turn: False for probes across a joint, whose leads the contract orders, and for rail
            voltages, shape (probes,).
        probe_times: of the person, to every probe.
        spans: probes along rails.
    """

    def __init__(
        self,
        responses: DesignResponse,
        meter: Meter,
        tolerances: Tolerances,
        probe_times: ProbeTimes | None = None,
    ) -> None:
        """Store the circuit; nothing is solved yet.

        Args:
            responses: the circuit.
            meter: of further readings.
            tolerances: of a unit from its design.
            probe_times: of the person, of another forecaster of this design; None to compute them.
        """
        design = responses.design
        self.probe_times = probe_times or ProbeTimes(design, tuple(reachable_probes(design)))
        self.responses = responses
        self.meter = meter
        self.tolerances = tolerances
        self.gain = meter.percent / 200.0
        self.probes = self.probe_times.probes
        self.place_of = {probe: place for place, probe in enumerate(self.probes)}
        joints = {joint.probe for joint in responses.space.joints if not joint.is_fuse}
        self.may_turn = [not probe.is_rail and probe not in joints for probe in self.probes]
        self.spans = strand_spans(responses.design)
        # exchanged leads change the sign alone
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
        self._forecasts: dict[LitSet, ProbeForecast] = {}
        self._flat_sensitivities: CondensedSensitivities | None = None
        self._sd_v: dict[LitSet, FloatArray] = {}
        self._budget = SolveBudget.of(responses.design)
        self._conditional_key: Hashable = None
        self._readings: Sequence[Reading] = ()

    def probe_forecast(self, lit: LitSet) -> ProbeForecast:
        """Return the healthy prop's readings under a lit set."""
        made = self._forecasts.pop(lit, None) or self._make_forecast(lit)
        self._drop_forecasts(max_forecast_octets(self.responses) - self._octets_of(made))
        self._forecasts[lit] = made
        return made

    def forget(self, max_octets: int) -> int:
        """Drop the lit sets that the circuit has dropped, and those beyond a limit of memory.

        Args:
            max_octets: memory that the rest may use.

        Returns:
            Memory that the rest uses.
        """
        for kept in (self._forecasts, self._sd_v):
            for lit in [lit for lit in kept if not self.responses.has_cached(lit)]:
                del kept[lit]
        return self._drop_forecasts(max_octets)

    def _octets_of(self, forecast: ProbeForecast) -> int:
        return forecast.octets_beyond(self._flat_sensitivities)

    def _drop_forecasts(self, max_octets: int) -> int:
        """Drop the latest forecasts until the rest fits; return its memory.

        Lit sets are requested in the same order by every finding: the first ones are hit again.
        """
        octets = sum(self._octets_of(one) for one in self._forecasts.values())
        while self._forecasts and octets > max_octets:
            octets -= self._octets_of(self._forecasts.popitem()[1])
        return octets

    def _make_forecast(self, lit: LitSet) -> ProbeForecast:
        """Return the healthy prop's readings, with all tolerances and errors in their variance."""
        base, circuit = self.responses.base(lit), self.responses.circuit
        point_v = base.solution.point_v
        value = point_v[self._red] - point_v[self._black]
        known = frozenset(self.responses.given)
        sensitivities = self._probe_sensitivities(base.solution)
        node_a = node_variation_a(base.solution, self.tolerances)
        spread = CondensedSpread(
            base.solution, sensitivities, self.tolerances, known, CELL_SD, node_a
        )
        steps = volt_noise(self.meter, value)
        variance = spread.variance + steps**2 + (self.gain * value) ** 2
        variance += self._nonlinearity_sd(base, sensitivities, node_a, value) ** 2
        floating = circuit.floating[self._red] | circuit.floating[self._black]
        variance[floating] += (ISLAND_SHARE * circuit.supply_v.max()) ** 2
        # reciprocity: joint to probe equals probe to joint
        per_amp = sensitivities.across[self.responses.joint_places]
        return ProbeForecast(
            value, per_amp, self.responses.capped_compensating_a(base), spread, variance
        )

    def _nonlinearity_sd(
        self,
        base: LitSetResponse,
        sensitivities: CondensedSensitivities,
        node_a: FloatArray,
        value: FloatArray,
    ) -> FloatArray:
        """Return `undervoltage.nonlinearity_sd` of every probe, shape (probes,). [V]"""

        def moved() -> FloatArray:
            drawn = np.column_stack([self.tolerances.current * base.solution.load_a, node_a])
            pushed = self.responses.circuit.load_incidence.gather(drawn)
            return np.asarray(sensitivities.factor.condense(pushed).T @ sensitivities.skeleton)

        return nonlinearity_sd(self.responses, base.lit, value, moved)

    def _probe_sensitivities(self, solution: Solution) -> CondensedSensitivities:
        """Return the adjoint solutions of all probes, shared by all lit sets with flat loads."""
        circuit = self.responses.circuit
        if not circuit.is_flat(solution.factor):
            return CondensedSensitivities(circuit, solution.factor, self.probes)
        if self._flat_sensitivities is None:
            self._flat_sensitivities = CondensedSensitivities(circuit, circuit.factor, self.probes)
        return self._flat_sensitivities

    def sd_v(self, lit: LitSet, probe: Probe) -> float:
        """Return the standard deviation of a probe in the last `forecast` of a lit set. [V]"""
        return float(self._sd_v[lit][self.place_of[probe]])

    def unread_rail_spans(self, taken: Iterable[Probe]) -> IndexArray:
        """Return the indices of span probes on rails along which no span was read, (spans,)."""
        spans = {span.points: span for span in self.spans}
        read = {span.red.rail for probe in taken if (span := spans.get(probe.points)) is not None}
        left = [self.place_of[span] for span in self.spans if span.red.rail not in read]
        return np.array(left, dtype=np.intp)

    def open_effects(
        self, lit: LitSet, evidence: PlanningEvidence
    ) -> tuple[FloatArray, FloatArray]:
        """Return the effect of each open joint on every probe, given earlier readings.

        Args:
            lit: strands lit.
            evidence: readings so far.

        Returns:
            Its effect beyond that which the readings predict, shape (joints, probes) [V], and the
            variance of each probe given the readings, shape (probes,) [V²].
        """
        healthy, likelihood = self.probe_forecast(lit), evidence.likelihood
        effects = healthy.per_amp * healthy.compensating_a[:, OPEN_COLUMN, None]
        if likelihood is None:
            return effects, healthy.variance
        assert evidence.likelihoods is not None
        read = likelihood.healthy_mean()
        shared = healthy.spread.covariance_with(likelihood.healthy_spread)
        shared += np.outer(self.gain * healthy.value, likelihood.noise.gain * read)
        weights = regression_weights(likelihood.healthy_covariance, shared, ())
        moved = evidence.likelihoods.joint_mean[:, OPEN_COLUMN] - read
        explained = np.einsum("pr,pr->p", weights, shared)
        variance = np.maximum(healthy.variance - explained, MIN_VARIANCE_SHARE * healthy.variance)
        return effects - moved @ weights.T, variance

    def regression(
        self, samples: FaultSamples, evidence: PlanningEvidence
    ) -> ReadingRegression | None:
        """Return the regression on earlier readings, or None without any.

        The evidence also bounds later exact solutions; see `with_exact_solutions`.
        """
        self._readings = evidence.readings
        likelihood = evidence.likelihood
        if likelihood is None:
            self._budget = SolveBudget.of(self.responses.design)
            return None
        self._budget, self._conditional_key = likelihood.budget, likelihood.conditional
        assert evidence.likelihoods is not None
        floating = self._floating_readings(samples, evidence.readings, likelihood)
        return ReadingRegression(
            samples, evidence.readings, likelihood, evidence.likelihoods, floating
        )

    def isolates_copper(self, samples: FaultSamples, lit: LitSet) -> NDArray[np.bool_]:
        """Return True for samples that are an open joint that cuts copper off, (samples,)."""
        cut = self.responses.base(lit).cut[:, OPEN_COLUMN]
        is_open = (samples.joint >= 0) & (samples.column == OPEN_COLUMN) & (samples.other < 0)
        likely = is_open & (samples.weight >= MIN_EXACT_PROBABILITY)
        return np.asarray(likely & cut[np.maximum(samples.joint, 0)])

    def _floating_leads(self, joint: int) -> NDArray[np.bool_]:
        """Return True for leads on copper that an open joint cuts off, shape (probes, 2)."""
        leads = np.stack([self._red, self._black], axis=1)
        return np.asarray(self._floating_points(joint)[leads])

    def _floating_points(self, joint: int) -> NDArray[np.bool_]:
        """Return True for points that an open joint cuts off, shape (points,)."""
        name = self.responses.space.joints[joint].name
        if name not in self._floating:
            self._floating[name] = self.responses.circuit.changed({name: np.inf}).floating
        return self._floating[name]

    def data_fault_behind(self, joint: int) -> int:
        """Return the chain fault that leaves the same nodes dark as an open joint without data.

        Returns:
            Its index in the fault space; -1 if the joint cuts no node off.
        """
        space, nodes = self.responses.space, self.responses.design.node_count
        floating = self._floating_points(joint)
        off = (floating[:nodes] | floating[nodes : 2 * nodes])[space.order]
        if not off.any():
            return -1
        first = int(off.argmax())
        equivalent = [
            (-fault.start, place)
            for place, fault in enumerate(space.chain)
            if fault.start <= first < fault.stop
            and fault.remap is None
            and fault.shorted is None
            and fault.stop == nodes
        ]
        return min(equivalent)[1] if equivalent else -1

    def _dead_leads(self, shorted: DeadCopper) -> NDArray[np.bool_]:
        """Return True for leads on copper without volts, shape (probes, 2)."""
        if shorted.strands not in self._dead:
            dead = [(shorted.contains(red), shorted.contains(black)) for red, black in self._places]
            self._dead[shorted.strands] = np.array(dead, dtype=bool)
        return self._dead[shorted.strands]

    def _floating_readings(
        self, samples: FaultSamples, readings: Sequence[Reading], likelihood: ReadingLikelihood
    ) -> NDArray[np.bool_]:
        """Return `ReadingRegression.floating`, shape (samples, readings)."""
        found = np.zeros((len(samples.joint), len(readings)), dtype=bool)
        place_of = [self.place_of.get(one.probe, -1) for one in readings]
        known = np.array([place >= 0 and one.volts is not None
                          for place, one in zip(place_of, readings, strict=True)])  # fmt: skip
        for row, (joint, column) in enumerate(zip(samples.joint, samples.column, strict=True)):
            if joint == SHORT:
                shorted = self.responses.space.chain[samples.chain[row]].shorted
                assert shorted is not None
                found[row] = known & self._dead_leads(shorted)[place_of].any(axis=1)
            elif samples.island[row] >= 0:
                found[row] = known & self._floating_leads(int(joint))[place_of].any(axis=1)
            elif joint >= 0:
                found[row, list(likelihood.floating.get((int(joint), int(column)), ()))] = True
        return found

    def forecast(
        self,
        lit: LitSet,
        samples: FaultSamples,
        regression: ReadingRegression | None,
        excluded: Sequence[Probe] = (),
    ) -> PredictedReadings:
        """Return the readings of every probe under each sample, in its own standard deviations.

        Args:
            lit: strands lit.
            samples: the fault samples.
            regression: on earlier readings; None without any.
            excluded: probes that are predicted to carry no information.
        """
        healthy, joint = self.probe_forecast(lit), samples.joint
        weights: list[FloatArray] = []
        variance, residual = healthy.variance, np.zeros((len(joint), 0))
        if regression is not None:
            weights, explained = regression.weights_on(healthy.spread, self.gain * healthy.value)
            variance = np.maximum(variance - explained, MIN_VARIANCE_SHARE * variance)
            residual = regression.residual
        self._sd_v[lit] = np.sqrt(variance)
        scale = 1.0 / self._sd_v[lit]
        scale[[self.place_of[probe] for probe in excluded if probe in self.place_of]] = 0.0
        compensating_a, other_a = self._fault_currents_a(lit, samples)
        shift_row, shift = self._chain_shifts(lit, samples, regression)
        repeated, repeated_mean = self._repeated_probes(lit, regression, len(joint))
        fixed = self._fixed_volts(lit, samples, regression)
        return PredictedReadings(
            value=healthy.value * scale,
            per_amp=healthy.per_amp * scale,
            joint=joint,
            compensating_a=compensating_a,
            other=samples.other,
            other_a=other_a,
            weights=[each * scale[:, None] for each in weights],
            group=np.zeros(len(joint), dtype=np.intp) if regression is None else regression.group,
            residual=residual,
            shift_row=shift_row,
            shift=shift * scale,
            fixed={sample: row * scale for sample, row in fixed.items()},
            repeated=repeated,
            repeated_mean=repeated_mean * scale[repeated],
        )

    def _fault_currents_a(
        self, lit: LitSet, samples: FaultSamples
    ) -> tuple[FloatArray, FloatArray]:
        """Return the currents that replace each sample's joints, shape (samples,) each. [A]"""
        compensating_a = self.probe_forecast(lit).compensating_a
        one = np.where(samples.joint >= 0, compensating_a[samples.joint, samples.column], 0.0)
        other = np.zeros(len(one))
        two = np.flatnonzero(samples.other >= 0)
        if len(two):
            pushed = self.responses.pair_compensating_a(
                self.responses.base(lit), samples.joint[two], samples.column[two],
                samples.other[two], samples.other_column[two],
            )  # fmt: skip
            one[two], other[two] = pushed
        return one, other

    def _chain_shifts(
        self, lit: LitSet, samples: FaultSamples, regression: ReadingRegression | None
    ) -> tuple[IndexArray, FloatArray]:
        """Return `PredictedReadings.shift_row`, and the unscaled `shift`. [V]"""
        soft = np.flatnonzero(samples.joint == SOFT_SHORT)
        data = np.where(samples.joint == SOFT_SHORT, -1, samples.chain)
        chain = np.unique(data[data >= 0])
        shift_row = np.where(data >= 0, np.searchsorted(chain, data), -1)
        shift_row[soft] = len(chain) + np.arange(len(soft))
        shifts, solution = [self._load_shifts(lit, chain)], self.responses.base(lit).solution
        for row in soft.tolist():
            assert regression is not None
            short = regression.likelihood.resistive_short(int(samples.chain[row]))
            assert short is not None
            change_v = short.change_v(int(samples.column[row]), solution)
            shifts.append((change_v[self._red] - change_v[self._black])[None])
        return shift_row, np.vstack(shifts)

    def _load_shifts(self, lit: LitSet, chain: IndexArray) -> FloatArray:
        """Return the change of probes by the node currents of chain faults, (faults, probes). [V]

        Args:
            lit: strands lit.
            chain: indices of the faults in the fault space, shape (faults,).
        """
        if not len(chain):
            return np.zeros((0, len(self.probes)))
        base, circuit = self.responses.base(lit), self.responses.circuit
        more_a = np.stack(
            [self.responses.extra_load_a(base, int(place)) for place in chain], axis=1
        )
        sensitivities = self._probe_sensitivities(base.solution)
        pushed = sensitivities.factor.condense(circuit.load_incidence.gather(-more_a))
        return np.asarray(pushed.T @ sensitivities.skeleton)

    def _repeated_probes(
        self, lit: LitSet, regression: ReadingRegression | None, count: int
    ) -> tuple[IndexArray, FloatArray]:
        """Return `PredictedReadings.repeated`, and `repeated_mean` of `count` samples. [V]"""
        places: dict[int, FloatArray] = {}
        for row, reading in enumerate([] if regression is None else regression.readings):
            place = self.place_of.get(reading.probe, -1)
            if place >= 0 and reading.lit == lit and reading.volts is not None:
                assert regression is not None
                sign = 1.0 if self.probes[place] == reading.probe else -1.0
                places[place] = sign * regression.mean[:, row]
        repeated = np.array(list(places), dtype=np.intp)
        return repeated, np.array(list(places.values())).reshape(-1, count).T

    def _fixed_volts(
        self, lit: LitSet, samples: FaultSamples, regression: ReadingRegression | None
    ) -> dict[int, FloatArray]:
        """Return the volts of probes on copper that a sample cuts off or leaves without volts.

        Returns:
            For each such sample, shape (probes,), NaN for all other probes. [V]
        """
        found: dict[int, FloatArray] = {}
        point_v = self.responses.base(lit).solution.point_v
        at_v = np.stack([point_v[self._red], point_v[self._black]], axis=1)
        supply_v = float(self.responses.circuit.supply_v.max())
        for row, (joint, island) in enumerate(zip(samples.joint, samples.island, strict=True)):
            if joint == SHORT:
                shorted = self.responses.space.chain[samples.chain[row]].shorted
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
            # drops along such copper do not exceed those of a healthy prop
            along = leads.all(axis=1) & ~self._is_rail
            shown_v = np.where(along, at_v[:, 0] - at_v[:, 1], shown_v)
            shown_v = np.where(leads.any(axis=1), shown_v, np.nan)
            if regression is not None:
                same_lit = None if joint == SHORT else lit
                self._insert_read_volts(shown_v, row, regression, same_lit=same_lit)
            found[row] = shown_v
        return found

    def _insert_read_volts(
        self,
        shown_v: FloatArray,
        row: int,
        regression: ReadingRegression,
        same_lit: LitSet | None,
    ) -> None:
        """Replace the volts of probes that were read on floating copper by their reading.

        Args:
            shown_v: of every probe; changed in place, shape (probes,). [V]
            row: index of the sample.
            regression: on earlier readings.
            same_lit: lit set whose readings count; None for all lit sets.
        """
        for place in np.flatnonzero(regression.floating[row]).tolist():
            reading = regression.readings[place]
            if same_lit is None or reading.lit == same_lit:
                probe = self.place_of[reading.probe]
                sign = 1.0 if self.probes[probe] == reading.probe else -1.0
                shown_v[probe] = sign * reading.value

    def _island_v(
        self, lit: LitSet, row: int, island: int, regression: ReadingRegression | None
    ) -> float:
        """Return the volts between the rails of cut-off copper at one of its voltages. [V]

        Args:
            lit: strands lit.
            row: index of the sample.
            island: which of `ISLAND_SUPPLY_SHARES`.
            regression: on earlier readings; one between these rails replaces the assumed share.
        """
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
            return ISLAND_SUPPLY_SHARES[island] * supply_v
        same = [reading for reading in read if reading.lit == lit]
        if same:
            return same[-1].value
        offset_v = (island - 1) * ISLAND_LIT_SHARE * supply_v
        return float(np.clip(read[-1].value + offset_v, 0.0, supply_v))

    def with_exact_solutions(
        self, off_sd: FloatArray, lit: LitSet, probe: Probe, samples: FaultSamples
    ) -> FloatArray:
        """Return one probe's forecast with exact solutions for faults that make nodes nonlinear.

        Unlikely samples, pairs, and requests beyond the solve budget keep their estimate.

        Args:
            off_sd: result of `forecast` for this probe, shape (samples,).
            lit: strands lit; `forecast` was last called for it with the same evidence.
            probe: the probe.
            samples: the fault samples.

        Returns:
            In standard deviations of the probe, shape (samples,).
        """
        healthy, row = self.probe_forecast(lit), self.place_of[probe]
        if any(one.lit == lit and one.probe.points == probe.points for one in self._readings):
            return off_sd  # `PredictedReadings.repeated_mean` is exact already
        nonlinear, units = self.responses.base(lit).nonlinear, solve_units(self.responses.design)
        exact = off_sd.copy()
        for place, (joint, column) in enumerate(zip(samples.joint, samples.column, strict=True)):
            if joint < 0 or samples.other[place] >= 0 or not nonlinear[joint, column]:
                continue
            if samples.island[place] >= 0 and self._floating_leads(int(joint))[row].any():
                continue
            if samples.weight[place] < MIN_EXACT_PROBABILITY:
                continue
            name = self.responses.space.joints[joint].name
            circuit = (self._conditional_key, name, int(column), lit)
            if not self._budget.try_charge((circuit,), units):
                continue
            solution = self.responses.exact(name, int(column), lit)
            volts = solution.volts(probe)
            if solution.circuit.cut_off.any():
                (taps,) = taps_of(solution.circuit, [Reading(lit, probe, 0.0)])
                volts += float(half_data_loss(self.responses, solution, taps)[0])
            estimate_v = (
                healthy.value[row]
                + healthy.per_amp[joint, row] * healthy.compensating_a[joint, column]
            )
            exact[place] += (volts - estimate_v) / self._sd_v[lit][row]
        return exact


class ForecasterCache:
    """Forecasters under one tolerance assumption, cached by meter while no fault is given."""

    def __init__(self, tolerances: Tolerances) -> None:
        self._tolerances = tolerances
        self.by_meter: dict[Meter, Forecaster] = {}
        self._probe_times: ProbeTimes | None = None

    def of(self, conditional: ConditionalEvidence) -> Forecaster:
        """Return the forecaster for conditional evidence."""
        meter = conditional.case.meter
        if not conditional.given and meter in self.by_meter:
            return self.by_meter[meter]
        made = Forecaster(conditional.responses, meter, self._tolerances, self._probe_times)
        self._probe_times = made.probe_times
        if not conditional.given:
            self.by_meter[meter] = made
        return made

    def forget(self, max_octets: int) -> int:
        """Drop all but the last `MAX_CACHED_METERS` meters, and forecasts beyond a limit of memory.

        Args:
            max_octets: memory that the rest may use.

        Returns:
            Memory that the rest uses.
        """
        for meter in list(self.by_meter)[:-MAX_CACHED_METERS]:
            del self.by_meter[meter]
        used = 0
        for forecaster in reversed(self.by_meter.values()):
            used += forecaster.forget(max_octets - used)
        return used
