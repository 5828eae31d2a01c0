"""Evidence from before a repair, condensed once for each repair.

A repair changes most readings, so they do not describe the unit as it is now. They describe the
unit before the repair: with the repaired joint at fault again, every other fault is evaluated
against them like against any reading.

This is done once. The result for each time is a table: the likelihood of every single fault, the
readings and marks expected under it, and the covariance of the readings. With faults of the present
unit given, the table is corrected: shifts of readings add up, the shared node current scales them,
and of marks each fault explains what it explains alone; see `condensed_evidence`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.cache import CachedLookup, ConditionalCache
from benchtest.diagnosis.inference.condensed_evidence import (
    EvidenceTable,
    ShortTable,
    condense,
    condense_short,
)
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet
from benchtest.diagnosis.inference.multiple_faults import fault_combinations, shares_of
from benchtest.diagnosis.inference.posterior import FaultHypothesis
from benchtest.diagnosis.inference.unsteady_joints import find_unsteady_joints
from benchtest.diagnosis.likelihood.selection import most_informative, without_duplicates
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.solve_budget import SolveBudget, Stage
from benchtest.diagnosis.thresholds import (
    FURTHER_FAULT_LOG,
    MAX_STATE_DEFICIT_LOG,
)
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading

MAX_STATES = 3
"""Number of states that the unit may have been in before one repair."""
MAX_REPAIRS_WITH_STATES = 3
"""Number of repairs up to which each has so many states; beyond, only the likeliest is kept."""
CONDENSING_BUDGET_SHARE = 0.35
"""Budget of condensing one time, as a share of a finding's budget; spent once for each repair."""


@dataclass(frozen=True)
class PreRepairEvidence:
    """Evidence on a unit just before a repair.

    Attributes:
        where: the joint, node, strand or feed that was then repaired.
        readings: all readings that were valid at that time.
        marks: all marks that were valid at that time.
        kept_readings: those readings that the repair left valid: they also describe the present
            unit.
        kept_marks: those marks that the repair left valid.
    """

    where: str
    readings: tuple[Reading, ...]
    marks: tuple[Mark, ...] = ()
    kept_readings: tuple[Reading, ...] = ()
    kept_marks: tuple[Mark, ...] = ()


@dataclass(frozen=True)
class _Explanation:
    """One explanation of the evidence before a repair.

    Attributes:
        log_weight: log likelihood plus log prior odds.
        faults: the faults.
        log_prior: log prior odds of each fault, summed over all resistances that fit as well.
    """

    log_weight: float
    faults: tuple[FaultHypothesis, ...]
    log_prior: tuple[float, ...]


@dataclass(frozen=True)
class _EarlierState:
    """One state that the unit may have been in before a repair.

    Attributes:
        repaired: names of all places repaired since: each had a fault of this state, or none.
        log_prior: log prior odds of the state.
        table: all evidence of that time, less the part that still counts as evidence now.
    """

    repaired: Collection[str]
    log_prior: float
    table: EvidenceTable | ShortTable


class ConditionalHistory:
    """Evidence from before all repairs, with some faults of the present unit given.

    It is the sum over repairs of the logarithm of the sum over states of prior odds times
    likelihood.
    """

    def __init__(self, history: RepairHistory, faults: tuple[FaultHypothesis, ...]) -> None:
        self._history = history
        self._times = [
            [(state, state.table.with_given(faults, state.repaired)) for state in states]
            for states in history.times
        ]

    @property
    def by_repair(self) -> list[tuple[str, ConditionalEvidence]]:
        """Return each repaired place and the evidence before its repair, in the likeliest state."""
        return self._history.by_repair

    @cached_property
    def healthy(self) -> float:
        """Return the log likelihood with no further fault."""
        logs = [
            float(np.logaddexp.reduce([state.log_prior + given.healthy for state, given in states]))
            for states in self._times
        ]
        return sum(logs)

    @property
    def readings_by_table(self) -> list[int]:
        """Return the number of readings of each table of each state."""
        return [
            len(table.values)
            for states in self._history.times
            for state in states
            if isinstance(state.table, EvidenceTable)
            for _, table in state.table.reading_tables
        ]

    def joints(self, space: FaultSpace) -> FloatArray:
        """Return the log likelihood with one further joint at fault, shape (joints, COLUMNS)."""
        names = [joint.name for joint in space.joints]
        return np.asarray(
            sum(
                np.logaddexp.reduce(
                    [state.log_prior + given.joints(names) for state, given in states]
                )
                for states in self._times
            )
        )

    def row(self, where: str) -> FloatArray | float:
        """Return one row of `joints`, shape (COLUMNS,)."""
        return np.asarray(
            sum(
                np.logaddexp.reduce(
                    [state.log_prior + given.joints([where])[0] for state, given in states]
                )
                for states in self._times
            )
        )

    def chain(self, space: FaultSpace) -> FloatArray:
        """Return the log likelihood with one further chain fault, shape (chain faults,)."""
        return np.asarray(
            sum(
                np.logaddexp.reduce(
                    [state.log_prior + given.chain(space) for state, given in states]
                )
                for states in self._times
            )
        )


class RepairHistory:
    """Evidence from before each repair of one unit, under one assumption of tolerances."""

    def __init__(
        self,
        before: Sequence[PreRepairEvidence],
        cache: ConditionalCache,
        meter: Meter,
    ) -> None:
        """Reuse condensed evidence of the same unit, and drop that of other units.

        Nothing is condensed yet.

        Args:
            before: evidence before each repair, in order of time.
            cache: conditional evidence of the design; it also keeps what was condensed.
            meter: of readings that name none.
        """
        self._names = [one.where for one in before]
        cached = dict(cache.condensed)
        for key in cached:
            if key[1] in (None, cache.tolerances) or key[2] not in before:
                del cache.condensed[key]
        max_states = MAX_STATES if len(before) <= MAX_REPAIRS_WITH_STATES else 1
        self._times = [
            _RepairTime(
                one, self._names[place:], cache, meter, self._names[:place], max_states, cached
            )
            for place, one in enumerate(before)
        ]

    @cached_property
    def times(self) -> list[list[_EarlierState]]:
        """Return the states before each repair."""
        return [time.states for time in self._times]

    @cached_property
    def by_repair(self) -> list[tuple[str, ConditionalEvidence]]:
        """Return each repaired place and its evidence; see `ConditionalHistory.by_repair`."""
        best = [
            max(states, key=lambda state: round(state.log_prior + state.table.healthy, 9))
            for states in self.times
        ]
        times = zip(self._names, self._times, best, strict=True)
        # with a short, that evidence concerns no other fault
        return [
            (w, time.conditional(state))
            for w, time, state in times
            if isinstance(state.table, EvidenceTable)
        ]

    def given(self, faults: tuple[FaultHypothesis, ...]) -> ConditionalHistory:
        """Return the evidence with some faults of the present unit given."""
        return ConditionalHistory(self, faults)


class _RepairTime:
    """The time just before one repair."""

    def __init__(
        self,
        before: PreRepairEvidence,
        repaired_since: Sequence[str],
        cache: ConditionalCache,
        meter: Meter,
        repaired: Sequence[str],
        max_states: int,
        cached: Mapping[tuple[object, ...], object],
    ) -> None:
        self._before = before
        self._repaired_since = frozenset(repaired_since)
        self._cache = cache
        self._meter = meter
        self._repaired = tuple(repaired)
        self._max_states = max_states
        self._cached = cached
        self._store = cache.condensed
        # the likelihood of marks does not depend on tolerances
        self._tolerances = cache.tolerances if before.readings else None

    def _evidence_set(self, readings: Sequence[Reading], marks: Sequence[Mark]) -> EvidenceSet:
        budget = SolveBudget.of(self._cache.design, CONDENSING_BUDGET_SHARE)
        readings = without_duplicates(readings)
        places = most_informative(self._cache.responses(), readings, self._meter)
        readings = [readings[place] for place in places]
        return EvidenceSet(readings, marks, self._meter, self._repaired, budget)

    def conditional(self, state: _EarlierState) -> ConditionalEvidence:
        """Return the evidence of that time with the faults of one state given."""
        case = self._evidence_set(self._before.readings, self._before.marks)
        return self._cache.of(case, state.table.hypotheses)

    @cached_property
    def states(self) -> list[_EarlierState]:
        """Return the states that the unit may have been in, with their tables.

        Readings that a joint changed while they were taken, such as one that warms up, belong to no
        single state: they no longer count.
        """
        if self._is_unsteady:
            return [_EarlierState(self._repaired_since, 0.0, ShortTable((), 0.0))]
        rows: dict[tuple[FaultHypothesis, ...], tuple[float, float]] = {}
        for one in self._explanations:
            repaired_places = [
                place
                for place, hypothesis in enumerate(one.faults)
                if hypothesis.where in self._repaired_since
            ]
            faults = tuple(one.faults[place] for place in repaired_places)
            log_prior = max(0, len(repaired_places) - 1) * FURTHER_FAULT_LOG + sum(
                one.log_prior[place] for place in repaired_places
            )
            rows.setdefault(faults, (one.log_weight, log_prior))
        best = max(log_weight for log_weight, _ in rows.values())
        ranked = sorted(rows.items(), key=lambda row: -round(row[1][0], 9))
        likely = [row for row in ranked if row[1][0] > best - MAX_STATE_DEFICIT_LOG]
        return [
            _EarlierState(self._repaired_since, log_prior, self._table(faults))
            for faults, (_, log_prior) in likely[: self._max_states]
        ]

    def _table(self, faults: tuple[FaultHypothesis, ...]) -> EvidenceTable | ShortTable:
        key = ("table", self._tolerances, self._before, self._meter, self._repaired, faults)
        table = self._cached.get(key, self._store.get(key))
        if not isinstance(table, EvidenceTable | ShortTable):
            one, cache = self._before, self._cache
            short = next((hypothesis for hypothesis in faults if cache.is_short(hypothesis)), None)
            given = faults if short is None else ()
            kept = None
            if one.kept_readings or one.kept_marks:
                case = self._evidence_set(one.kept_readings, one.kept_marks)
                kept = cache.of(case, given)
            conditional = cache.of(self._evidence_set(one.readings, one.marks), given)
            table = (
                condense(conditional, kept)
                if short is None
                else condense_short(conditional, kept, short)
            )
        self._store[key] = table
        return table

    @cached_property
    def _is_unsteady(self) -> bool:
        """Return True if a changing joint explains the readings better than any steady fault."""
        key = ("unsteady", self._tolerances, self._before, self._meter, self._repaired)
        cached = self._cached.get(key, self._store.get(key))
        if not isinstance(cached, bool):
            unconditional = self._cache.of(
                self._evidence_set(self._before.readings, self._before.marks)
            )
            unsteady = find_unsteady_joints(unconditional)
            cached = (
                unsteady is not None and unsteady.log_total >= unconditional.posterior.log_total
            )
        self._store[key] = cached
        return cached

    @cached_property
    def _explanations(self) -> list[_Explanation]:
        key = ("explained", self._tolerances, self._before, self._meter, self._repaired)
        rows = self._cached.get(key, self._store.get(key))
        if not isinstance(rows, list):
            rows = self._explain()
        self._store[key] = rows
        return rows

    def _explain(self) -> list[_Explanation]:
        """Return explanations of that time's evidence, likeliest first."""
        case = self._evidence_set(self._before.readings, self._before.marks)
        unconditional = self._cache.of(case)
        rows = [_Explanation(unconditional.healthy, (), ())]
        for log_weight, hypothesis in unconditional.likeliest[: 2 * MAX_STATES]:
            # next to a short nothing else has effects, so only a repaired short is a state
            if unconditional.allows_further(hypothesis) or hypothesis.where in self._repaired_since:
                rows.append(
                    _Explanation(
                        log_weight, (hypothesis,), (_log_prior_of(unconditional, hypothesis, {}),)
                    )
                )
        if unconditional.is_misfit(unconditional.likeliest_fault):
            case.budget.begin(Stage.PLAN)  # no reading is planned: use the rest
            for one in fault_combinations(CachedLookup(self._cache, case, None, unconditional)):
                log_prior = tuple(
                    _log_prior_of(unconditional, hypothesis, one.resistance_shares)
                    for hypothesis in one.faults
                )
                rows.append(_Explanation(one.log_weight, one.faults, log_prior))
        return sorted(rows, key=lambda row: -round(row.log_weight, 9))


def _log_prior_of(
    unconditional: ConditionalEvidence,
    hypothesis: FaultHypothesis,
    resistance_shares: Mapping[str, FloatArray],
) -> float:
    """Return the log prior odds of one fault, summed over all resistances that fit as well."""
    log_prior = unconditional.prior_log_odds_of(hypothesis)
    if hypothesis.chain < 0:
        grid = resistance_shares.get(hypothesis.where)
        shares = shares_of(unconditional.row(hypothesis.where)) if grid is None else grid
        log_prior -= float(np.log(shares.max()))
    return log_prior
