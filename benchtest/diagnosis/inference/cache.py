"""Conditional evidence of one design: created on request and kept within memory limits."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np

from benchtest.circuit.tolerance import Tolerances
from benchtest.diagnosis.inference.conditional import (
    ConditionalEvidence,
    EarlierEvidence,
    EvidenceSet,
)
from benchtest.diagnosis.inference.posterior import FaultHypothesis
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.model.faults import FaultSpace
from benchtest.diagnosis.solve_budget import BudgetSpent, conditional_units
from benchtest.prop.design import Design

MAX_KEPT_CIRCUITS, MAX_KEPT_OCTETS = 6, 60_000_000
"""Number of circuits with faults that are kept between findings, and their memory. [octet]"""
MAX_CONDITIONALS, MAX_CONDITIONALS_LARGE = 16, 4
"""Number of `ConditionalEvidence` objects that one finding keeps; fewer on a large design."""


class ConditionalCache:
    """Conditional evidence of one design; its circuits are kept from one finding to the next.

    Attributes:
        design: the prop.
        space: every single fault of it.
        tolerances: deviations of a healthy unit from the design.
        condensed: evidence from before repairs, condensed; see `pre_repair.RepairHistory`.
    """

    def __init__(self, design: Design, space: FaultSpace, tolerances: Tolerances) -> None:
        self.design = design
        self.space = space
        self.tolerances = tolerances
        self._responses: dict[tuple[FaultHypothesis, ...], DesignResponse] = {}
        self.condensed: dict[tuple[object, ...], object] = {}

    def with_tolerances(self, tolerances: Tolerances) -> ConditionalCache:
        """Return a cache with other tolerances that shares the circuits of this one."""
        other = ConditionalCache(self.design, self.space, tolerances)
        other._responses = self._responses
        other.condensed = self.condensed
        return other

    def of(
        self,
        case: EvidenceSet,
        given: tuple[FaultHypothesis, ...] = (),
        best: float = -np.inf,
        earlier: EarlierEvidence | None = None,
    ) -> ConditionalEvidence:
        """Return the evidence with some faults given.

        Args:
            case: readings and marks.
            given: faults assumed to be present.
            best: log likelihood of the readings under the best explanation known so far.
            earlier: evidence from before repairs with the same faults given; None without any.
        """
        responses = self.responses(given)
        return ConditionalEvidence(
            self.design, self.space, case, self.tolerances, given, responses, best, earlier
        )

    def is_short(self, hypothesis: FaultHypothesis) -> bool:
        """Return True for a short, which removes the volts from its copper."""
        return hypothesis.chain >= 0 and self.space.chain[hypothesis.chain].shorted is not None

    def responses(self, given: tuple[FaultHypothesis, ...] = ()) -> DesignResponse:
        """Return the circuit with some faults.

        The circuit without faults is kept for good; others are dropped oldest first.
        """
        key = tuple(
            sorted(
                given,
                key=lambda hypothesis: (hypothesis.where, hypothesis.column, hypothesis.chain),
            )
        )
        if key not in self._responses:
            self._drop_circuits()
            self._responses[key] = self._new_circuit(given)
        return self._responses[key]

    def _drop_circuits(self) -> None:
        """Drop circuits with faults, oldest first, until they and their memory are within limits.

        The circuit without faults has a limit of its own; see `DesignResponse.forget`.
        """
        kept = {key: one.octets for key, one in self._responses.items() if key}
        while kept and (len(kept) >= MAX_KEPT_CIRCUITS or sum(kept.values()) > MAX_KEPT_OCTETS):
            oldest = next(iter(kept))
            del kept[oldest], self._responses[oldest]

    def forget(self) -> None:
        """Limit the results that the kept circuits carry into the next finding."""
        self._drop_circuits()
        for responses in list(self._responses.values()):
            responses.forget()

    def _new_circuit(self, given: tuple[FaultHypothesis, ...]) -> DesignResponse:
        """Return a new circuit with some faults."""
        ohm_of = {hypothesis.where: hypothesis.ohm for hypothesis in given if hypothesis.chain < 0}
        dark = np.zeros(self.design.node_count, dtype=bool)
        for hypothesis in given:
            if hypothesis.chain >= 0:
                fault = self.space.chain[hypothesis.chain]
                dark[self.space.order[fault.start : fault.stop]] = True
        remap = [
            self.space.chain[hypothesis.chain].remap
            for hypothesis in given
            if hypothesis.chain >= 0
        ]
        circuit = DesignResponse(
            self.design,
            self.space,
            ohm_of,
            dark if dark.any() else None,
            tuple(one for one in remap if one is not None),
            self.responses() if given else None,
        )
        if given:
            circuit.space = self._further_faults(
                circuit, given
            )  # a copy would build the circuit again
        return circuit

    def _further_faults(
        self, responses: DesignResponse, given: tuple[FaultHypothesis, ...]
    ) -> FaultSpace:
        """Return the faults that may occur in addition: only joints that still carry current."""
        names, _ = responses.circuit.joint_rows
        carrying_current = set(names) - set(responses.given)
        given_chain = {hypothesis.chain for hypothesis in given}
        chain = [f for place, f in enumerate(self.space.chain) if place not in given_chain]
        return replace(
            self.space,
            joints=tuple(joint for joint in self.space.joints if joint.name in carrying_current),
            chain=tuple(chain),
        )


class EarlierEvidenceLookup(Protocol):
    """Evidence from before repairs, for any given faults of the present unit."""

    def given(self, faults: tuple[FaultHypothesis, ...]) -> EarlierEvidence:
        """Return that evidence with some faults of the present unit given."""
        ...


class CachedLookup:
    """Evidence on one unit for any given faults; the `EvidenceLookup` of a finding.

    Attributes:
        budget: budget of the finding, charged once for each set of given faults.
    """

    def __init__(
        self,
        cache: ConditionalCache,
        case: EvidenceSet,
        history: EarlierEvidenceLookup | None,
        unconditional: ConditionalEvidence,
    ) -> None:
        """Start with the evidence with no faults given.

        Args:
            cache: of the design.
            case: readings and marks.
            history: evidence from before repairs; None without any.
            unconditional: evidence with no faults given.
        """
        self._cache = cache
        self._case = case
        self._history = history
        self._unconditional = unconditional
        self._kept: dict[tuple[FaultHypothesis, ...], ConditionalEvidence] = {(): unconditional}
        self.budget = case.budget
        lit_sets = {one.lit for one in case.readings} | {one.lit for one in case.marks}
        read = {one.lit for one in case.readings}
        self._units = conditional_units(cache.design, len(read), len(case.readings))
        self._mark_units = conditional_units(cache.design, len(lit_sets), len(case.readings))
        self._mark_units -= self._units
        self.budget.charge(("conditional", ()), 0)  # exists already: free
        self.budget.charge(("marks", ()), 0)
        self._max_kept = (
            MAX_CONDITIONALS_LARGE if unconditional.responses.is_large else MAX_CONDITIONALS
        )

    def __call__(
        self, given: tuple[FaultHypothesis, ...], *, forced: bool = False
    ) -> ConditionalEvidence:
        """Return the evidence with some faults given, and drop the least recently used one.

        Args:
            given: faults assumed to be present.
            forced: True to ignore the budget.

        Raises:
            BudgetSpent: not forced, and the request does not fit the budget.
        """
        if forced:
            self.budget.charge(("conditional", given), self._units)
            self.budget.charge(("marks", given), self._mark_units)
            return self._conditional(given)
        conditional = self.read(given)
        if not self.budget.try_charge((("marks", given),), self._mark_units):
            raise BudgetSpent
        return conditional

    def read(self, given: tuple[FaultHypothesis, ...]) -> ConditionalEvidence:
        """Return the same for its readings only; marks under other lit sets are not charged.

        Args:
            given: faults assumed to be present.

        Raises:
            BudgetSpent: the request does not fit the budget.
        """
        if not self.budget.try_charge((("conditional", given),), self._units):
            raise BudgetSpent
        return self._conditional(given)

    def _conditional(self, given: tuple[FaultHypothesis, ...]) -> ConditionalEvidence:
        """Return the evidence with some faults given, and drop the least recently used one."""
        conditional = self._kept.pop(given, None)
        if conditional is None:
            earlier = None if self._history is None else self._history.given(given)
            conditional = self._cache.of(
                self._case, given, self._unconditional.best_so_far, earlier
            )
        self._kept[given] = conditional
        if len(self._kept) > self._max_kept:
            self._kept.pop(next(kept for kept in self._kept if kept != ()))
        return conditional
