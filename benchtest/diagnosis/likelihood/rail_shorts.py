"""Likelihood of readings where rails are shorted by a resistance (solder, a pinched wire, water).

Every pad is tried at a few resistances and current limits of the supply. A short is a rank-one
change of the factored circuit; the current of the loads, and the voltage to which the supply falls,
follow from the mean node voltage, one unknown for each trial. No further circuit is solved.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray, IndexArray
from benchtest.circuit.node_loads import node_loads
from benchtest.circuit.solution import Solution, solve_unloaded
from benchtest.circuit.tolerance import cause_names
from benchtest.diagnosis.likelihood.measurement import TapEffects
from benchtest.diagnosis.likelihood.reading_model import ReadingModel
from benchtest.diagnosis.model.wiring_faults import DeadCopper
from benchtest.diagnosis.thresholds import MIN_SHORT_PLACE_PROBABILITY
from benchtest.prop.design import RAILS, Design, Place, rail_probe

SHORT_OHM = np.geomspace(0.03, 5.0, 10)
"""Resistances tried, equally likely. [Ω] Common practice, no source: a solder bridge has less, a
whisker or wet dirt more."""
RATED_LIMIT, RATED_LOG_SD = 1.1, 0.15
"""Current at which a supply lowers its voltage, over its rating, and the standard deviation of its
logarithm. Common practice, no source: enclosed supplies limit at 1.05 to 1.5 times."""
UNRATED_LIMIT, UNRATED_LOG_SD = 1.5, 0.6
"""The same over the current at full white, of a supply whose rating the prop file does not give."""
LIMIT_SD = np.array([-1.8, -0.9, 0.0, 0.9, 1.8])
"""Current limits tried, in standard deviations."""
BISECTION_STEPS = 24
"""Bisection steps for the mean node voltage."""
MAX_FULL_TRIALS = 48
"""Trials whose full covariance is computed, the likeliest ones by a diagonal approximation."""
SHARED_SHARE, LIT_SHARE, READING_SHARE, JOINT_SHARE = 0.12, 0.08, 0.02, 0.6
"""Standard deviation of the drops by a short, as shares: of all copper together, under each lit
set, of each reading, and across a joint. Common practice, no source. The share of a single reading
is small, so that a slip does not pass for a short."""
SUPPLY_OHM = 0.02
"""Standard deviation of the resistance in series with the supplies. [Ω] See
`tolerance.source_ohm`."""
MAX_EXACT_SHARE = 1e-3
"""Largest change by lost load current, as a share of the reading, at which drops are exact."""
MAX_FORECAST_TRIALS = 4
"""Trials that represent all of them in forecasts, the likeliest ones. Ours."""
LOAD_SHARE = 0.3
"""Standard deviation of the current that loads lose from undervoltage, as a share of it."""
NODE_SHARE = 0.25
"""Share of the change of a node's voltage by which it may be higher or lower. Ours: two of the
standard deviations above."""


@dataclass(frozen=True)
class _Trials:
    """Every place, resistance and limit, flattened; shape (trials,) each."""

    place: IndexArray
    ohm: FloatArray
    limit_a: FloatArray
    log_prior: FloatArray

    def only(self, rows: IndexArray) -> _Trials:
        """Return some of the trials."""
        return _Trials(self.place[rows], self.ohm[rows], self.limit_a[rows], self.log_prior[rows])


@dataclass(frozen=True)
class _OperatingPoints:
    """Loads and supplies under trials of one lit set, shape (trials,) each.

    Attributes:
        load: load current as a share of that without the short.
        scale: supply voltage as a share of the design's.
        short_a: current of the short. [A]
        supply_a: current of all supplies. [A]
    """

    load: FloatArray
    scale: FloatArray
    short_a: FloatArray
    supply_a: FloatArray


class RailShort:
    """Likelihood of the readings under a short with resistance on one piece of copper."""

    def __init__(self, model: ReadingModel, shorted: DeadCopper) -> None:
        """Prepare the trials; nothing is computed yet.

        Args:
            model: of the readings, without given faults.
            shorted: the copper.
        """
        self._model, self._shorted = model, shorted
        self._effects = model.responses.short_effects
        is_on = [_strand_of(place) in shorted.strands for place in self._effects.places]
        self._places = np.flatnonzero(is_on)

    @cached_property
    def _trials(self) -> _Trials:
        design = self._model.responses.design
        limit_a, log_sd = _limit(design, self._shorted)
        places, ohms, limits = len(self._places), len(SHORT_OHM), len(LIMIT_SD)
        weight = np.exp(-0.5 * LIMIT_SD**2)
        return _Trials(
            np.repeat(self._places, ohms * limits),
            np.tile(np.repeat(SHORT_OHM, limits), places),
            np.tile(limit_a * np.exp(log_sd * LIMIT_SD), places * ohms),
            np.tile(np.log(weight / weight.sum() / (places * ohms)), places * ohms),
        )

    @cached_property
    def _means(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """Readings, drop by the short, change by lost load current, supply current and sag.

        Shape (trials, readings) each, in V and A. The current of all supplies, and the share of
        their voltage that they lose at their limit, are those under the reading's lit set.
        """
        model = self._model
        parts = [self._under(effect) for effect in model.effects]
        mean, drop, lost, amps, sag = (
            model.in_reading_order([part[n] for part in parts], axis=1) for n in range(5)
        )
        return mean, drop, lost, amps, sag

    def _under(
        self, effect: TapEffects
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return `_means` for one lit set."""
        at, unloaded = self._operating_points(effect.base.solution, self._trials), self._unloaded
        columns = effect.taps.columns
        per_amp = (columns.T @ self._effects.x).T[self._trials.place]
        unloaded_read = columns.T @ unloaded.x + effect.taps.constant
        drop = -at.short_a[:, None] * per_amp
        loaded = effect.value - unloaded_read
        mean = at.scale[:, None] * unloaded_read + at.load[:, None] * loaded + drop
        # only the supplies of this copper reach their limit
        is_on = np.array([self._shorted.has_lead(one.probe) for one in effect.taps.readings])
        mean = np.where(is_on, mean, effect.value)
        loaded = np.where(is_on, loaded, 0.0)
        amps = np.where(is_on, at.supply_a[:, None], 0.0)
        sag = np.where(is_on, np.round(1.0 - at.scale, 4)[:, None], 0.0)
        return mean, drop, (1.0 - at.load)[:, None] * loaded, amps, sag

    @cached_property
    def _off_nodes(self) -> NDArray[np.bool_]:
        """True for nodes on other copper, shape (nodes,)."""
        design = self._model.responses.design
        is_off = np.ones(design.node_count, dtype=bool)
        is_off[self._shorted.nodes(design)] = False
        return is_off

    @cached_property
    def _unloaded(self) -> Solution:
        return solve_unloaded(self._model.responses.circuit)

    def _operating_points(self, solution: Solution, trials: _Trials) -> _OperatingPoints:
        """Return loads and supplies under trials.

        With `v` the mean node voltage, `load(v)` the share of the load current and `scale` that of
        the supply's voltage, the short carries `(scale · open_v - load · shed_v) / path_ohm`.
        Bisection finds the highest `v` at which the supply exceeds neither its voltage nor its
        current limit.

        Args:
            solution: a lit set without the short.
            trials: some of them.
        """
        effects, circuit = self._effects, self._model.responses.circuit
        supply_v = float(circuit.supply_v.max())
        rails = [rail_probe(place) for place in effects.places]
        place_v, idle_v = solution.volts_at(rails), self._unloaded.volts_at(rails)
        node_v = float(solution.node_v[circuit.loaded].mean())
        drawn_a, curve_v, curve_share = _load_curve(solution)
        path_ohm = effects.driving_point_ohm[trials.place] + trials.ohm
        shed_v = (idle_v - place_v)[trials.place]
        to_node = effects.node_ohm[trials.place] / path_ohm
        open_v = idle_v[trials.place]

        low = np.zeros(len(trials.ohm))
        high = np.full(len(trials.ohm), supply_v)

        def at(mean_v: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
            load = np.interp(mean_v, curve_v, curve_share)
            scale = (mean_v + load * (supply_v - node_v) - to_node * load * shed_v) / (
                supply_v - to_node * open_v
            )
            return load, scale, np.maximum((scale * open_v - load * shed_v) / path_ohm, 0.0)

        for _ in range(BISECTION_STEPS):
            middle = 0.5 * (low + high)
            load, scale, short_a = at(middle)
            is_over = (scale > 1.0) | (load * drawn_a + short_a > trials.limit_a)
            high, low = np.where(is_over, middle, high), np.where(is_over, low, middle)
        load, scale, short_a = at(low)
        return _OperatingPoints(load, scale, short_a, load * drawn_a + short_a)

    @cached_property
    def _likely_trials(self) -> tuple[IndexArray, FloatArray, FloatArray]:
        """The likeliest trials, their log likelihood with the prior, and all covariances."""
        model, trials = self._model, self._trials
        mean, drop, lost, amps, sag = self._means
        by_ohm, by_limit = self._within_cells(mean, sag > 0.0)
        supply = SUPPLY_OHM * amps * model.unloaded_v / model.responses.circuit.supply_v.max()
        across = model.across >= 0
        own = np.hypot(READING_SHARE * drop, JOINT_SHARE * np.where(across, mean, 0.0))
        shared = [SHARED_SHARE * drop, LOAD_SHARE * lost, by_ohm, by_limit, supply]
        shared += [effect * amps for effect in self._feed_joints()]
        lit_of = model.lit_of
        # without sag and lost load current the change of rank one is exact for every lit set
        is_exact = (sag == 0.0) & (np.abs(lost) <= MAX_EXACT_SHARE * np.abs(mean))
        by_lit = np.where(is_exact, 0.0, LIT_SHARE * drop)
        shared += [np.where(lit_of == lit, by_lit, 0.0) for lit in range(lit_of.max() + 1)]
        base = model.healthy_spread.covariance()
        variance = np.diag(base) + own**2 + model.noise.own**2 + (model.noise.gain * mean) ** 2
        variance = variance + sum(each**2 for each in shared)
        off = model.values - mean
        # a single slip must not exclude a trial: limit the squared deviation
        square = np.minimum(off**2 / variance, 25.0)
        rough = trials.log_prior - 0.5 * (square + np.log(variance)).sum(axis=1)
        best = np.argsort(-np.round(rough, 9), kind="stable")[:MAX_FULL_TRIALS]
        covariance = base + model.reading_errors(mean[best])
        for each in shared:
            effect = each[best]
            covariance = covariance + effect[:, :, None] * effect[:, None, :]
        diagonal = np.arange(mean.shape[1])
        covariance[:, diagonal, diagonal] += own[best] ** 2
        weight = model.log_density(mean[best], covariance) + trials.log_prior[best]
        return best, np.asarray(weight), covariance

    def _within_cells(
        self, mean: FloatArray, is_limited: NDArray[np.bool_]
    ) -> tuple[FloatArray, FloatArray]:
        """Return the standard deviation of readings within each trial's cell of the grid.

        A supply below its limit keeps its voltage at a higher resistance and at a higher limit:
        the difference from a trial at the limit does not count there.

        Args:
            mean: readings, shape (trials, readings).
            is_limited: True for supplies at their limit, same shape.

        Returns:
            By resistance and by limit, shape (trials, readings) each.
        """
        shape = (len(self._places), len(SHORT_OHM), len(LIMIT_SD), mean.shape[1])
        cell, at_limit = mean.reshape(shape), is_limited.reshape(shape)
        by_ohm, by_limit = np.gradient(cell, axis=1), np.gradient(cell, axis=2)
        by_ohm[:, :-1] = np.where(at_limit[:, :-1], by_ohm[:, :-1], np.diff(cell, axis=1))
        by_limit = np.where(at_limit, by_limit, 0.0)
        return 0.29 * by_ohm.reshape(mean.shape), 0.4 * by_limit.reshape(mean.shape)

    def _feed_joints(self) -> list[FloatArray]:
        """Return the effect of each feed joint per ampere of all supplies, shape (readings,) each.

        The current into a short passes these joints, even if the nodes draw little.
        """
        model = self._model
        drawn = [np.full(len(e.taps.rows), e.base.solution.load_a.sum()) for e in model.effects]
        drawn_a = np.maximum(model.in_reading_order(drawn, axis=0), 1e-3)
        names = [
            f"{feed.name}{rail}"
            for feed in model.responses.design.feeds
            if feed.name in self._shorted.feeds
            for rail in RAILS
        ]
        causes = cause_names(model.responses.design)
        columns = [causes.index(f"joint {name}") for name in names]
        return [model.healthy_spread.shared[:, column] / drawn_a for column in columns]

    @property
    def log_likelihood(self) -> float:
        """Log likelihood of the readings, over all trials."""
        if not len(self._places):
            return -np.inf
        return float(np.logaddexp.reduce(self._likely_trials[1]))

    @property
    def is_likely(self) -> bool:
        """True if the readings are likelier with some resistance than with none."""
        return self.log_likelihood > self._model.dead_log_likelihood(self._shorted)

    def best(self) -> tuple[FloatArray, FloatArray]:
        """Return the readings and their covariance under the likeliest trial."""
        best, weight, covariance = self._likely_trials
        first = int(weight.argmax())
        return self._means[0][best[first]], covariance[first]

    def log_likelihood_with(self, marks_log: FloatArray) -> float:
        """Return the log likelihood of readings and marks together, over all trials.

        Args:
            marks_log: log likelihood of the marks under each trial of `node_voltages`, (trials,).
        """
        return float(np.logaddexp.reduce(self._likely_trials[1] + marks_log))

    def node_voltages(self, solution: Solution) -> tuple[FloatArray, FloatArray]:
        """Return the lowest and highest voltage of every node under each of the likely trials.

        Args:
            solution: a lit set without the short.

        Returns:
            Shape (trials, nodes) each. [V]
        """
        best = self._likely_trials[0]
        change_v = self._changes_v(best, solution)
        count = solution.circuit.design.node_count
        change_v = change_v[:, :count] - change_v[:, count : 2 * count]
        change_v[:, self._off_nodes] = 0.0
        ends = [solution.node_v + share * change_v for share in (1 - NODE_SHARE, 1 + NODE_SHARE)]
        return np.minimum(*ends), np.maximum(*ends)

    @cached_property
    def likeliest(self) -> tuple[IndexArray, FloatArray]:
        """The likeliest trials and their shares of the likelihood of all, (trials,) each."""
        best, weight, _ = self._likely_trials
        first = np.argsort(-np.round(weight, 9), kind="stable")[:MAX_FORECAST_TRIALS]
        share = np.exp(weight[first] - np.logaddexp.reduce(weight[first]))
        return best[first], share

    def mean(self, rank: int) -> FloatArray:
        """Return the readings under one of the likeliest trials, shape (readings,)."""
        return np.asarray(self._means[0][self.likeliest[0][rank]])

    def change_v(self, rank: int, solution: Solution) -> FloatArray:
        """Return the change of every point's voltage under one of the likeliest trials. [V]

        Args:
            rank: index in `likeliest`.
            solution: a lit set without the short.

        Returns:
            Shape (points,).
        """
        return np.asarray(self._changes_v(self.likeliest[0][[rank]], solution)[0])

    def _changes_v(self, rows: IndexArray, solution: Solution) -> FloatArray:
        """Return the change of every point's voltage under some trials, (trials, points). [V]"""
        trials, circuit = self._trials.only(rows), solution.circuit
        at = self._operating_points(solution, trials)
        x = np.vstack([self._effects.x[:, trials.place], np.zeros(len(rows))])
        per_amp = x[circuit.reduced.unknown].T
        unloaded_v = self._unloaded.point_v
        loaded_v = at.load[:, None] * (solution.point_v - unloaded_v)
        changed_v = at.scale[:, None] * unloaded_v + loaded_v - at.short_a[:, None] * per_amp
        return np.asarray(changed_v - solution.point_v)

    def likely_places(self) -> list[str]:
        """Return the names of the likely places of the short, likeliest first."""
        best, weight, _ = self._likely_trials
        share = np.exp(weight - np.logaddexp.reduce(weight))
        total = np.bincount(self._trials.place[best], share, len(self._effects.places))
        order = np.argsort(-np.round(total, 9), kind="stable")
        return [
            str(self._effects.places[n]) for n in order if total[n] >= MIN_SHORT_PLACE_PROBABILITY
        ]


def _strand_of(place: Place) -> int:
    strand = getattr(place, "strand", 0)
    assert isinstance(strand, int)
    return strand


def _limit(design: Design, shorted: DeadCopper) -> tuple[float, float]:
    """Return the supplies' current limit, and the standard deviation of its logarithm. [A]"""
    rated = [feed.supply_a for feed in design.feeds if feed.name in shorted.feeds]
    known = [amps for amps in rated if amps is not None]
    if len(known) == len(rated):
        return RATED_LIMIT * sum(known), RATED_LOG_SD
    kind, nodes = design.node, design.node_count
    full_a = 1e-3 * nodes * (kind.quiescent_ma + kind.channel_ma * kind.channels)
    return max(UNRATED_LIMIT * full_a, 2.0), UNRATED_LOG_SD


def _load_curve(solution: Solution) -> tuple[float, FloatArray, FloatArray]:
    """Return the current of all nodes and its share at other voltages.

    Nodes below their logic voltage are dark.

    Returns:
        Current without a fault [A], and node voltages [V] and shares, shape (points,) each.
    """
    circuit, kind = solution.circuit, solution.circuit.design.node
    volts = np.linspace(0.0, float(circuit.supply_v.max()), 61)
    duties, counts = np.unique(solution.duty[circuit.loaded], axis=0, return_counts=True)
    total = np.zeros(len(volts))
    for duty, count in zip(duties, counts, strict=True):
        rows = np.where((volts >= kind.logic_v)[:, None], duty, 0.0)
        total += count * node_loads(kind, volts, rows).node_a
    drawn_a = float(solution.load_a.sum())
    return drawn_a, volts, np.minimum(total / max(drawn_a, 1e-9), 1.0)
