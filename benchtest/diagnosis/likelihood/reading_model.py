"""Gaussian model of one set of readings without further faults, and the density of predictions.

Readings of a prop whose nodes lack voltage have an uncertainty of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution, solve_unloaded
from benchtest.circuit.tolerance import (
    HAND_SOLDERED,
    HIGH_JOINT_FACTOR,
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
    noise_of,
    read_at,
    tap_effects,
    taps_of,
    values_of,
)
from benchtest.diagnosis.likelihood.robust_gaussian import log_likelihood
from benchtest.diagnosis.model.fault_response import CELL_SD, DesignResponse
from benchtest.diagnosis.model.node_variation import headroom_sd_v, spread_of_unit
from benchtest.diagnosis.model.wiring_faults import (
    LEAKED_SD_A,
    REPEATED_SD_V,
    SHORTED_SD_V,
    DeadCopper,
)
from benchtest.diagnosis.solve_budget import SolveBudget, solve_units
from benchtest.diagnosis.thresholds import MAX_HEADROOM_SD
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.lit_set import LitSet

CURVED_SHARE = 0.15
"""Standard deviation of what linear tolerances miss near the end of headroom, as a share of the
effect of node current and of the nodes' I-V figures. Ours, from units built at random."""
BROWNOUT_BAND_V = 0.6
"""Band above a kind's `logic_v` in which logic may stop: 2.7 to 3.3 V. [V] From memory."""
BROWNOUT_SD_V = 1.2
"""Standard deviation of a rail reading while nodes drop out and restart. [V] Ours."""


def nonlinearity_sd(
    responses: DesignResponse, lit: LitSet, value: FloatArray, moved: Callable[[], FloatArray]
) -> FloatArray:
    """Return the additional standard deviation of readings under a lit set with undervoltage.

    It depends on the healthy prop: a lit set that leaves enough voltage there has none.

    Args:
        responses: the design, with or without given faults.
        lit: strands lit.
        value: expected readings, shape (readings,). [V, or A]
        moved: returns the effect on each reading of one standard deviation of node current and of
            each cause of `node_variation_a`, shape (causes, readings). [V, or A]

    Returns:
        Independent standard deviation of each reading, shape (readings,). [V, or A]
    """
    healthy = responses.fault_free or responses
    solution, kind = healthy.solution(lit), responses.design.node
    lit_v = solution.node_v[solution.duty.any(axis=1)].min(initial=np.inf)
    margin_v = MAX_HEADROOM_SD * headroom_sd_v(kind)
    found = np.zeros(len(value))
    if margin_v and lit_v < max(kind.full_v.values()) + margin_v:
        found = CURVED_SHARE * np.sqrt((moved() ** 2).sum(axis=0))
    if solution.node_v.min() < kind.logic_v + BROWNOUT_BAND_V:
        return np.maximum(np.maximum(BROWNOUT_SD_V, np.abs(value)), found)
    return found


def half_data_loss(responses: DesignResponse, solution: Solution, taps: Taps) -> FloatArray:
    """Return half the change of readings if data does not pass nodes without voltage.

    Both are possible: disconnected logic may run on its data line's leakage, and dropped-out nodes
    restart between two frames. Readings are predicted midway, with this change as the standard
    deviation of a cause that all share.

    Args:
        responses: the design, with or without given faults.
        solution: operating point, with data passed on.
        taps: readings of one lit set.

    Returns:
        Shape (taps,); 0 if no lit node follows such nodes. [V, or A]
    """
    circuit, order = solution.circuit, responses.space.order
    without_logic = circuit.cut_off | (
        responses.visible_v(taps.lit, solution) < circuit.design.node.logic_v
    )
    positions = np.flatnonzero(without_logic[order])
    if not len(positions):
        return np.zeros(len(taps.rows))
    duty = responses.duty(taps.lit)
    after = np.zeros(len(order), dtype=bool)
    after[order[positions[0] :]] = True
    after &= duty.any(axis=1) & ~without_logic
    if not after.any():
        return np.zeros(len(taps.rows))
    loaded = circuit.loaded
    volts, kind = solution.node_v[loaded], circuit.design.node
    lit_a = node_loads(kind, volts, duty[loaded]).node_a
    lost_a = lit_a - node_loads(kind, volts, np.zeros_like(duty[loaded])).node_a
    lost_a = np.where(after[loaded], lost_a, 0.0)
    read = sensitivities(circuit, solution.factor, taps.columns, taps.per_supply)
    return np.asarray(-0.5 * lost_a @ read.per_amp)


MISREAD_SHARE = 0.1
"""Share of slips that are misread digits. Behind the blown fuse of the only feed, a lead on the
wrong pad shows no voltage either. Common practice, no source."""


class ReadingModel:
    """Gaussian model of one set of readings on the prop without faults, or with given ones.

    Readings are Gaussian around the circuit's answer. Node current, wire, copper, supplies and the
    meter's gain are single unknowns that all readings share; healthy joints and nodes have their
    own. All are integrated out exactly.

    Attributes:
        responses: the prop without faults, or with the given ones.
        values: measured values, shape (readings,). [V, or A]
        noise: errors of reading, those from undervoltage included.
        tolerances: of the unit.
        effects: values and sensitivities for each lit set.
        given: names of the joints given as faulty.
        conditional: key of the given faults in requests to the budget.
        budget: budget of the finding, shared with its other conditional evidence.
        slip_per_v: density of a reading that is a slip. [1/V]
        islands: covariance from copper that given faults cut off, shape (readings, readings), or
            0. [V²]
        data_loss: half the change of readings if data does not pass nodes that given faults leave
            without voltage, shape (readings,). [V, or A]
        estimated: joints whose nonlinear readings remain estimates, for lack of budget.
        open_solved: estimated joints that are solved when open, without regard to the budget.
        floating: readings on copper that a fault cuts off, by joint and column.
        best: highest log likelihood computed so far, here or with other given faults.
        best_here: highest log likelihood computed here, estimates not included.
    """

    def __init__(
        self,
        responses: DesignResponse,
        readings: Sequence[Reading],
        meter: Meter,
        tolerances: Tolerances = HAND_SOLDERED,
    ) -> None:
        """Predict the readings without a further fault.

        Args:
            responses: the prop without faults, or with given ones.
            readings: one or more.
            meter: of readings that name none.
            tolerances: of the unit.
        """
        groups = taps_of(responses.circuit, readings)
        self.responses = responses
        self.values = values_of(readings)
        beyond = np.array([one.beyond for one in readings], dtype=bool)
        self._bounds = np.where(beyond, np.where(self.values >= 0.0, 1.0, -1.0), 0.0)
        self.noise = noise_of(readings, meter)
        self.tolerances = tolerances
        self.effects = [tap_effects(responses, taps, tolerances) for taps in groups]
        self.given = frozenset(responses.given)
        self.conditional: Hashable = None
        self.budget = SolveBudget.of(responses.design)
        self.slip_per_v = 0.5 / float(responses.circuit.supply_v.max())
        self.islands = _given_islands(responses, groups)
        self.data_loss = np.zeros(len(readings))
        self.estimated: set[int] = set()
        self.open_solved: set[int] = set()
        self.floating: dict[tuple[int, int], tuple[int, ...]] = {}
        self.best = -np.inf
        self.best_here = -np.inf
        self.rows = np.concatenate([np.array(taps.rows, dtype=np.intp) for taps in groups])
        if self.given:
            losses = [half_data_loss(responses, e.base.solution, e.taps) for e in self.effects]
            self.data_loss = self.in_reading_order(losses, axis=0)
            self.islands = self.islands + np.outer(self.data_loss, self.data_loss)
        nonlinearity = [self._nonlinearity_sd(effect) for effect in self.effects]
        if any(each.any() for each in nonlinearity):
            own = np.hypot(self.noise.own, self.in_reading_order(nonlinearity, axis=0))
            self.noise = Noise(own, self.noise.gain)

    def _nonlinearity_sd(self, effect: TapEffects) -> FloatArray:
        def moved() -> FloatArray:
            current = self.tolerances.current * effect.load.sum(axis=0)
            return np.vstack([current, effect.variation_a.T @ effect.read.per_amp])

        return nonlinearity_sd(self.responses, effect.taps.lit, effect.value, moved)

    def in_reading_order(self, parts: list[FloatArray], axis: int) -> FloatArray:
        """Return an array for all readings from one array for each lit set."""
        return in_reading_order(self.effects, parts, axis)

    def healthy_mean(self) -> FloatArray:
        """Return the readings of a healthy unit, shape (readings,). [V, or A]"""
        return (
            self.in_reading_order([effect.value for effect in self.effects], axis=0)
            + self.data_loss
        )

    @cached_property
    def lit_of(self) -> IndexArray:
        """Index in `effects` of each reading's lit set, shape (readings,)."""
        return lit_set_of(self.effects)

    @cached_property
    def covariance_terms(self) -> CovarianceTerms:
        """Sums from which the covariance under every joint's fault follows."""
        return CovarianceTerms(self.responses, self.effects, self.tolerances)

    @cached_property
    def across(self) -> IndexArray:
        """Index of the joint that each reading spans, -1 for others, shape (readings,)."""
        names = self.responses.space.joints
        place_of = {joint.probe: n for n, joint in enumerate(names) if not joint.is_fuse}
        readings = [reading for effect in self.effects for reading in effect.taps.readings]
        places = [-1 if r.volts is None else place_of.get(r.probe, -1) for r in readings]
        return np.array(places, dtype=np.intp)[np.argsort(self.rows)]

    @cached_property
    def high_joint_effects(self) -> dict[int, FloatArray]:
        """Effects on the readings of the joints in the upper tail, beyond those of usual joints.

        One more standard deviation of each, by index in the fault space, shape (readings,). [V]
        """
        names = [joint.name for joint in self.responses.space.joints]
        causes = cause_names(self.responses.design)
        share = np.sqrt(1.0 - HIGH_JOINT_FACTOR**-2.0)
        return {
            names.index(name): share * self.healthy_spread.shared[:, causes.index(f"joint {name}")]
            for name in sorted(self.tolerances.high_joints & set(names))
        }

    def log_density(
        self,
        mean: FloatArray,
        covariance: FloatArray,
        joint: int = -1,
        *,
        slip_share: float = 1.0,
    ) -> FloatArray:
        """Return the log density of the readings; see `robust_gaussian.log_likelihood`.

        Args:
            mean: predicted readings, shape (..., readings). [V, or A]
            covariance: shape (..., readings, readings).
            joint: index of the faulty joint, whose resistance is known; -1 without a fault.
            slip_share: share of slips that are possible.

        Returns:
            Shape (...,).
        """
        healthy = self.across_usual & (self.across != joint)
        across_v = mean * healthy if healthy.any() else None
        slip_per_v = slip_share * self.slip_per_v
        return log_likelihood(self.residuals(mean), covariance, slip_per_v, across_v)

    def log_density_of_rows(
        self, mean: FloatArray, covariance: FloatArray, joints: NDArray[np.intp]
    ) -> FloatArray:
        """Return `log_density` of rows that each have one faulty joint, shape (rows,).

        Args:
            mean: predicted readings, shape (rows, readings). [V, or A]
            covariance: shape (rows, readings, readings).
            joints: index of each row's faulty joint, shape (rows,).
        """
        healthy = self.across_usual & (self.across != joints[:, None])
        across_v = mean * healthy if healthy.any() else None
        off = self.residuals(mean)
        return log_likelihood(off, covariance, self.slip_per_v, across_v)

    def residuals(self, mean: FloatArray) -> FloatArray:
        """Return measured less predicted, shape (..., readings). [V, or A]

        A reading that is the end of a range differs only from predictions within that range: its
        density is that of the best value beyond the end.

        Args:
            mean: predicted readings, shape (..., readings). [V, or A]
        """
        off = self.values - mean
        if not self._bounds.any():
            return np.asarray(off)
        return np.asarray(np.where(self._bounds * off < 0.0, 0.0, off))

    @cached_property
    def across_usual(self) -> NDArray[np.bool_]:
        """True for readings across a joint that is not known to be high, shape (readings,)."""
        return (self.across >= 0) & ~np.isin(self.across, list(self.high_joint_effects))

    @cached_property
    def healthy_sd(self) -> FloatArray:
        """Standard deviation of a healthy unit's readings, shape (readings,). [V, or A]"""
        return np.asarray(np.sqrt(np.diag(self.healthy_covariance)))

    @cached_property
    def unloaded_v(self) -> FloatArray:
        """Readings if no node drew current, shape (readings,). [V, or A]"""
        solution = solve_unloaded(self.responses.circuit)
        return self.in_reading_order(
            [read_at(solution, effect.taps) for effect in self.effects], axis=0
        )

    @cached_property
    def per_current(self) -> FloatArray:
        """Change of healthy readings per relative change of all node currents, (readings,)."""
        return self.in_reading_order([effect.load.sum(axis=0) for effect in self.effects], axis=0)

    @cached_property
    def healthy_spread(self) -> Spread:
        """Effects of the tolerances on the readings of a healthy unit."""
        return self.joined_spreads(
            [self.spread_at(e.base.solution, e.taps, self.given) for e in self.effects]
        )

    def spread_at(self, solution: Solution, taps: Taps, known: frozenset[str]) -> Spread:
        """Return the effects of the tolerances on the taps of one lit set at a solution.

        Args:
            solution: circuit and operating point.
            taps: readings of the lit set, as taps of that circuit.
            known: names of the joints whose resistance is given.
        """
        read = sensitivities(solution.circuit, solution.factor, taps.columns, taps.per_supply)
        return spread_of_unit(solution, read, self.tolerances, known, CELL_SD)

    def joined_spreads(self, parts: list[Spread]) -> Spread:
        """Return the spreads of all lit sets as one, in the order of the readings."""
        return Spread(
            self.in_reading_order([part.shared for part in parts], axis=0),
            self.in_reading_order([part.nodes for part in parts], axis=0),
        )

    def covariance(self, spread: Spread, mean: FloatArray) -> FloatArray:
        """Return the covariance of readings with errors of reading, (readings, readings)."""
        return spread.covariance() + self.reading_errors(mean)

    def reading_errors(self, mean: FloatArray) -> FloatArray:
        """Return the covariance from the meter and given open joints, (..., readings, readings).

        Args:
            mean: predicted readings, shape (..., readings). [V, or A]
        """
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
        """Return the derivative of readings by log resistances, shape (readings, names)."""
        circuit = self.responses.circuit
        causes = cause_names(circuit.design)
        columns = [causes.index(f"joint {name}") for name in names]
        return self.healthy_spread.shared[:, columns] / CELL_SD

    def record_best(self, likelihood: float) -> None:
        """Update `best` and `best_here` with a log likelihood that is not an estimate."""
        self.best_here = max(self.best_here, likelihood)
        self.best = max(self.best, likelihood)

    def dead_log_likelihood(self, shorted: DeadCopper) -> float:
        """Return the log likelihood of the readings if copper has no voltage.

        Supplies with constant-current limiting leave the same voltage each time, supplies in hiccup
        mode another one at each reading. Common practice, no source: both equally likely.
        """
        modes = [self.dead_short(shorted, is_steady=is_steady) for is_steady in (True, False)]
        slip_share = 1.0
        if not shorted.amps_sd and len(shorted.strands) == len(self.responses.design.strands):
            slip_share = MISREAD_SHARE
        found = [self.log_density(*mode, slip_share=slip_share) for mode in modes]
        return float(np.logaddexp(*found) - np.log(2.0))

    def dark_from(self, joint: int) -> FloatArray:
        """Return the change of readings if a joint's strand and all strands after it are dark.

        Shape (readings,); 0 for a joint of no strand.
        """
        strands = {str(strand) for strand in self.responses.space.joints[joint].strands}
        chain = self.responses.space.chain
        faults = [n for n, f in enumerate(chain) if f.kind == "reversed" and f.where in strands]
        if not faults:
            return np.zeros(len(self.values))
        last = max(faults, key=lambda number: chain[number].start)
        return np.asarray(self.chain_mean[last] - self.healthy_mean())

    @cached_property
    def chain_mean(self) -> FloatArray:
        """Readings under each fault of `FaultSpace.chain`, (chain faults, readings).

        Dark nodes no longer draw their current, but change no path of the others'. [V, or A]
        """
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
        return self.in_reading_order(means, axis=1) + self.data_loss

    def _remapped_v(self, effect: TapEffects) -> FloatArray:
        """Return the change of readings by remapped data, shape (chain faults, taps). [V, or A]"""
        chain, loaded = self.responses.space.chain, self.responses.circuit.loaded
        per_amp = np.zeros((self.responses.design.node_count, effect.load.shape[1]))
        per_amp[loaded] = effect.read.per_amp
        moved = np.zeros((len(chain), per_amp.shape[1]))
        for number, nodes, extra in effect.base.remapped_a:
            moved[number] = extra @ per_amp[nodes]
        return moved

    @cached_property
    def same_probe(self) -> FloatArray:
        """1 for pairs of readings at one probe, -1 if reversed, else 0, (readings, readings)."""
        readings = [reading for effect in self.effects for reading in effect.taps.readings]
        keys = [(reading.volts is None, reading.probe) for reading in readings]
        turned = [(reading.volts is None, reading.probe.reversed) for reading in readings]
        place_of = {key: place for place, key in enumerate(dict.fromkeys(keys))}
        probe = np.array([place_of[key] for key in keys])
        opposite = np.array([place_of.get(key, -1) for key in turned])
        found = 1.0 * (probe[:, None] == probe) - 1.0 * (probe[:, None] == opposite)
        order = np.argsort(self.rows)
        return np.asarray(found[np.ix_(order, order)])

    @cached_property
    def _between_leads_ohm(self) -> FloatArray:
        """Resistance of the copper between the leads of each reading, shape (readings,). [Ω]

        Unbounded where given faults cut copper off: the circuit without loads is singular then.
        """
        circuit = self.responses.circuit
        if circuit.floating.any():
            return np.full(len(self.values), np.inf)
        factor = circuit.factor
        columns = [effect.taps.columns for effect in self.effects]
        ohms = [np.einsum("ut,ut->t", each, factor.solve(each)) for each in columns]
        return self.in_reading_order(ohms, axis=0)

    def dead_short(
        self, shorted: DeadCopper, *, is_steady: bool = True
    ) -> tuple[FloatArray, FloatArray]:
        """Return the readings and their covariance if copper has no voltage.

        Args:
            shorted: the copper.
            is_steady: True if each probe shows the same at every reading: the voltage left by the
                short is then one unknown of the unit for each probe, apart from `REPEATED_SD_V`.

        Returns:
            Shapes (readings,) and (readings, readings).
        """
        readings = [reading for effect in self.effects for reading in effect.taps.readings]
        order = np.argsort(self.rows)
        on_dead = np.array([shorted.has_lead(reading.probe) for reading in readings])[order]
        clamped = np.array([reading.volts is None for reading in readings])[order]
        left = np.where(on_dead, np.where(clamped, shorted.amps_sd, SHORTED_SD_V), 0.0)
        if not shorted.amps_sd:  # no supply drives a current along the copper
            along = np.array([shorted.is_along_rail(reading.probe) for reading in readings])[order]
            leaked_v = np.clip(LEAKED_SD_A * self._between_leads_ohm, 0.0, SHORTED_SD_V)
            left[along] = leaked_v[along]
        covariance = np.where(on_dead[:, None] | on_dead, 0.0, self.healthy_covariance)
        covariance += np.outer(left, left) * (self.same_probe if is_steady else np.eye(len(left)))
        repeat_v = np.where(clamped, 0.0, np.minimum(left, REPEATED_SD_V) if is_steady else 0.0)
        own = np.hypot(self.noise.own, repeat_v)
        covariance[on_dead, on_dead] += own[on_dead] ** 2
        return np.where(on_dead, self._beyond_v(shorted), self._dark_behind(shorted)), covariance

    def _dark_behind(self, shorted: DeadCopper) -> FloatArray:
        """Return readings if dead copper passes no data on, shape (readings,)."""
        for place, fault in enumerate(self.responses.space.chain):
            if fault.shorted is not None and fault.shorted.strands == shorted.strands:
                return np.asarray(self.chain_mean[place])
        return self.healthy_mean()

    def _beyond_v(self, shorted: DeadCopper) -> FloatArray:
        """Return the voltage of each reading's leads that are not on dead copper, (readings,). [V]

        Both rails of dead copper are near the common return of all supplies.
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
        """Return the share of each loaded node's current that is lost when it is dark."""
        solution = effect.base.solution
        loaded, kind = solution.circuit.loaded, solution.circuit.design.node
        dark = node_loads(kind, solution.node_v[loaded], np.zeros_like(solution.duty[loaded]))
        drawn_a = solution.load_a
        return np.asarray(1.0 - dark.node_a / np.where(drawn_a > 0.0, drawn_a, np.inf))

    def may_solve(self, joint: int, columns: Sequence[int]) -> bool:
        """Return True if the budget allows solving a joint at these columns."""
        circuits = tuple((self.conditional, joint, column) for column in columns)
        return self.budget.allows(circuits, self.solve_units)

    @property
    def solve_units(self) -> int:
        """Cost of one fault solved under every lit set of the readings."""
        return len(self.effects) * solve_units(self.responses.design)

    def charge(self, joint: int, column: int) -> None:
        """Charge the budget with one joint solved at one column."""
        self.budget.charge((self.conditional, joint, column), self.solve_units)


def _given_islands(responses: DesignResponse, groups: Sequence[Taps]) -> FloatArray | float:
    """Return `island_covariance` of copper that the given faults cut off; 0 without such copper."""
    circuit = responses.circuit
    if not circuit.floating.any():
        return 0.0
    leads = [island_leads(circuit, taps.readings) for taps in groups]
    return island_covariance(leads, [taps.rows for taps in groups], float(circuit.supply_v.max()))
