"""What the person at the bench should do now, and what still keeps a unit indoors."""

from __future__ import annotations

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
    if guilty := _suspected(finding):
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
    if finding is None:
        items.append("readings")
        return items
    guilty = [(name, p) for name, p in _suspected(finding) if p > INNOCENT]
    if guilty:
        items.append("clear " + ", ".join(f"{name} ({p:.0%})" for name, p in guilty[:3]))
    settled = finding.settled if isinstance(finding, Concluded) else finding.next.settled
    if not settled or not state.readings:
        items.append("readings that settle it")
    return items


def waits_for(state: State, stage: Stage) -> list[str]:
    """What keeps a unit from going outdoors, by its last session."""
    items = open_items(state, state.concluded)
    if stage in ("bare", "soldered"):
        items.append("sealing, and a test after it")
    elif state.tested_earlier:
        items.append("a test since it came back" if stage == "back" else "a test after sealing")
    if state.signed is None:
        items.append("sign-off")
    return items


def _suspected(finding: Finding | Concluded) -> list[tuple[str, float]]:
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
