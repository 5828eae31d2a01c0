"""What the person at the bench should do now, and what still keeps a unit indoors."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchtest.diagnosis import Finding, Suspect
from benchtest.prop.design import Probe
from benchtest.prop.lit import Lit
from benchtest.records.shelf import Stage
from benchtest.session.events import Concluded
from benchtest.session.state import State

Task = Literal["look", "walk", "think", "read", "repair", "sign-off", "done"]

LIKELY = 0.5
"""Probability at which a suspect is worth the iron while other evidence is still to be had."""
INNOCENT = 0.05
"""Probability below which a suspect does not keep a unit indoors."""
_DATA_JOINT = re.compile(r"\d[AB]d$", re.ASCII)
MOST_NAMED = 3
"""Suspects that the shelf names."""
DATA_FAULTS = ("data-open", "dead-node", "no-data-out", "reversed", "swapped", "colour-order")


@dataclass(frozen=True, slots=True)
class Advice:
    """The next thing to do."""

    task: Task
    says: str
    strand: int | None = None
    lit: Lit | None = None
    probe: Probe | None = None
    suspect: Suspect | None = None


def what_next(state: State, finding: Finding | None) -> Advice:
    """The next thing to do.

    Args:
        state: where the session stands.
        finding: what the evidence says, of this state; None while that is being worked out.
    """
    if state.signed is not None:
        return Advice("done", f"Signed off by {state.signed.by}. Nothing is left to do here.")
    if state.untested:
        again = " again" if state.repairs else ""
        number = state.untested[0]
        return Advice("look", f"Does every node of strand {number} light{again}?", strand=number)
    if state.unmarked:
        number = state.unmarked[0]
        return Advice("walk", f"Walk strand {number} to the node that fails.", strand=number)
    if finding is None:
        return Advice("think", "Working out what the evidence says.")
    return _on_evidence(state, finding)


def _on_evidence(state: State, finding: Finding) -> Advice:
    ask, top, guilt = finding.next, None, 0.0
    if guilty := suspected(finding):
        # an open and a resistive joint are one thing to the iron
        where, guilt = guilty[0]
        top = next(suspect for suspect in finding.suspects if suspect.where == where)
    # a break in the data line is mended first: strands behind it cannot be lit to measure
    if top is not None and guilt >= LIKELY and (ask.settled or top.fault in DATA_FAULTS):
        return Advice("repair", f"Repair: {top.repair}.", suspect=top)
    if not ask.settled and ask.lit is not None:
        words = f"Volts at {ask.probe} with {ask.lit.text(state.design)} lit?"
        return Advice("read", words, lit=ask.lit, probe=ask.probe)
    if top is not None and guilt > INNOCENT:
        return Advice("repair", f"Most likely: {top.repair}.", suspect=top)
    if state.failed:
        strand = state.failed[0]
        words = f"Strand {strand} failed and nothing explains it: repair it, then look again."
        return Advice("walk", words, strand=strand)
    return Advice("sign-off", "Nothing is open. Who signs this unit off?")


def open_items(state: State, finding: Finding | Concluded | None) -> list[str]:
    """What keeps the unit from being signed off with a good conscience; empty when nothing does."""
    items = []
    if state.untested:
        items.append(f"look at strand {_listed(state.untested)}")
    if state.failed:
        items.append(f"strand {_listed(state.failed)} failed")
    for mark in state.marks:
        if mark.seen != "ok" and state.verdicts.get(mark.strand):  # seen after the strand passed
            items.append(f"another look at strand {mark.strand}, marked {mark.seen}")
    if finding is None:
        items.append("readings")
    else:
        items.extend(_of_evidence(state, finding))
    return items


def _of_evidence(state: State, finding: Finding | Concluded) -> list[str]:
    """What the evidence leaves open: readings to take, or what is suspected by those taken."""
    settled = finding.settled if isinstance(finding, Concluded) else finding.next.settled
    guilty = [(name, p) for name, p in suspected(finding) if p > INNOCENT]
    if not settled or not state.readings:
        names = _places([name for name, _ in guilty[:MOST_NAMED]])
        return [f"readings to clear {names}" if guilty else "readings that settle it"]
    return [f"repair of {_places([name])} ({p:.0%})" for name, p in guilty[:MOST_NAMED]]


def _places(names: list[str]) -> str:
    """Suspects in words; both rails of one joint are one place.

    >>> _places(["4A-", "4.17", "4A+", "7B+", "5Ad", "2 3", "main"])
    'joint 4A, node 4.17, joint 7B+, joint 5Ad, strand 2 and 3, main'
    """
    places: dict[str, str] = {}
    for name in names:
        place = name[:-1] if name[-1:] in ("+", "-") else name
        places[place] = _in_words(name, place if place in places else name)
    return ", ".join(places.values())


def _in_words(name: str, shown: str) -> str:
    if name.replace(" ", "").isdigit():
        return f"strand {shown.replace(' ', ' and ')}"
    if "." in name:
        return f"node {shown}"
    joint = name[-1:] in ("+", "-") or _DATA_JOINT.search(name)
    return f"joint {shown}" if joint else shown  # a feed, or the prop's colour order


def waits_for(state: State, stage: Stage) -> list[str]:
    """What keeps a unit from going outdoors, by its last session."""
    items = open_items(state, state.concluded)
    if stage in ("bare", "soldered"):
        items.append("sealing and a test after it")
    elif state.tested_earlier:
        items.append("a test since it came back" if stage == "back" else "a test after sealing")
    if state.signed is None:
        items.append("sign-off")
    return items


def shelf_words(tag: str, stage: Stage, waits: Sequence[str]) -> str:
    """A unit on the shelf, in one line.

    >>> shelf_words("WF-03", "sealed", ["readings to clear joint 4A", "sign-off"])
    'WF-03: sealed, waits for: readings to clear joint 4A, sign-off'
    >>> shelf_words("WF-04", "sealed", [])
    'WF-04: sealed, waits for nothing: may go outdoors'
    """
    if waits:
        return f"{tag}: {stage}, waits for: {', '.join(waits)}"
    return f"{tag}: {stage}, waits for nothing" + (
        "" if stage == "outdoors" else ": may go outdoors"
    )


def suspected(finding: Finding | Concluded) -> list[tuple[str, float]]:
    """Joints and nodes with the probability that anything is wrong there, likeliest first."""
    if isinstance(finding, Concluded):
        rows = [(str(row["where"]), float(row["probability"])) for row in finding.suspects]
    else:
        rows = [(suspect.where, suspect.probability) for suspect in finding.suspects]
    total: dict[str, float] = {}
    for where, probability in rows:
        total[where] = total.get(where, 0.0) + probability
    return sorted(total.items(), key=lambda row: -row[1])


def _listed(numbers: list[int]) -> str:
    shown = ", ".join(map(str, numbers[:4]))
    return shown + (f" and {len(numbers) - 4} more" if len(numbers) > 4 else "")
