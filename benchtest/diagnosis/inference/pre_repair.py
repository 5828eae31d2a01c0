"""Evidence from before a repair, condensed once for each repair.

A repair moves most readings, so they say nothing about the unit as it is now. They are readings of
the unit as it was: with the repaired joint at fault again, every other fault is weighed against
them as against any reading.

That is done once. What is kept of each time is a table: the likelihood of every single fault, the
readings and marks expected under it, and the covariance of the readings. With further faults of the
present unit given, the table is corrected: shifts of readings add up, the current that all nodes
share scales them, and of marks each fault explains what it explains alone (`condensed`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.inference.cache import CachedLookup, ConditionalCache
from benchtest.diagnosis.inference.condensed_evidence import (
    ShortTable,
    Table,
    condense,
    condense_short,
)
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.inference.multiple_faults import fault_combinations, shares_of
from benchtest.diagnosis.inference.posterior import ONE_MORE_LOG
from benchtest.diagnosis.inference.unsteady_joints import unsteady_joints
from benchtest.diagnosis.likelihood.duplicates import without_duplicates
from benchtest.diagnosis.likelihood.selection import most_informative
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.solve_budget import SolveBudget, Stage
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading

WAYS = 3
"""Ways in which what was repaired may have been at fault, at most."""
MOST_TIMES = 3
"""Repairs up to which each time has so many ways; of more the likeliest way alone is kept."""
TIME_SHARE = 0.35
"""Budget of condensing one time, as a share of a finding's; it is spent once for each repair."""
WORTH_KEEPING_LOG = 7.0
"""Ways whose logarithm of weight is so far below the best are dropped: one in a thousand."""


@dataclass(frozen=True)
class PreRepairEvidence:
    """Evidence on a unit when something was about to be repaired.

    Attributes:
        where: the joint, node, strand or feed that was then worked on.
        readings: all that stood at that time.
        marks: likewise.
        kept_readings: those of them that the work left valid; they are evidence on the unit as it
            is now, too.
        kept_marks: likewise.
    """

    where: str
    readings: tuple[Reading, ...]
    marks: tuple[Mark, ...] = ()
    kept_readings: tuple[Reading, ...] = ()
    kept_marks: tuple[Mark, ...] = ()


@dataclass(frozen=True)
class _Explained:
    """One explanation of a time's evidence.

    Attributes:
        weight: logarithm of its weight.
        parts: the faults.
        room: of each fault, the logarithm of its odds over all resistances that do as well.
    """

    weight: float
    parts: tuple[FaultHypothesis, ...]
    room: tuple[float, ...]


@dataclass(frozen=True)
class _Way:
    """One way in which the unit may have been before the work.

    Attributes:
        repaired: names of all that was worked on since: this way has each as it was.
        room: logarithm of the odds of that.
        table: all evidence of that time, less the part that counts as evidence of now.
    """

    repaired: Collection[str]
    room: float
    table: Table | ShortTable


class Memory:
    """Evidence of earlier times, with some faults of the present unit given."""

    def __init__(self, past: RepairHistory, parts: tuple[FaultHypothesis, ...]) -> None:
        self._past = past
        self._times = [
            [(way, way.table.given(parts, way.repaired)) for way in ways] for ways in past.times
        ]

    @property
    def views(self) -> list[tuple[str, ConditionalEvidence]]:
        """The place about to be repaired at each time, and the evidence in the likeliest way."""
        return self._past.views

    @cached_property
    def healthy(self) -> float:
        """Logarithm of likelihood with nothing more wrong than what is given."""
        return sum(
            float(np.logaddexp.reduce([way.room + given.healthy for way, given in ways]))
            for ways in self._times
        )

    def joints(self, space: FaultSpace) -> FloatArray:
        """The same with one more joint at fault, shape (joints, COLUMNS)."""
        names = [joint.name for joint in space.joints]
        return np.asarray(
            sum(
                np.logaddexp.reduce([way.room + given.joints(names) for way, given in ways])
                for ways in self._times
            )
        )

    def row(self, where: str) -> FloatArray | float:
        """One row of `joints`."""
        return np.asarray(
            sum(
                np.logaddexp.reduce([way.room + given.joints([where])[0] for way, given in ways])
                for ways in self._times
            )
        )

    def chain(self, space: FaultSpace) -> FloatArray:
        """The same with one more chain fault, shape (chain faults,)."""
        return np.asarray(
            sum(
                np.logaddexp.reduce([way.room + given.chain(space) for way, given in ways])
                for ways in self._times
            )
        )

    def is_misfit(self, further: FaultHypothesis | None) -> bool:
        """True where no way explains what was seen and read at one of the times."""
        return any(all(given.is_misfit(further) for _, given in ways) for ways in self._times)


class RepairHistory:
    """Evidence of the times before each repair, in one belief of how far units may be off."""

    def __init__(
        self,
        before: Sequence[PreRepairEvidence],
        views: ConditionalCache,
        meter: Meter,
    ) -> None:
        """Condense nothing yet.

        Evidence that was condensed for another past of the same unit is used again. Of other
        units nothing is kept; of this one, what other tolerances have, too.

        Args:
            before: in order of time.
            views: footings of the design.
            meter: of readings that name none.
        """
        self._names = [one.where for one in before]
        found = dict(views.condensed)
        for key in found:
            if key[1] in (None, views.tolerances) or key[2] not in before:
                del views.condensed[key]
        ways = WAYS if len(before) <= MOST_TIMES else 1
        self._whens = [
            _Time(one, self._names[place:], views, meter, self._names[:place], ways,
                  found)
            for place, one in enumerate(before)
        ]  # fmt: skip

    @cached_property
    def times(self) -> list[list[_Way]]:
        """Ways of each time."""
        return [when.ways for when in self._whens]

    @cached_property
    def views(self) -> list[tuple[str, ConditionalEvidence]]:
        """See `Memory.views`."""
        best = [max(ways, key=lambda way: round(way.room + way.table.healthy, 9))
                for ways in self.times]  # fmt: skip
        whens = zip(self._names, self._whens, best, strict=True)
        # a short is no evidence on any other fault
        return [(w, when.view(way)) for w, when, way in whens if isinstance(way.table, Table)]

    def on(self, parts: tuple[FaultHypothesis, ...]) -> Memory:
        """Return the evidence of earlier times, with faults of the present unit given."""
        return Memory(self, parts)


class _Time:
    """One time before a repair."""

    def __init__(
        self,
        before: PreRepairEvidence,
        repaired_since: Sequence[str],
        views: ConditionalCache,
        meter: Meter,
        repaired: Sequence[str],
        most: int,
        found: Mapping[tuple[object, ...], object],
    ) -> None:
        self._before = before
        self._since = frozenset(repaired_since)
        self._views = views
        self._meter = meter
        self._repaired = tuple(repaired)
        self._most = most
        self._found = found
        self._kept = views.condensed
        # marks are weighed alike whatever the tolerances
        self._belief = views.tolerances if before.readings else None

    def _case(self, readings: Sequence[Reading], marks: Sequence[Mark]) -> EvidenceSet:
        budget = SolveBudget.of(self._views.design, TIME_SHARE)
        readings = without_duplicates(readings)
        places = most_informative(self._views.responses(), readings, self._meter)
        readings = [readings[place] for place in places]
        return EvidenceSet(readings, marks, self._meter, self._repaired, budget)

    def view(self, way: _Way) -> ConditionalEvidence:
        """The evidence of that time with what was repaired at fault."""
        case = self._case(self._before.readings, self._before.marks)
        return self._views.of(case, way.table.parts)

    @cached_property
    def ways(self) -> list[_Way]:
        """Ways in which the unit may have been, with their tables.

        Readings that a joint changed meanwhile, as one that warms does, have no one state of the
        unit behind them: they count no longer.
        """
        if self._is_unsteady:
            return [_Way(self._since, 0.0, ShortTable((), 0.0, is_unexplained=False))]
        rows: dict[tuple[FaultHypothesis, ...], tuple[float, float]] = {}
        for one in self._explained:
            mine = [place for place, part in enumerate(one.parts) if part.where in self._since]
            parts = tuple(one.parts[place] for place in mine)
            room = max(0, len(mine) - 1) * ONE_MORE_LOG + sum(one.room[place] for place in mine)
            rows.setdefault(parts, (one.weight, room))
        best = max(weight for weight, _ in rows.values())
        ranked = sorted(rows.items(), key=lambda row: -round(row[1][0], 9))
        worth = [row for row in ranked if row[1][0] > best - WORTH_KEEPING_LOG][: self._most]
        return [_Way(self._since, room, self._table(parts)) for parts, (_, room) in worth]

    def _table(self, parts: tuple[FaultHypothesis, ...]) -> Table | ShortTable:
        key = ("table", self._belief, self._before, self._meter, self._repaired, parts)
        table = self._found.get(key, self._kept.get(key))
        if not isinstance(table, Table | ShortTable):
            one, views = self._before, self._views
            short = next((part for part in parts if views.is_short(part)), None)
            given = parts if short is None else ()
            kept = None
            if one.kept_readings or one.kept_marks:
                case = self._case(one.kept_readings, one.kept_marks)
                kept = views.of(case, given)
            view = views.of(self._case(one.readings, one.marks), given)
            table = condense(view, kept) if short is None else condense_short(view, kept, short)
        self._kept[key] = table
        return table

    @cached_property
    def _is_unsteady(self) -> bool:
        """Whether a joint that changed explains that time's readings better than any fault."""
        key = ("unsteady", self._belief, self._before, self._meter, self._repaired)
        found = self._found.get(key, self._kept.get(key))
        if not isinstance(found, bool):
            plain = self._views.of(self._case(self._before.readings, self._before.marks))
            unsteady = unsteady_joints(plain)
            found = unsteady is not None and unsteady.log_total >= plain.posterior.log_total
        self._kept[key] = found
        return found

    @cached_property
    def _explained(self) -> list[_Explained]:
        key = ("explained", self._belief, self._before, self._meter, self._repaired)
        rows = self._found.get(key, self._kept.get(key))
        if not isinstance(rows, list):
            rows = self._explain()
        self._kept[key] = rows
        return rows

    def _explain(self) -> list[_Explained]:
        """Explanations of that time's evidence, likeliest first."""
        case = self._case(self._before.readings, self._before.marks)
        plain = self._views.of(case)
        rows = [_Explained(plain.healthy, (), ())]
        for weight, part in plain.likeliest[: 2 * WAYS]:
            # a short that was repaired is the explanation; of others nothing shows next to it
            if plain.allows_further(part) or part.where in self._since:
                rows.append(_Explained(weight, (part,), (_room(plain, part, {}),)))
        if plain.is_misfit(plain.best_part):
            case.budget.begin(Stage.PLAN)  # nothing is planned: several faults may use the rest
            for one in fault_combinations(CachedLookup(self._views, case, None, plain)):
                room = tuple(_room(plain, part, one.grids) for part in one.parts)
                rows.append(_Explained(one.log_weight, one.parts, room))
        return sorted(rows, key=lambda row: -round(row.weight, 9))


def _room(
    plain: ConditionalEvidence, part: FaultHypothesis, grids: Mapping[str, FloatArray]
) -> float:
    """Logarithm of the odds of one fault, over all resistances that do as well."""
    room = plain.odds_at(part)
    if part.chain < 0:
        grid = grids.get(part.where)
        shares = shares_of(plain.row(part.where)) if grid is None else grid
        room -= float(np.log(shares.max()))
    return room
