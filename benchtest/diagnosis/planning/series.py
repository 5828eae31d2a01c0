"""A series of readings that proves a probably sound unit in the person's fewest seconds.

One reading at a time does not see that a lead left where it is serves the next readings too, nor
that two readings along a rail show together what neither shows alone. A series is searched as a
whole: its readings, their order and the places of both leads, until every joint is expected to be
cleared, the unit to be likely sound, and rail volts under load to be read.

With a sound unit, the log likelihood ratio of a fault to no fault is normal with mean `-D` and
variance `2 D`, where `D = effectᵀ covariance⁻¹ effect / 2`: the ratio of two normal distributions
of one covariance (Van Trees, Detection, Estimation, and Modulation Theory, part I, section 2.6).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.fault_response import GRID_OHM, GRID_SIZE, OPEN_COLUMN
from benchtest.diagnosis.planning.candidates import ReadingRequest
from benchtest.diagnosis.planning.cost import (
    LAST_READINGS,
    LEADS,
    USUAL_TIMES,
    Leads,
    ProbeTimes,
    leads_after,
    reading_cost,
)
from benchtest.diagnosis.planning.forecast import MIN_VARIANCE_SHARE, Forecaster
from benchtest.diagnosis.planning.regression import PlanningEvidence
from benchtest.diagnosis.thresholds import CLEARED_ODDS_RATIO, MIN_SOUND_PROBABILITY
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Lead, Probe
from benchtest.prop.lit_set import LitSet

MAX_SERIES = 7
"""Maximum number of readings of a series."""
BEAM, STEPS = 12, 60
"""Unfinished series that are continued, at each number of readings, and ways to continue each."""
CHANCE_SD = 0.67
"""Standard deviations of chance that a series allows for: three in four of sound units need no
further reading. Ours."""
MIN_ODDS_SHARE = 0.5
"""Share of the odds of an unsound unit that joints may have in any case: no reading of theirs makes
up for faults that were not looked for. Ours."""
MAX_LEFT_SHARE = 0.5
"""Share of the way that a series without an end may leave. Ours."""
READINGS_BY_LIGHT = 4
"""Single readings of each lit set that a series may contain, beyond those along rails."""
SECONDS_PER_LOG, SECONDS_WHILE_OPEN, LOAD_S = 0.4, 20.0, 8.0
"""Guesses of the time that an unfinished series lacks: for each unit of log likelihood ratio by
which a joint is not cleared, for a unit as likely at fault as at its start, and for rail volts
under load. [s] Ours: a fan of 58 joints is proved in a minute."""
RESISTIVE_OHM = (0.1, 1.0)
"""Resistances that represent the lower and upper half of those of a joint, on a log scale. [Ω]"""
CLEARED_COLUMN = int(np.searchsorted(GRID_OHM, 1.0))
"""Resistance, as an index of the grid, above which every joint is to be cleared. Ours: 1 Ω shows
nearly as much as an open joint."""
_SAME_PLACE_S = USUAL_TIMES.light_change_s + USUAL_TIMES.settling_s + USUAL_TIMES.typed_reading_s
"""Time of a reading under other light with both leads where they are. [s]"""


@dataclass(frozen=True)
class SeriesGoal:
    """Evidence so far, and what a series still has to show.

    Attributes:
        log_ratio: log likelihood ratio of each joint fault to none, shape (joints, COLUMNS).
        soldered: number of joints that are to be cleared; the first ones.
        posterior: of single faults.
        load: readings of rail volts under load, one of which is due; empty if one was taken.
        unreachable: probes that leads cannot reach.
    """

    log_ratio: FloatArray
    soldered: int
    posterior: Posterior
    load: Sequence[ReadingRequest]
    unreachable: frozenset[Probe]

    @property
    def above_log(self) -> FloatArray:
        """Log likelihood ratio at `CLEARED_OHM` over that of a cleared joint, (soldered,)."""
        at_least = self.log_ratio[: self.soldered, CLEARED_COLUMN]
        return np.asarray(at_least - np.log(CLEARED_ODDS_RATIO))


class _Progress:
    """Guess of what a series lacks, by the evidence that it is expected to give.

    Attributes:
        columns: resistances of the grid that represent a joint's faults, open last.
    """

    columns = (*np.searchsorted(GRID_OHM, RESISTIVE_OHM).tolist(), OPEN_COLUMN)
    _cleared = columns.index(CLEARED_COLUMN)

    def __init__(self, goal: SeriesGoal) -> None:
        """Store the evidence so far."""
        joints, healthy = goal.posterior.joints, goal.posterior.healthy
        edges = np.linspace(0, GRID_SIZE, len(RESISTIVE_OHM) + 1).astype(int)
        parts = [joints[:, first:after].sum(axis=1) for first, after in pairwise(edges)]
        self._odds = np.stack([*parts, joints[:, OPEN_COLUMN]], axis=1).ravel() / healthy
        self._above_log = goal.above_log
        target = (1.0 - MIN_SOUND_PROBABILITY) / MIN_SOUND_PROBABILITY
        rest = max(0.0, 1.0 - healthy - float(joints.sum())) / healthy
        self._most_odds = max(target - rest, MIN_ODDS_SHARE * target)
        self._first_odds = max(float(self._odds.sum()) - self._most_odds, 1e-9)
        self.first_s = float(self.ahead_s(np.zeros((1, self._odds.size)))[0])

    def ahead_s(self, evidence: FloatArray) -> FloatArray:
        """Return a guess of the time that a series lacks, without volts under load. [s]

        Args:
            evidence: `D` of every joint fault, shape (series, joints * columns).

        Returns:
            0 if nothing is lacking, shape (series,).
        """
        change = np.minimum(0.0, CHANCE_SD * np.sqrt(2.0 * evidence) - evidence)
        odds = np.maximum(0.0, np.exp(change) @ self._odds - self._most_odds) / self._first_odds
        count = len(self.columns)
        above = change[:, self._cleared :: count][:, : len(self._above_log)] + self._above_log
        lack = np.maximum(0.0, above).sum(axis=1)
        return np.asarray(SECONDS_PER_LOG * lack + SECONDS_WHILE_OPEN * odds)


@dataclass(frozen=True)
class _Series:
    """A series of some readings, and what it is expected to have shown.

    Attributes:
        requests: the readings, leads in the direction in which they are read.
        places: their indices in the family.
        seconds: their time. [s]
        leads: places of the leads after them.
        covariance: of the family's readings given those of the series, (family, family). [V²]
        effects: of each joint fault on them, shape (family, faults). [V]
        evidence: `D` of each joint fault, shape (faults,).
        is_loaded: True once rail volts under load are read.
    """

    requests: tuple[ReadingRequest, ...]
    places: tuple[int, ...]
    seconds: float
    leads: Leads
    covariance: FloatArray
    effects: FloatArray
    evidence: FloatArray
    is_loaded: bool


@dataclass(frozen=True)
class _Step:
    """One or two more readings at one place, and a guess of the time of the whole series."""

    total_s: float
    series: _Series
    places: tuple[int, ...]
    is_turned: bool
    seconds: float
    is_finished: bool


class _Family:
    """The readings of which series are made.

    Attributes:
        requests: the readings.
        probe_of: index of each one's probe among all probes.
        progress: what a series of them lacks.
    """

    def __init__(
        self,
        forecaster: Forecaster,
        evidence: PlanningEvidence,
        goal: SeriesGoal,
        requests: Sequence[ReadingRequest],
    ) -> None:
        """Predict the readings of a healthy unit and of every joint fault.

        Args:
            forecaster: of every probe.
            evidence: readings so far.
            goal: what the series has to show.
            requests: the readings, each once.
        """
        self.requests, self.progress = requests, _Progress(goal)
        self.probe_of = [forecaster.place_of[probe] for _, probe in requests]
        self._times = ProbeTimes(forecaster.responses.design, [probe for _, probe in requests])
        self._may_turn = np.array([forecaster.may_turn[place] for place in self.probe_of])
        self._lits = list(dict.fromkeys(lit for lit, _ in requests))
        self._lit_of = np.array([self._lits.index(lit) for lit, _ in requests])
        self._is_load = np.array([request in goal.load for request in requests])
        self._is_loaded = not goal.load
        self._pairs = self._along_rails(set(forecaster.spans))
        self._predict(forecaster, evidence)

    def _along_rails(self, spans: Collection[Probe]) -> NDArray[np.intp]:
        """Return pairs of readings along one rail, the first under the most light, (pairs, 2)."""
        most = max(self._lits, key=lambda lit: len(lit.strands))
        rows = [(n, lit, probe) for n, (lit, probe) in enumerate(self.requests) if probe in spans]
        first = {probe: n for n, lit, probe in rows if lit == most}
        found = [(first[probe], n) for n, lit, probe in rows if lit != most and probe in first]
        return np.array(found, dtype=np.intp).reshape(-1, 2)

    def _predict(self, forecaster: Forecaster, evidence: PlanningEvidence) -> None:
        """Store covariance and effects of the readings, given those that were taken."""
        count, taken = len(self.requests), list(evidence.readings)
        columns = list(_Progress.columns)
        rows = []
        for (lit, _), place in zip(self.requests, self.probe_of, strict=True):
            healthy = forecaster.probe_forecast(lit)
            rows.append(healthy.per_amp[:, place, None] * healthy.compensating_a[:, columns])
        effects = np.stack(rows).reshape(count, -1)
        model = ReadingLikelihood(
            forecaster.responses,
            [*(Reading(lit, probe, 0.0) for lit, probe in self.requests), *taken],
            forecaster.meter,
            forecaster.tolerances,
        )
        self._volts = model.healthy_mean()[:count]
        own = model.healthy_covariance[:count, :count]
        if taken:
            assert evidence.likelihood is not None
            assert evidence.likelihoods is not None
            read = evidence.likelihoods.joint_mean[:, columns] - evidence.likelihood.healthy_mean()
            shared = model.healthy_covariance[count:, :count]
            weights = np.linalg.solve(model.healthy_covariance[count:, count:], shared).T
            effects = effects - weights @ read.reshape(-1, len(taken)).T
            own = own - weights @ shared
        self._covariance, self._effects = own, effects

    def begin(self, leads: Leads) -> _Series:
        """Return the series without a reading, with the leads where they are."""
        nothing = np.zeros(self._effects.shape[1])
        start = self._covariance, self._effects, nothing, self._is_loaded
        return _Series((), (), 0.0, leads, *start)

    def steps(self, series: _Series) -> list[_Step]:
        """Return the best ways to continue a series, the shortest first."""
        variance = np.diag(series.covariance)
        shown = series.effects**2 / (2.0 * variance[:, None])
        one, other = self._pairs.T
        share = series.covariance[one, other] / variance[one]
        rest = variance[other] - share * series.covariance[one, other]
        rest = np.maximum(rest, MIN_VARIANCE_SHARE * variance[other])
        beyond = series.effects[other] - share[:, None] * series.effects[one]
        both = shown[one] + beyond**2 / (2.0 * rest[:, None])
        ahead_s = self.progress.ahead_s(series.evidence + np.concatenate([shown, both]))
        first = np.concatenate([np.arange(len(variance)), one])
        is_loaded = self._is_load[first] | series.is_loaded
        is_finished = (ahead_s == 0.0) & is_loaded
        ahead_s = ahead_s + LOAD_S * ~is_loaded

        seconds = np.stack([self._seconds(series, is_turned=turned) for turned in (False, True)])
        seconds[:, list(series.places)] = np.inf
        paired_s = seconds[:, one] + _SAME_PLACE_S
        paired_s[:, np.isin(other, series.places)] = np.inf
        seconds = np.concatenate([seconds, paired_s], axis=1)
        # rounded, so that of series equal by symmetry the first is chosen on every machine
        totals = np.round(series.seconds + seconds + ahead_s, 6)
        places = [*((place,) for place in range(len(variance))), *map(tuple, self._pairs.tolist())]
        found = []
        for at in np.argsort(totals, axis=None, kind="stable")[:STEPS].tolist():
            turned, step = divmod(at, totals.shape[1])
            if np.isfinite(totals[turned, step]):
                total_s, own_s = float(totals[turned, step]), float(seconds[turned, step])
                ends = bool(is_finished[step])
                found.append(_Step(total_s, series, places[step], bool(turned), own_s, ends))
        return found

    def _seconds(self, series: _Series, *, is_turned: bool) -> FloatArray:
        """Return the time of every reading after a series; infinite if it may not be turned. [s]"""
        lit = self._lits.index(series.leads.lit) if series.leads.lit in self._lits else -1
        seconds = self._times.seconds(series.leads, exchanged=is_turned)
        if series.leads.lit is not None:
            seconds = seconds + USUAL_TIMES.light_change_s * (self._lit_of != lit)
        has_minus = (self._volts > 0.0) == is_turned
        seconds = seconds + USUAL_TIMES.key_s * has_minus
        return np.where(self._may_turn | (not is_turned), seconds, np.inf)

    def after(self, step: _Step) -> _Series:
        """Return a series with one or two more readings."""
        series = step.series
        for place in step.places:
            series = self._with(series, place, is_turned=step.is_turned)
        return replace(series, seconds=step.series.seconds + step.seconds)

    def _with(self, series: _Series, place: int, *, is_turned: bool) -> _Series:
        lit, probe = self.requests[place]
        probe = probe.reversed if is_turned else probe
        shared, effect = series.covariance[place], series.effects[place]
        variance = shared[place]
        covariance = series.covariance - np.outer(shared, shared) / variance
        own = np.diag(covariance)
        least = MIN_VARIANCE_SHARE * np.diag(series.covariance)
        np.fill_diagonal(covariance, np.maximum(own, least))
        return _Series(
            requests=(*series.requests, (lit, probe)),
            places=(*series.places, place),
            seconds=series.seconds,
            leads=reading_cost(self._times.design, series.leads, lit, probe).leads,
            covariance=covariance,
            effects=series.effects - np.outer(shared / variance, effect),
            evidence=series.evidence + effect**2 / (2.0 * variance),
            is_loaded=series.is_loaded or bool(self._is_load[place]),
        )


def plan_series(
    forecaster: Forecaster,
    evidence: PlanningEvidence,
    goal: SeriesGoal,
    lits: Sequence[LitSet],
) -> tuple[ReadingRequest, ...]:
    """Return the readings that are expected to prove a sound unit soonest.

    Args:
        forecaster: of every probe.
        evidence: readings so far.
        goal: what the series has to show.
        lits: lit sets that feeds carry.

    Returns:
        In their order, leads in the direction in which they are read. Empty if nothing is left to
        show, or no series comes near to it.
    """
    design = forecaster.responses.design
    taken = [(one.lit, one.probe) for one in evidence.readings]
    requests = _candidates(forecaster, evidence, goal, lits)
    if not requests or (not goal.load and _Progress(goal).first_s == 0.0):
        return ()
    family = _Family(forecaster, evidence, goal, requests)
    unfinished = [family.begin(leads_after(design, taken[-LAST_READINGS:]))]
    nearest = unfinished[0]
    while unfinished:
        nearest = unfinished[0]
        steps = [step for series in unfinished for step in family.steps(series)]
        unfinished = []
        seen: set[tuple[int, ...]] = set()
        for step in sorted(steps, key=lambda step: step.total_s):
            places = (*step.series.places, *step.places)
            # under other light the same places show much the same: one series of them is enough
            key = (*sorted(family.probe_of[place] for place in places), step.is_turned)
            if key in seen or len(places) > MAX_SERIES:
                continue
            seen.add(key)
            if step.is_finished:
                return family.after(step).requests
            unfinished.append(family.after(step))
            if len(unfinished) == BEAM:
                break
    left_s = float(family.progress.ahead_s(nearest.evidence[None])[0])
    return nearest.requests if left_s <= MAX_LEFT_SHARE * family.progress.first_s else ()


def leads_left(series: Sequence[ReadingRequest]) -> frozenset[Lead]:
    """Return the leads that stay where the first reading puts them, while the other one moves.

    Args:
        series: readings in their order, one or more.
    """
    first, *later = (probe for _, probe in series)
    for probe in later:
        stays = [lead for lead in LEADS if getattr(probe, lead) == getattr(first, lead)]
        if len(stays) < len(LEADS):
            return frozenset(stays)
    return frozenset()


def _candidates(
    forecaster: Forecaster,
    evidence: PlanningEvidence,
    goal: SeriesGoal,
    lits: Sequence[LitSet],
) -> list[ReadingRequest]:
    """Return readings along rails, those under load, and of each lit set the most informative."""
    lack = np.maximum(0.0, goal.above_log)[:, None]
    found = [(lit, probe) for lit in lits for probe in forecaster.spans]
    found += goal.load
    for lit in lits:
        effects, variance = forecaster.open_effects(lit, evidence)
        shown = np.minimum(effects[: goal.soldered] ** 2 / (2.0 * variance), lack).sum(axis=0)
        best = np.argsort(-np.round(shown, 6), kind="stable")[:READINGS_BY_LIGHT]
        found += [(lit, forecaster.probes[place]) for place in best.tolist()]
    taken = {(one.lit, one.probe.points) for one in evidence.readings}
    barred = {probe.points for probe in goal.unreachable}
    return [
        (lit, probe)
        for lit, probe in dict.fromkeys(found)
        if (lit, probe.points) not in taken and probe.points not in barred
    ]
