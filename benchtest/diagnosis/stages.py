"""Results of the stages of one diagnosis: evidence, conditional evidence, posterior, plan.

Each stage begins with its share of the solve budget; see `solve_budget.Stage`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchtest.diagnosis.finding import NextLook, NextReading
from benchtest.diagnosis.inference.cache import ConditionalCache
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet
from benchtest.diagnosis.inference.masked_pairs import MaskedPairs
from benchtest.diagnosis.inference.multiple_faults import EvidenceLookup, FaultCombination
from benchtest.diagnosis.inference.posterior import FaultHypothesis, Posterior
from benchtest.diagnosis.inference.pre_repair import PreRepairEvidence, RepairHistory
from benchtest.diagnosis.inference.unsteady_joints import UnsteadyJoints
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading


class ToleranceAssumption:
    """One assumption about the deviation of a unit from its design, with cached results.

    Attributes:
        cache: conditional evidence under this assumption.
    """

    def __init__(self, cache: ConditionalCache) -> None:
        self.cache = cache
        self._history: tuple[tuple[PreRepairEvidence, ...], Meter, RepairHistory] | None = None

    def history(self, before: tuple[PreRepairEvidence, ...], meter: Meter) -> RepairHistory | None:
        """Return the evidence from before repairs, or None without any.

        The last result is cached: it is the same from one reading of a unit to the next.
        """
        if not before:
            return None
        if self._history is None or self._history[:2] != (before, meter):
            self._history = before, meter, RepairHistory(before, self.cache, meter)
        return self._history[2]

    def unconditional(
        self, case: EvidenceSet, before: tuple[PreRepairEvidence, ...]
    ) -> ConditionalEvidence:
        """Return the evidence with no fault given."""
        history = self.history(before, case.meter)
        return self.cache.of(case, earlier=None if history is None else history.given(()))

    def forget(self) -> None:
        """Limit what is cached from one finding to the next, for any number of lit sets."""
        self.cache.forget()


@dataclass(frozen=True)
class GatheredEvidence:
    """Stage 1: the evidence to evaluate.

    Attributes:
        readings: all of them, in order.
        distinct: readings without surplus duplicates; see `likelihood.duplicates`.
        distinct_place: index in `distinct` of each of `readings`, or of its duplicate.
        numbers: number, from 1, in `readings` of each reading of `case`.
        rounded_v: coarsest step of the readings' digits; None if that of their meter. [V]
        case: readings to evaluate, and marks.
        before: evidence from before each repair, in order of time.
    """

    readings: Sequence[Reading]
    distinct: Sequence[Reading]
    distinct_place: Sequence[int]
    numbers: Sequence[int]
    rounded_v: float | None
    case: EvidenceSet
    before: tuple[PreRepairEvidence, ...]


@dataclass(frozen=True)
class EvaluatedEvidence:
    """Stage 2: evidence conditional on faults.

    Attributes:
        assumption: deviation of the unit from its design.
        unconditional: with no fault given.
        as_designed: the same with the supplies of the design, not as their feeds were read.
        lookup: with any faults given.
        unsteady: joints that changed between repeated readings; None without any.
    """

    assumption: ToleranceAssumption
    unconditional: ConditionalEvidence
    as_designed: ConditionalEvidence
    lookup: EvidenceLookup
    unsteady: UnsteadyJoints | None


@dataclass(frozen=True)
class Inference:
    """Stage 3: the posterior, and the evidence that it leaves unexplained.

    Attributes:
        posterior: marginal probability of every fault.
        conditional: evidence with the sure faults given, on which the next reading is chosen.
        combinations: explanations by several faults, likeliest first.
        pairs: two faults that may mask each other; None if none are considered.
        is_sure: True if a fault is known by name.
        unexplained_readings: indices in the evaluated readings.
        unexplained_marks: marks that the best explanation does not predict.
        is_explained: True if the best explanation predicts all readings and marks.
        nearest: faults of the best explanation if it does not describe the readings, else empty.
        tied: groups of suspects that are interchangeable in equally good explanations.
        alike: groups of suspects that the evidence cannot separate.
    """

    posterior: Posterior
    conditional: ConditionalEvidence
    combinations: Sequence[FaultCombination]
    pairs: MaskedPairs | None
    is_sure: bool
    unexplained_readings: Sequence[int]
    unexplained_marks: tuple[Mark, ...]
    is_explained: bool
    nearest: tuple[FaultHypothesis, ...]
    tied: Sequence[tuple[str, ...]]
    alike: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Plan:
    """Stage 4: the next step.

    Attributes:
        reading: the next reading.
        alike: groups of suspects that the evidence cannot separate; with no reading left, also the
            group among which the finding is open.
        look: the look to take before that reading; None if the reading is worth more.
    """

    reading: NextReading
    alike: tuple[tuple[str, ...], ...]
    look: NextLook | None
