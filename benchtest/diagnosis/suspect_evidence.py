"""Evidence for and against a suspect, and the reading that shows a good repair."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from benchtest.diagnosis.finding import AfterRepair, ReadingEvidence, SuspectEvidence
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.posterior import FaultHypothesis
from benchtest.diagnosis.inference.unsteady_joints import UnsteadyJoints
from benchtest.diagnosis.likelihood.robust_gaussian import conditional_log_density
from benchtest.evidence.marks import Mark

MIN_GAIN_LOG = 1.0
"""Least gain in a reading's log likelihood, for or against a fault, that is worth a sentence."""
MAX_FOR, MAX_AGAINST = 2, 1
"""Readings in favor of a fault, and against it, that are shown."""


def suspect_evidence(
    conditional: ConditionalEvidence, hypothesis: FaultHypothesis
) -> tuple[SuspectEvidence, AfterRepair | None]:
    """Return the evidence for and against one fault, and the reading that shows its repair.

    A reading's gain is its log likelihood given all other readings, with the fault less without.

    Args:
        conditional: the evidence with all other sure faults given.
        hypothesis: the fault.
    """
    found, after = _of_readings(conditional, hypothesis)
    marks = _marks_explained(conditional, hypothesis)
    if found or marks:
        return SuspectEvidence(*_sides(found), marks=marks), after
    return _before_repairs(conditional, hypothesis), None


def unsteady_evidence(
    conditional: ConditionalEvidence, unsteady: UnsteadyJoints
) -> SuspectEvidence:
    """Return the repeated readings that disagree, the same for every joint that changes."""
    readings = conditional.case.readings
    pairs = ((readings[first], readings[last]) for first, last in unsteady.repeats[:MAX_FOR])
    return SuspectEvidence(disagreeing=tuple(pairs))


def _sides(
    rows: Iterable[tuple[bool, ReadingEvidence]],
) -> tuple[tuple[ReadingEvidence, ...], tuple[ReadingEvidence, ...]]:
    """Return the readings for a fault and those against it."""
    rows = list(rows)
    return tuple(row for good, row in rows if good), tuple(row for good, row in rows if not good)


def _before_repairs(
    conditional: ConditionalEvidence, hypothesis: FaultHypothesis
) -> SuspectEvidence:
    """Return the evidence from before the latest repair that has any on this fault."""
    history = conditional.earlier
    for repaired, earlier in reversed([] if history is None else history.by_repair):
        if not earlier.is_possible(hypothesis):
            continue
        found, _ = _of_readings(earlier, hypothesis)
        marks = () if found else _marks_explained(earlier, hypothesis)
        if found or marks:
            return SuspectEvidence(*_sides(found), marks=marks, before_repair_of=repaired)
    return SuspectEvidence()


def _of_readings(
    conditional: ConditionalEvidence, hypothesis: FaultHypothesis
) -> tuple[list[tuple[bool, ReadingEvidence]], AfterRepair | None]:
    """Return the readings with the largest gain, True for those in favor; and the one to repeat."""
    likelihood = conditional.likelihood
    if likelihood is None:
        return [], None
    good, good_covariance = likelihood.under(-1, 0)
    bad, bad_covariance = conditional.under(hypothesis)
    values = likelihood.values
    gain = conditional_log_density(values - bad, bad_covariance)
    gain -= conditional_log_density(values - good, good_covariance)
    # the strongest first; of equal ones the earlier
    order = np.argsort(-np.round(gain, 6), kind="stable")
    in_favor = [int(row) for row in order if gain[row] > MIN_GAIN_LOG][:MAX_FOR]
    against = [int(row) for row in order[::-1] if gain[row] < -MIN_GAIN_LOG][:MAX_AGAINST]
    sd = np.sqrt(np.diag(good_covariance))
    readings = conditional.case.readings
    rows = [
        (
            row in in_favor,
            ReadingEvidence(readings[row], float(good[row]), float(sd[row]), float(bad[row])),
        )
        for row in (*in_favor, *against)
    ]
    if not in_favor:
        return rows, None
    best = rows[0][1]
    if best.reading.volts is None:
        return rows, None
    again = AfterRepair(best.reading.lit, best.reading.probe, best.healthy, best.healthy_sd)
    return rows, again


def _marks_explained(
    conditional: ConditionalEvidence, hypothesis: FaultHypothesis
) -> tuple[Mark, ...]:
    """Return the marks of nodes that look wrong where this fault makes them look wrong."""
    return tuple(
        mark
        for mark in conditional.case.marks
        if mark.seen != "ok" and _explains(conditional, hypothesis, mark)
    )


def _explains(conditional: ConditionalEvidence, hypothesis: FaultHypothesis, mark: Mark) -> bool:
    first = conditional.design.index(mark.strand, mark.first)
    nodes = np.arange(first, first + mark.last - mark.first + 1)
    return bool(conditional.abnormal_nodes(hypothesis, mark.lit)[nodes].mean() > 0.5)
