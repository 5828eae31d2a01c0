"""Sentences on the evidence behind a suspect, and on what leaves a finding in doubt."""

from __future__ import annotations

from collections.abc import Sequence

from benchtest.diagnosis.finding import (
    MAX_MARKS_SHOWN,
    MIN_NAMED_PROBABILITY,
    Finding,
    NearFault,
    ReadingEvidence,
    Suspect,
)
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.formatting import format_percent
from benchtest.prop.design import Design
from benchtest.prop.notation import name_probe

NOT_EXCLUSIVE = "Several may be at fault at once, so percentages need not add up to 100."
MIN_NOTABLE_PROBABILITY = 0.01
"""Suspects at least this probable are listed if they are also `NOTABLE_RATIO` times the next."""
NOTABLE_RATIO = 3.0
MAX_MILLIVOLTS_V = 0.6
"""Below, a sentence is in millivolts, as a meter shows them. [V]"""
MAX_REASON_MARKS = 3
"""Marks in the sentence about a suspect."""


def reason_text(suspect: Suspect, design: Design) -> str:
    """Return the evidence for and against a suspect in sentences; empty without evidence."""
    evidence = suspect.evidence
    if evidence.disagreeing:
        return _disagreeing(suspect, design)
    repaired = evidence.before_repair_of
    rows = [f"Before {repaired} was repaired:"] if repaired else []
    if evidence.marks:
        rows.append(_marks(suspect))
    rows += [_in_favor(row, design) for row in evidence.readings_for]
    rows += [_against(row, design) for row in evidence.readings_against]
    return " ".join(rows)


def split_suspects(
    suspects: Sequence[Suspect],
) -> tuple[Sequence[Suspect], Sequence[Suspect]]:
    """Return the suspects to list one by one, and the rest, which share one line.

    Args:
        suspects: most probable first.
    """
    count = 0
    for place, suspect in enumerate(suspects):
        following = suspects[place + 1 : place + 2]
        rest = following[0].probability if following else 0.0
        notable = suspect.probability >= max(MIN_NOTABLE_PROBABILITY, NOTABLE_RATIO * rest)
        if suspect.probability < MIN_NAMED_PROBABILITY and not notable:
            break
        count += 1
    return suspects[:count], suspects[count:]


def other_suspects_text(others: Sequence[Suspect]) -> str:
    """Return how many improbable places there are and their probability together.

    >>> other_suspects_text([Suspect("2A+", "open", 0.02), Suspect("2A-", "open", 0.03)])
    '2 others together 5 %'
    """
    places = len({suspect.where for suspect in others})
    together = format_percent(min(1.0, sum(suspect.probability for suspect in others)))
    return f"1 other {together}" if places == 1 else f"{places} others together {together}"


def doubt_texts(finding: Finding, design: Design) -> list[str]:
    """Return a sentence for each thing that leaves the evidence in doubt.

    A reading that disagrees with all others (`Finding.strange`) is not among them: it is shown
    where it was entered.
    """
    found = []
    if finding.rounded_v is not None:
        found.append(
            f"Readings look rounded to {finding.rounded_v * 1e3:g} mV and count for less. Type "
            "every digit of the display, and give the meter's counts."
        )
    if finding.unexplained:
        shown = [
            f"{mark.strand}.{mark.nodes} {mark.seen} with {mark.lit.text(design)} lit"
            for mark in finding.unexplained[:MAX_MARKS_SHOWN]
        ]
        more = len(finding.unexplained) - len(shown)
        marks = ", ".join(shown) + (f" and {more} more" if more else "")
        found.append(f"No fault explains these marks: {marks}. Look again.")
    if finding.nearest:
        found.append(
            "Neither one fault nor several explain the readings; nearest: "
            f"{nearest_text(finding)}. Check the prop file, then take readings again."
        )
    elif not finding.explained and not finding.unexplained and finding.strange is None:
        found.append(
            "Nothing explains all of the readings. Check the prop file, then take them again."
        )
    return found


def nearest_text(finding: Finding) -> str:
    """Return the faults that come nearest to unexplained readings; empty without any."""
    return " and ".join(near_fault_text(fault) for fault in finding.nearest)


def near_fault_text(fault: NearFault) -> str:
    """Return a fault and its resistance.

    >>> near_fault_text(NearFault("3A-", "resistive", 2.52))
    '3A- at 2.5 Ω'
    >>> near_fault_text(NearFault("2A-", "open", None))
    '2A- open'
    """
    return (
        f"{fault.where} {fault.fault}"
        if fault.ohm is None
        else f"{fault.where} at {fault.ohm:.2g} Ω"
    )


def _in_favor(row: ReadingEvidence, design: Design) -> str:
    reading = row.reading
    shown, healthy, sd, faulty = _amounts(
        reading, reading.value, row.healthy, row.healthy_sd, row.faulty
    )
    return (
        f"{_place(reading, design)} read {shown}: a good unit shows {healthy} ± {sd}, this fault "
        f"{faulty}."
    )


def _against(row: ReadingEvidence, design: Design) -> str:
    reading = row.reading
    shown, faulty = _amounts(reading, reading.value, row.faulty)
    return f"Against it: {_place(reading, design)} read {shown}, where it would show {faulty}."


def _place(reading: Reading, design: Design) -> str:
    return f"{name_probe(reading.probe)} with {reading.lit.text(design)} lit"


def _amounts(reading: Reading, *values: float) -> list[str]:
    """Return values in one unit, that of the largest."""
    if reading.volts is None:
        return [f"{value:.2f} A" for value in values]
    if max(map(abs, values)) < MAX_MILLIVOLTS_V:
        return [f"{value * 1e3:.1f} mV" for value in values]
    return [f"{value:.3f} V" for value in values]


def _marks(suspect: Suspect) -> str:
    marks = suspect.evidence.marks
    shown = ", ".join(_mark(mark) for mark in marks[:MAX_REASON_MARKS])
    more = len(marks) - MAX_REASON_MARKS
    rest = f" and {more} more" if more > 0 else ""
    return f"Seen: {shown}{rest}; {_consequence(suspect)}."


def _mark(mark: Mark) -> str:
    nodes = f"{mark.first}" if mark.first == mark.last else f"{mark.first} to {mark.last}"
    return f"{mark.strand}.{nodes} {mark.seen}"


def _consequence(suspect: Suspect) -> str:
    match suspect.fault:
        case "short":
            return "nothing there has volts"
        case "swapped":
            return "each of the two shows the other's light"
        case "colour-order":
            return "each colour alone shows as another, and white as white"
        case "mapping":
            return "as with a controller set otherwise than the prop file says"
        case "resistive" | "open":
            return "its nodes are short of volts"
        case _:
            return "data stops there"


def _disagreeing(suspect: Suspect, design: Design) -> str:
    rows = [
        f"{_place(one, design)} read {', then '.join(_amounts(one, one.value, other.value))}"
        for one, other in suspect.evidence.disagreeing
    ]
    if suspect.growing:
        return f"{'; '.join(rows)}: it grows as it is loaded and warms."
    return f"{'; '.join(rows)}: it is intermittent, bad for some readings and good for others."
