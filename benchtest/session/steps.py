"""The steps of an evening, each with where it stands; any of them can be taken at any time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchtest.diagnosis import Finding
from benchtest.session import checks, colours
from benchtest.session.events import CheckMade
from benchtest.session.guidance import (
    Advice,
    check_advice,
    colour_advice,
    glow_advice,
    look_advice,
    wiggle_advice,
)
from benchtest.session.soak import clock_text
from benchtest.session.state import State

StepName = Literal[
    "checks", "first-light", "strands", "search", "colours", "readings", "wiggle", "soak"
]


@dataclass(frozen=True, slots=True)
class StepLine:
    """One step and where it stands."""

    name: StepName
    title: str
    done: bool
    says: str


def steps(state: State, finding: Finding | None) -> list[StepLine]:
    """Every step, in the order of an evening; wiggle and soak where they are wanted."""
    design = state.design
    strands, ends = len(design.strands), 2 * len(design.strands)
    due = checks.due_checks(design, state.checks, state.recheck, fresh=True)
    every = len(checks.all_checks(design))
    lit = {None: "not yet", True: "all glowed", False: "not all glowed"}[state.first_light]
    colour = colours.next_look(design, state.colours, state.apart)
    settled = finding is not None and finding.next.settled
    taken = f"{len(state.readings)} taken"
    return [
        StepLine("checks", "Before power", not due, f"{every - len(due)} of {every}"),
        StepLine("first-light", "First light, low", state.first_light is True, lit),
        StepLine("strands", "Strand by strand", not state.untested, _looked(state, strands)),
        StepLine("search", "Search the whole prop by halves", False, "for a node that fails"),
        StepLine("colours", "Colours", colour is None, "all seen" if colour is None else "to see"),
        StepLine("readings", "Full white, with readings", settled, taken),
        StepLine("wiggle", "Wiggle", len(state.wiggled) == ends, f"{len(state.wiggled)} of {ends}"),
        StepLine("soak", "Soak", state.soak is not None and state.soak.whole, _soaked(state)),
    ]


def _looked(state: State, strands: int) -> str:
    failed = f", {len(state.failed)} failed" if state.failed else ""
    return f"{strands - len(state.untested)} of {strands}{failed}"


def _soaked(state: State) -> str:
    if (soak := state.soak) is None:
        return "not yet"
    return f"{clock_text(soak.done_s)}, {soak.intermittent} intermittent"


def queue_of(step: StepName, state: State) -> list[Advice]:
    """What a step asks: what it has not asked yet or, where that is nothing, all of it again.

    Steps whose questions hang on the answers before (search, readings, soak) have none here.
    """
    if step == "checks":
        keys = checks.due_checks(state.design, state.checks, state.recheck, fresh=True)
        return [check_advice(state, key) for key in keys or checks.all_checks(state.design)]
    if step == "first-light":
        return [glow_advice()]
    if step == "strands":
        numbers = state.untested or [strand.number for strand in state.design.strands]
        return [look_advice(state, number) for number in numbers]
    if step == "colours":
        return _colours(state)
    if step == "wiggle":
        ends = [f"{s.number}{end}" for s in state.design.strands for end in "AB"]
        return [wiggle_advice(e) for e in [x for x in ends if x not in state.wiggled] or ends]
    return []


def _colours(state: State) -> list[Advice]:
    """All colours anew; the guidance goes on to single strands where one is wrong."""
    return [colour_advice(colour, None) for colour in state.design.node.colours]


def notes_of(state: State) -> list[str]:
    """What these steps leave on the record, in a line each."""
    notes = []
    if state.checks:
        notes.append("Before power: " + "; ".join(_check(made) for made in state.checks.values()))
    if state.first_light is not None:
        notes.append(f"First light: {'all' if state.first_light else 'not all'} strands glowed")
    if rows := [f"{name} {_right(row)}" for name, row in state.colours.items() if row]:
        notes.append("Colours: " + ", ".join(rows))
    if state.wiggled:
        loose = [end for end, steady in state.wiggled.items() if not steady]
        words = f"flicker at {', '.join(loose)}" if loose else "steady"
        notes.append(f"Wiggled at {len(state.wiggled)} strand ends: {words}")
    if (soak := state.soak) is not None:
        notes.append(
            f"Soak at {soak.level:.0%}: {clock_text(soak.done_s)} of {clock_text(soak.planned_s)}, "
            f"{soak.looks} looks, {soak.intermittent} intermittent"
        )
    return notes


def _check(made: CheckMade) -> str:
    if made.passed is None:
        return f"{made.check} at {made.feed} left out"
    shown = f"{made.volts:g} V" if made.volts is not None else ""
    shown = f"{made.ohm:g} Ω" if made.ohm is not None else shown
    return f"{made.check} at {made.feed} {'good' if made.passed else 'BAD'} {shown}".rstrip()


def _right(row: dict[int, bool]) -> str:
    wrong = sum(not right for right in row.values())
    return f"wrong on {wrong} strands" if wrong else "right"
