"""One set of readings, their Gaussian model on a prop without faults, and their density."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution, solve_unloaded
from benchtest.circuit.tolerance import (
    HAND_SOLDERED,
    Spread,
    Tolerances,
    cause_names,
    sensitivities,
)
from benchtest.diagnosis.likelihood.covariance_terms import CovarianceTerms
from benchtest.diagnosis.likelihood.measurement import (
    Noise,
    TapEffects,
    Taps,
    in_reading_order,
    island_covariance,
    island_leads,
    lit_set_of,
    read_at,
    tap_effects,
)
from benchtest.diagnosis.likelihood.robust_gaussian import log_likelihood
from benchtest.diagnosis.likelihood.undervoltage import half_of_data_lost, nonlinearity_sd
from benchtest.diagnosis.model.fault_response import CELL_SD, DesignResponse
from benchtest.diagnosis.model.node_variation import spread_of_unit
from benchtest.diagnosis.model.wiring_faults import (
    LEAKED_SD_V,
    REPEATED_SD_V,
    SHORTED_SD_V,
    DeadCopper,
)
from benchtest.diagnosis.solve_budget import SolveBudget, solve_units


class ReadingModel:
    """Readings of one unit, and their Gaussian model on the prop without faults."""

    def __init__(
        self,
        responses: DesignResponse,
        groups: Sequence[Taps],
        values: FloatArray,
        noise: Noise,
        tolerances: Tolerances = HAND_SOLDERED,
    ) -> None:
        self.responses = responses
        self.values = values
        self.noise = noise
        self.islands = _given_islands(responses, groups)
        self.tolerances = tolerances
        self.floating: dict[tuple[int, int], tuple[int, ...]] = {}
        """Readings on copper that a fault cuts off, by joint and place in the grid."""
        self.estimated: set[int] = set()
        """Joints of which nothing is solved, for the work that it would be."""
        self.given = frozenset(responses.given)
        self.slip_per_v = 0.5 / float(responses.circuit.supply_v.max())
        self.effects = [tap_effects(responses, taps, tolerances) for taps in groups]
        self.budget = SolveBudget.of(responses.design)
        """Budget shared by this conditional evidence and all others of the finding."""
        self.conditional: Hashable = None
        """What is taken for given, for telling what was solved for it."""
        self.best = -np.inf
        """Logarithm of the best likelihood met so far, here or on another footing."""
        self.best_here = -np.inf
        """The same of what was worked out on this footing, not estimated."""
        self.rows = np.concatenate([np.array(taps.rows, dtype=np.intp) for taps in groups])
        self.unsure = np.zeros(len(values))
        """Half of what data move that may or may not pass nodes that given faults leave dark."""
        if self.given:
            halves = [half_of_data_lost(responses, e.base.solution, e.taps) for e in self.effects]
            self.unsure = self.in_reading_order(halves, axis=0)
            self.islands = self.islands + np.outer(self.unsure, self.unsure)
        doubts = [self._nonlinearity_sd(effect) for effect in self.effects]
        if any(each.any() for each in doubts):
            own = np.hypot(self.noise.own, self.in_reading_order(doubts, axis=0))
            self.noise = Noise(own, self.noise.gain)

    def _nonlinearity_sd(self, effect: TapEffects) -> FloatArray:
        def moved() -> FloatArray:
            current = self.tolerances.current * effect.load.sum(axis=0)
            return np.vstack([current, effect.law.T @ effect.read.per_amp])

        return nonlinearity_sd(self.responses, effect.taps.lit, effect.value, moved)

    def in_reading_order(self, parts: list[FloatArray], axis: int) -> FloatArray:
        """Lit sets' parts joined and put back into the order of the readings."""
        return in_reading_order(self.effects, parts, axis)

    def healthy_mean(self) -> FloatArray:
        """Readings of a healthy unit, shape (readings,)."""
        return (
            self.in_reading_order([effect.value for effect in self.effects], axis=0) + self.unsure
        )

    @cached_property
    def lit_of(self) -> IndexArray:
        """Place of each reading's lit set in `effects`, shape (readings,)."""
        return lit_set_of(self.effects)

    @cached_property
    def covariance_terms(self) -> CovarianceTerms:
        """What covariances under every joint's fault are made of."""
        return CovarianceTerms(self.responses, self.effects, self.tolerances)

    @cached_property
    def across(self) -> IndexArray:
        """Place of the joint that each reading is taken across; -1 of others, shape (readings,)."""
        names = self.responses.space.joints
        place_of = {joint.probe: n for n, joint in enumerate(names) if not joint.is_fuse}
        readings = [reading for effect in self.effects for reading in effect.taps.readings]
        places = [-1 if r.volts is None else place_of.get(r.probe, -1) for r in readings]
        return np.array(places, dtype=np.intp)[np.argsort(self.rows)]

    def density(self, mean: FloatArray, covariance: FloatArray, joint: int = -1) -> FloatArray:
        """Logarithm of the readings' density; see `gauss.log_likelihood`.

        Args:
            mean: what they should be, shape (..., readings).
            covariance: shape (..., readings, readings).
            joint: the joint at fault, whose resistance is known, by its place; -1 where none is.

        Returns:
            Shape (...,).
        """
        healthy = (self.across >= 0) & (self.across != joint)
        across_v = mean * healthy if healthy.any() else None
        return log_likelihood(self.values - mean, covariance, self.slip_per_v, across_v)

    def density_of_many(
        self, mean: FloatArray, covariance: FloatArray, joints: NDArray[np.intp]
    ) -> FloatArray:
        """Return `density` of rows that have a joint at fault each, (rows,)."""
        healthy = (self.across >= 0) & (self.across != joints[:, None])
        across_v = mean * healthy if healthy.any() else None
        return log_likelihood(self.values - mean, covariance, self.slip_per_v, across_v)

    @cached_property
    def healthy_sd(self) -> FloatArray:
        """Standard deviation of a healthy unit's readings, shape (readings,)."""
        return np.asarray(np.sqrt(np.diag(self.healthy_covariance)))

    @cached_property
    def unloaded(self) -> FloatArray:
        """What the readings would be if no node drew anything, shape (readings,)."""
        solution = solve_unloaded(self.responses.circuit)
        return self.in_reading_order(
            [read_at(solution, effect.taps) for effect in self.effects], axis=0
        )

    @cached_property
    def loaded(self) -> FloatArray:
        """Change of a healthy unit's readings per share of node current, shape (readings,)."""
        return self.in_reading_order([effect.load.sum(axis=0) for effect in self.effects], axis=0)

    @cached_property
    def healthy_spread(self) -> Spread:
        """What the tolerances do to the readings of a healthy unit."""
        return self.joined_spreads(
            [self.spread_at(e.base.solution, e.taps, self.given) for e in self.effects]
        )

    def spread_at(self, solution: Solution, taps: Taps, known: frozenset[str]) -> Spread:
        """What the tolerances do to the taps of one lit set at a solution."""
        read = sensitivities(solution.circuit, solution.factor, taps.columns, taps.per_supply)
        return spread_of_unit(solution, read, self.tolerances, known, CELL_SD)

    def joined_spreads(self, parts: list[Spread]) -> Spread:
        """Spreads of the lit sets as one, in the order of the readings."""
        return Spread(
            self.in_reading_order([part.shared for part in parts], axis=0),
            self.in_reading_order([part.nodes for part in parts], axis=0),
        )

    def covariance(self, spread: Spread, mean: FloatArray) -> FloatArray:
        """Covariance of the readings, errors of reading included, shape (n, n)."""
        return spread.covariance() + self.reading_errors(mean)

    def reading_errors(self, mean: FloatArray) -> FloatArray:
        """Covariance from the meter alone, shape (..., n, n)."""
        gained = self.noise.gain * mean
        errors = gained[..., :, None] * gained[..., None, :]
        own = np.arange(len(self.values))
        errors[..., own, own] += self.noise.own**2
        return np.asarray(errors + self.islands)

    @cached_property
    def healthy_covariance(self) -> FloatArray:
        """Covariance of a healthy unit's readings, shape (readings, readings)."""
        return self.covariance(self.healthy_spread, self.healthy_mean())

    def per_log_ohm(self, names: Sequence[str]) -> FloatArray:
        """Change of the readings with the logarithm of given joints' resistances, (n, names)."""
        circuit = self.responses.circuit
        causes = cause_names(circuit.design)
        columns = [causes.index(f"joint {name}") for name in names]
        return self.healthy_spread.shared[:, columns] / CELL_SD

    def record_best(self, likelihood: float) -> None:
        """Keep the best likelihood that was worked out."""
        self.best_here = max(self.best_here, likelihood)
        self.best = max(self.best, likelihood)

    def dead(self, shorted: DeadCopper) -> float:
        """Return the logarithm of the readings' likelihood where copper has no volts.

        Supplies with constant-current limiting leave the same volts each time, supplies in hiccup
        mode leave others at each reading. Common practice, no source: both alike likely.
        """
        steady = self.density(*self.dead_short(shorted))
        unsteady = self.density(*self.dead_short(shorted, is_steady=False))
        return float(np.logaddexp(steady, unsteady) - np.log(2.0))

    def dark_from(self, joint: int) -> FloatArray:
        """Return the change of readings if a joint's strand and all strands after it stay dark."""
        strands = {str(strand) for strand in self.responses.space.joints[joint].strands}
        chain = self.responses.space.chain
        mine = [n for n, f in enumerate(chain) if f.kind == "reversed" and f.where in strands]
        if not mine:
            return np.zeros(len(self.values))
        last = max(mine, key=lambda place: chain[place].start)
        return np.asarray(self.chain_mean[last] - self.healthy_mean())

    @cached_property
    def chain_mean(self) -> FloatArray:
        """Readings under each fault of the data line or a node, shape (chain faults, readings)."""
        space, circuit = self.responses.space, self.responses.circuit
        starts = np.array([fault.start for fault in space.chain], dtype=np.intp)
        stops = np.array([fault.stop for fault in space.chain], dtype=np.intp)
        means = []
        for effect in self.effects:
            part = np.zeros((circuit.design.node_count, effect.load.shape[1]))
            part[circuit.loaded] = effect.load * self._lit_share(effect)[:, None]
            upto = np.vstack([np.zeros(part.shape[1]), np.cumsum(part[space.order], axis=0)])
            mean = effect.value - (upto[stops] - upto[starts])
            means.append(mean + self._remapped_v(effect))
        return self.in_reading_order(means, axis=1) + self.unsure

    def _remapped_v(self, effect: TapEffects) -> FloatArray:
        """What strands that light in place of others move, shape (chain faults, taps)."""
        chain, loaded = self.responses.space.chain, self.responses.circuit.loaded
        per_amp = np.zeros((self.responses.design.node_count, effect.load.shape[1]))
        per_amp[loaded] = effect.read.per_amp
        moved = np.zeros((len(chain), per_amp.shape[1]))
        for number, nodes, extra in effect.base.remapped_a:
            moved[number] = extra @ per_amp[nodes]
        return moved

    @cached_property
    def same_probe(self) -> FloatArray:
        """Pairs of readings at one probe: 1, with leads exchanged -1, else 0; shape (n, n)."""
        readings = [reading for effect in self.effects for reading in effect.taps.readings]
        keys = [(one.volts is None, one.probe) for one in readings]
        turned = [(one.volts is None, one.probe.reversed) for one in readings]
        place_of = {key: place for place, key in enumerate(dict.fromkeys(keys))}
        own = np.array([place_of[key] for key in keys])
        other = np.array([place_of.get(key, -1) for key in turned])
        found = 1.0 * (own[:, None] == own) - 1.0 * (own[:, None] == other)
        order = np.argsort(self.rows)
        return np.asarray(found[np.ix_(order, order)])

    def dead_short(
        self, shorted: DeadCopper, *, is_steady: bool = True
    ) -> tuple[FloatArray, FloatArray]:
        """Return the readings and their covariance where copper has no volts.

        Args:
            shorted: the copper.
            is_steady: whether each probe shows the same whenever it is read. The volts that a short
                leaves are then one unknown of the unit for each probe, but for `REPEATED_SD_V`.
        """
        readings = [reading for effect in self.effects for reading in effect.taps.readings]
        order = np.argsort(self.rows)
        taken = np.array([shorted.has_lead(reading.probe) for reading in readings])[order]
        clamped = np.array([reading.volts is None for reading in readings])[order]
        left = np.where(taken, np.where(clamped, shorted.amps_sd, SHORTED_SD_V), 0.0)
        if not shorted.amps_sd:  # no supply drives a current along the copper
            along = np.array([shorted.is_along_rail(reading.probe) for reading in readings])[order]
            left[along] = LEAKED_SD_V
        covariance = np.where(taken[:, None] | taken, 0.0, self.healthy_covariance)
        covariance += np.outer(left, left) * (self.same_probe if is_steady else np.eye(len(left)))
        again_v = np.where(clamped, 0.0, np.minimum(left, REPEATED_SD_V) if is_steady else 0.0)
        own = np.hypot(self.noise.own, again_v)
        covariance[taken, taken] += own[taken] ** 2
        return np.where(taken, self._beyond_v(shorted), self._dark_behind(shorted)), covariance

    def _dark_behind(self, shorted: DeadCopper) -> FloatArray:
        """Return readings where no data pass dead copper on to copper with volts, (readings,)."""
        for place, fault in enumerate(self.responses.space.chain):
            if fault.shorted is not None and fault.shorted.strands == shorted.strands:
                return np.asarray(self.chain_mean[place])
        return self.healthy_mean()

    def _beyond_v(self, shorted: DeadCopper) -> FloatArray:
        """Return what a lead that is not on dead copper adds to each reading, (readings,). [V]

        Both rails of dead copper are near the return that all supplies have in common.
        """
        parts = []
        for effect in self.effects:
            point_v = effect.base.solution.point_v
            probes = [reading.probe for reading in effect.taps.readings]
            red, black = self.responses.circuit.netlist.leads(probes)
            dead_red = np.array([shorted.contains(probe.red.place) for probe in probes])
            dead_black = np.array([shorted.contains(probe.black.place) for probe in probes])
            red_v = np.where(dead_red, 0.0, point_v[red])
            parts.append(red_v - np.where(dead_black, 0.0, point_v[black]))
        clamped = [reading.volts is None for e in self.effects for reading in e.taps.readings]
        beyond_v = self.in_reading_order(parts, axis=0)
        return np.where(np.array(clamped)[np.argsort(self.rows)], 0.0, beyond_v)

    def _lit_share(self, effect: TapEffects) -> FloatArray:
        """Share of each loaded node's current that goes when it stays dark."""
        solution = effect.base.solution
        loaded, kind = solution.circuit.loaded, solution.circuit.design.node
        dark = node_loads(kind, solution.node_v[loaded], np.zeros_like(solution.duty[loaded]))
        drawn_a = solution.load_a
        return np.asarray(1.0 - dark.node_a / np.where(drawn_a > 0.0, drawn_a, np.inf))

    def may_solve(self, joint: int, columns: Sequence[int]) -> bool:
        """True where a joint may be solved at these resistances."""
        circuits = tuple((self.conditional, joint, column) for column in columns)
        return self.budget.allows(circuits, self.solve_units)

    @property
    def solve_units(self) -> int:
        """Cost of one fault solved under every lit set of the readings."""
        return len(self.effects) * solve_units(self.responses.design)

    def take(self, joint: int, column: int) -> None:
        """A joint is solved at a resistance."""
        self.budget.take((self.conditional, joint, column), self.solve_units)


def _given_islands(responses: DesignResponse, groups: Sequence[Taps]) -> FloatArray | float:
    """Return `island_covariance` of copper that the given faults cut off; 0 without any."""
    circuit = responses.circuit
    if not circuit.floating.any():
        return 0.0
    leads = [island_leads(circuit, taps.readings) for taps in groups]
    return island_covariance(leads, [taps.rows for taps in groups], float(circuit.supply_v.max()))
