"""Footings of one design: made when asked for, kept while there is room."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np

from benchtest.circuit.tolerance import Tolerances
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet, Memory
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.solve_budget import BudgetSpent, conditional_units
from benchtest.prop.design import Design

MOST_KEPT, MOST_OCTETS = 6, 60_000_000
"""Circuits with faults that are kept between findings, and the memory that they may take."""
MAX_CONDITIONALS, MAX_CONDITIONALS_LARGE = 16, 4
"""Footings of one finding that are kept at hand."""


class ConditionalCache:
    """Footings of one design, made when asked for; their circuits are kept between cases."""

    def __init__(self, design: Design, space: FaultSpace, tolerances: Tolerances) -> None:
        self.design = design
        self.space = space
        self.tolerances = tolerances
        self._responses: dict[tuple[FaultHypothesis, ...], DesignResponse] = {}
        self.condensed: dict[tuple[object, ...], object] = {}
        """Condensed evidence from before repairs; see `pre_repair.RepairHistory`."""

    def with_tolerances(self, tolerances: Tolerances) -> ConditionalCache:
        """The same circuits, of units that may be as far off their design as these say."""
        other = ConditionalCache(self.design, self.space, tolerances)
        other._responses = self._responses
        other.condensed = self.condensed
        return other

    def of(
        self,
        case: EvidenceSet,
        parts: tuple[FaultHypothesis, ...] = (),
        best: float = -np.inf,
        memory: Memory | None = None,
    ) -> ConditionalEvidence:
        """Evidence on the footing of some faults."""
        responses = self.responses(parts)
        return ConditionalEvidence(
            self.design, self.space, case, self.tolerances, parts, responses, best, memory
        )

    def is_short(self, part: FaultHypothesis) -> bool:
        """Return whether a fault takes the volts from its copper."""
        return part.chain >= 0 and self.space.chain[part.chain].shorted is not None

    def responses(self, parts: tuple[FaultHypothesis, ...] = ()) -> DesignResponse:
        """The circuit with some faults; the plain one is kept for good, the others for a while."""
        key = tuple(sorted(parts, key=lambda part: (part.where, part.column, part.chain)))
        if key not in self._responses:
            octets = sum(one.octets for one in self._responses.values())
            if len(self._responses) > MOST_KEPT or octets > MOST_OCTETS:
                oldest = next((kept for kept in self._responses if kept), key)
                self._responses.pop(oldest, None)
            self._responses[key] = self._make(parts)
        return self._responses[key]

    def forget(self) -> None:
        """Bound what circuits keep from one finding to the next."""
        for responses in list(self._responses.values()):
            responses.forget()

    def _make(self, parts: tuple[FaultHypothesis, ...]) -> DesignResponse:
        given = {part.where: part.ohm for part in parts if part.chain < 0}
        dark = np.zeros(self.design.node_count, dtype=bool)
        for part in parts:
            if part.chain >= 0:
                fault = self.space.chain[part.chain]
                dark[self.space.order[fault.start : fault.stop]] = True
        remap = [self.space.chain[part.chain].remap for part in parts if part.chain >= 0]
        made = DesignResponse(
            self.design,
            self.space,
            given,
            dark if dark.any() else None,
            tuple(one for one in remap if one is not None),
            self.responses() if parts else None,
        )
        if parts:
            made.space = self._rest(made, parts)  # not a copy, which would wire up anew
        return made

    def _rest(self, responses: DesignResponse, parts: tuple[FaultHypothesis, ...]) -> FaultSpace:
        """Faults that may come on top: of joints those that still carry current."""
        names, _ = responses.circuit.joint_rows
        carrying = set(names) - set(responses.given)
        taken = {part.chain for part in parts}
        chain = [f for place, f in enumerate(self.space.chain) if place not in taken]
        return replace(
            self.space,
            joints=tuple(joint for joint in self.space.joints if joint.name in carrying),
            chain=tuple(chain),
        )


class EarlierEvidence(Protocol):
    """What was seen and read before repairs, on any footing."""

    def on(self, parts: tuple[FaultHypothesis, ...]) -> Memory: ...


class CachedLookup:
    """All the evidence on a unit, on any footing.

    Attributes:
        budget: what further footings are charged to.
    """

    def __init__(
        self,
        views: ConditionalCache,
        case: EvidenceSet,
        past: EarlierEvidence | None,
        plain: ConditionalEvidence,
    ) -> None:
        """Begin with the one that is there already.

        Args:
            views: of the design.
            case: what was seen and read.
            past: the same of the times before repairs.
            plain: with nothing taken for given.
        """
        self._views = views
        self._case = case
        self._past = past
        self._plain = plain
        self._made: dict[tuple[FaultHypothesis, ...], ConditionalEvidence] = {(): plain}
        self.budget = case.budget
        lit_sets = {one.lit for one in case.readings} | {one.lit for one in case.marks}
        read = {one.lit for one in case.readings}
        self._units = conditional_units(views.design, len(read), len(case.readings))
        self._look_units = conditional_units(views.design, len(lit_sets), len(case.readings))
        self._look_units -= self._units
        self.budget.take(("footing", ()), 0)  # it is there
        self.budget.take(("looks", ()), 0)
        self._most = MAX_CONDITIONALS_LARGE if plain.responses.is_large else MAX_CONDITIONALS

    def __call__(
        self, parts: tuple[FaultHypothesis, ...], *, forced: bool = False
    ) -> ConditionalEvidence:
        """Return the evidence with some faults given; the one not asked for longest is dropped.

        Args:
            parts: the faults.
            forced: whether it is made even where the budget is spent.

        Raises:
            BudgetSpent: it is optional and does not fit the budget.
        """
        if forced:
            self.budget.take(("footing", parts), self._units)
            self.budget.take(("looks", parts), self._look_units)
            return self._view(parts)
        view = self.read(parts)
        if not self.budget.takes((("looks", parts),), self._look_units):
            raise BudgetSpent
        return view

    def read(self, parts: tuple[FaultHypothesis, ...]) -> ConditionalEvidence:
        """Return the same for its readings alone: marks under other lit sets are not charged.

        Args:
            parts: the faults.

        Raises:
            BudgetSpent: it does not fit the budget.
        """
        if not self.budget.takes((("footing", parts),), self._units):
            raise BudgetSpent
        return self._view(parts)

    def _view(self, parts: tuple[FaultHypothesis, ...]) -> ConditionalEvidence:
        view = self._made.pop(parts, None)
        if view is None:
            memory = None if self._past is None else self._past.on(parts)
            view = self._views.of(self._case, parts, self._plain.best_so_far, memory)
        self._made[parts] = view
        if len(self._made) > self._most:
            self._made.pop(next(kept for kept in self._made if kept != ()))
        return view
