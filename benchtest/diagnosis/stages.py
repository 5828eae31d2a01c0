"""Results that the stages of one finding hand on: evidence, conditional evidence, posterior, plan.

Each stage begins by naming its share of the finding's budget; see `budget.Stage`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchtest.diagnosis.finding import NextLook, NextReading
from benchtest.diagnosis.inference.cache import ConditionalCache
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.inference.masked_pairs import MaskedPairs
from benchtest.diagnosis.inference.multiple_faults import EvidenceLookup, FaultCombination
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.inference.pre_repair import PreRepairEvidence, RepairHistory
from benchtest.diagnosis.inference.unsteady_joints import UnsteadyJoints
from benchtest.diagnosis.planning.forecast import Forecaster
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading

MAX_CACHED_METERS = 4
"""Meters whose forecasts are kept; nobody reads one unit with more."""


class ToleranceAssumption:
    """One assumption of how far a unit may be from its design, and results under it."""

    def __init__(self, views: ConditionalCache) -> None:
        self.views = views
        self._forecasters: dict[Meter, Forecaster] = {}
        self._past: tuple[tuple[PreRepairEvidence, ...], Meter, RepairHistory] | None = None

    def past(self, before: tuple[PreRepairEvidence, ...], meter: Meter) -> RepairHistory | None:
        """Return the evidence from before repairs; None without any.

        The last result is kept: it stays the same from one reading of a unit to the next.
        """
        if not before:
            return None
        if self._past is None or self._past[:2] != (before, meter):
            self._past = before, meter, RepairHistory(before, self.views, meter)
        return self._past[2]

    def plain(
        self, case: EvidenceSet, before: tuple[PreRepairEvidence, ...]
    ) -> ConditionalEvidence:
        """Return the evidence with no fault given."""
        past = self.past(before, case.meter)
        return self.views.of(case, earlier=None if past is None else past.given(()))

    def forget(self) -> None:
        """Bound what is kept from one finding to the next, however many lit sets were used."""
        self.views.forget()
        for meter in list(self._forecasters)[:-MAX_CACHED_METERS]:
            del self._forecasters[meter]
        for forecaster in self._forecasters.values():
            forecaster.forget()

    def forecaster(self, conditional: ConditionalEvidence) -> Forecaster:
        """Return the forecasts with some faults given; those without any are kept by meter."""
        meter = conditional.case.meter
        if conditional.given:
            return Forecaster(conditional.responses, meter, self.views.tolerances)
        if meter not in self._forecasters:
            made = Forecaster(conditional.responses, meter, self.views.tolerances)
            self._forecasters[meter] = made
        return self._forecasters[meter]


@dataclass(frozen=True)
class GatheredEvidence:
    """Stage 1: evidence as it is weighed.

    Attributes:
        readings: all of them, in order.
        distinct: without those that repeat a display too often.
        stands_by: for each of `readings` the place in `distinct` that it repeats.
        number_of: number, from 1, among `readings` of each one that is weighed.
        rounded_v: coarsest step that readings were written in; None for their meter's. [V]
        case: readings to weigh, and marks.
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
        belief: how far the unit may be from its design.
        plain: with no fault given.
        usual: the same with supplies as designed, whatever was read at their feeds.
        look: with any faults given.
        unsteady: joints that changed between repeated readings; None without any.
    """

    assumption: ToleranceAssumption
    plain: ConditionalEvidence
    usual: ConditionalEvidence
    look: EvidenceLookup
    unsteady: UnsteadyJoints | None


@dataclass(frozen=True)
class Inference:
    """Stage 3: probabilities, and what they leave unexplained.

    Attributes:
        found: of every fault, whatever else is wrong.
        footing: evidence with the sure faults given; the next reading is chosen on it.
        several: explanations by several faults, likeliest first.
        pairs: two faults that may mask each other; None where none are considered.
        is_sure: whether a fault is known by name.
        off: places among the weighed readings that the best explanation leaves far off.
        odd: marks that it does not explain.
        is_explained: whether it explains all readings and marks.
        nearest: the faults of the best explanation, where it does not describe the readings.
        tied: groups of suspects that are interchangeable in equally good explanations.
        alike: groups of suspects that the evidence cannot separate.
    """

    found: Posterior
    conditional: ConditionalEvidence
    several: Sequence[FaultCombination]
    pairs: MaskedPairs | None
    is_sure: bool
    off: Sequence[int]
    odd: tuple[Mark, ...]
    is_explained: bool
    nearest: tuple[FaultHypothesis, ...]
    tied: Sequence[tuple[str, ...]]
    alike: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Plan:
    """Stage 4: what to do next.

    Attributes:
        ask: the next reading.
        alike: groups of suspects that the evidence cannot separate; at the end of a finding
            those among which it is left open, too.
        look: what to look at before that reading; None where the reading is worth more.
    """

    ask: NextReading
    alike: tuple[tuple[str, ...], ...]
    look: NextLook | None
