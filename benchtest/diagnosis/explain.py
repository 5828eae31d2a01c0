"""Why a suspect is one, in a sentence or two, and what to read once it is mended."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchtest.circuit.netlist import FloatArray
from benchtest.diagnosis.finding import AfterRepair
from benchtest.diagnosis.inference.conditional import ConditionalEvidence
from benchtest.diagnosis.inference.hypothesis import FaultHypothesis
from benchtest.diagnosis.inference.unsteady_joints import UnsteadyJoints
from benchtest.diagnosis.likelihood.robust_gaussian import worth_given_rest
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading

TELLS_LOG = 1.0
"""Logarithm of the factor from which a reading speaks for or against a fault."""
MOST_FOR, MOST_AGAINST = 2, 1
"""Readings that are named at the most."""


@dataclass(frozen=True, slots=True)
class Reason:
    """What speaks for and against one fault."""

    words: str
    after: AfterRepair | None
    """A reading to take again once it is mended, and what a healthy unit shows."""


def reason(view: ConditionalEvidence, part: FaultHypothesis) -> Reason:
    """Say why the evidence speaks for a fault.

    Args:
        view: the evidence with everything else that is wrong taken for given.
        part: the fault.
    """
    words, after = _of_readings(view, part)
    found = [*_of_marks(view, part), *words]
    return Reason(" ".join(found or _of_before(view, part)), after)


def _of_before(view: ConditionalEvidence, part: FaultHypothesis) -> list[str]:
    """What was read, or else seen, before something else was mended; the last such time."""
    for mended, then in reversed([] if view.memory is None else view.memory.views):
        if then.holds(part) and (words := _of_readings(then, part)[0] or _of_marks(then, part)):
            return [f"Before {mended} was mended:", *words]
    return []


def _of_readings(
    view: ConditionalEvidence, part: FaultHypothesis
) -> tuple[list[str], AfterRepair | None]:
    likelihood = view.likelihood
    if likelihood is None:
        return [], None
    good, good_covariance = likelihood.under(-1, 0)
    bad, bad_covariance = view.under(part)
    values = likelihood.values
    gain = worth_given_rest(values - bad, bad_covariance)
    gain -= worth_given_rest(values - good, good_covariance)
    # the strongest first; of two alike the earlier
    order = np.argsort(-np.round(gain, 6), kind="stable")
    speaking = [int(row) for row in order if gain[row] > TELLS_LOG][:MOST_FOR]
    contrary = [int(row) for row in order[::-1] if gain[row] < -TELLS_LOG][:MOST_AGAINST]
    sd = np.sqrt(np.diag(good_covariance))
    rows = [_for(view, row, good, sd, bad) for row in speaking]
    rows += [_against(view, row, bad) for row in contrary]
    if not speaking:
        return rows, None
    best = view.case.readings[speaking[0]]
    again = AfterRepair(best.lit, best.probe, float(good[speaking[0]]), float(sd[speaking[0]]))
    return rows, again if best.volts is not None else None


def _for(
    view: ConditionalEvidence, row: int, good: FloatArray, sd: FloatArray, bad: FloatArray
) -> str:
    reading = view.case.readings[row]
    return (
        f"{_where(view, reading)} read {_amount(reading, reading.value)}: a good unit shows "
        f"{_amount(reading, good[row])} ± {_amount(reading, sd[row])}, this fault "
        f"{_amount(reading, bad[row])}."
    )


def _against(view: ConditionalEvidence, row: int, bad: FloatArray) -> str:
    reading = view.case.readings[row]
    return (
        f"Against it: {_where(view, reading)} read {_amount(reading, reading.value)}, where it "
        f"would show {_amount(reading, bad[row])}."
    )


def _where(view: ConditionalEvidence, reading: Reading) -> str:
    return f"{reading.probe} with {reading.lit.text(view.design)} lit"


def _amount(reading: Reading, value: float) -> str:
    if reading.volts is None:
        return f"{value:.2f} A"
    return f"{value * 1e3:.1f} mV" if abs(value) < 0.1 else f"{value:.3f} V"


def _of_marks(view: ConditionalEvidence, part: FaultHypothesis) -> list[str]:
    """Marks of nodes that are amiss where this fault says so."""
    abnormal_nodes = [mark for mark in view.case.marks if mark.seen != "ok"]
    mine = [mark for mark in abnormal_nodes if _explains(view, part, mark)]
    if not mine:
        return []
    shown = ", ".join(_mark(mark) for mark in mine[:3])
    more = f" and {len(mine) - 3} more" if len(mine) > 3 else ""
    return [f"Seen: {shown}{more}; {_why(part)}."]


def _why(part: FaultHypothesis) -> str:
    if part.kind == "short":
        return "nothing there has volts"
    if part.kind == "swapped":
        return "each of the two shows the other's light"
    if part.kind == "colour-order":
        return "each colour alone shows as another, and white as white"
    return "data stops there" if part.chain >= 0 else "its nodes are short of volts"


def _explains(view: ConditionalEvidence, part: FaultHypothesis, mark: Mark) -> bool:
    first = view.design.index(mark.strand, mark.first)
    nodes = np.arange(first, first + mark.last - mark.first + 1)
    return bool(view.abnormal_nodes(part, mark.lit)[nodes].mean() > 0.5)


def _mark(mark: Mark) -> str:
    nodes = f"{mark.first}" if mark.first == mark.last else f"{mark.first} to {mark.last}"
    return f"{mark.strand}.{nodes} {mark.seen}"


def unsteady_reason(view: ConditionalEvidence, unsteady: UnsteadyJoints, joint: int) -> str:
    """Return which repeated readings disagree, and what that means for a joint."""
    rows = []
    for first, last in unsteady.repeats[:MOST_FOR]:
        one, other = view.case.readings[first], view.case.readings[last]
        rows.append(
            f"{_where(view, one)} read {_amount(one, one.value)}, then "
            f"{_amount(other, other.value)}"
        )
    if unsteady.course(joint) == "growing":
        return f"{'; '.join(rows)}: it grows as it is loaded and warms."
    return f"{'; '.join(rows)}: it is intermittent, bad for some readings and good for others."
