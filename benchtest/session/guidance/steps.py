"""Steps of a test with their status; each of them can be taken at any time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import takewhile
from typing import Literal

from benchtest.diagnosis import Finding
from benchtest.formatting import count_noun, name_strands
from benchtest.pattern import alike_strands, has_picture
from benchtest.prop.lit_set import format_ranges
from benchtest.records.report import StepResult
from benchtest.session.guidance.next_step import (
    Advice,
    check_advice,
    colour_advice,
    glow_advice,
    look_advice,
    picture_advice,
    wiggle_advice,
)
from benchtest.session.log import colour_checks as colours
from benchtest.session.log import power_checks as checks
from benchtest.session.log.events import CheckMade, FirstLight, VerdictGiven
from benchtest.session.log.soak import Soak, format_clock
from benchtest.session.log.state import State

StepName = Literal[
    "checks",
    "first-light",
    "picture",
    "strands",
    "search",
    "colours",
    "readings",
    "wiggle",
    "soak",
]


@dataclass(frozen=True, slots=True)
class StepLine:
    """One step and its status."""

    name: StepName
    title: str
    done: bool
    status: str


def list_steps(state: State, finding: Finding | None) -> list[StepLine]:
    """Return every step in the order of a test; wiggle and soak are optional."""
    design = state.design
    strands, ends = len(design.strands), 2 * len(design.strands)
    due = checks.due_checks(design, state.checks, state.recheck, fresh=True)
    every = len(checks.all_checks(design))
    lit = {None: "not yet", True: "all glowed", False: "not all glowed"}[state.first_light]
    settled = finding is not None and finding.next.settled
    taken = f"{len(state.readings)} taken"
    return [
        StepLine("checks", "Before power", not due, f"{every - len(due)} of {every}"),
        StepLine("first-light", "First light, low", state.first_light is True, lit),
        StepLine("strands", "Strand by strand", not state.untested, _looked(state, strands)),
        StepLine("search", "Search the whole prop by halves", False, "for a node that fails"),
        _colours_line(state),
        StepLine("readings", "Full white, with readings", settled, taken),
        StepLine("wiggle", "Wiggle", len(state.wiggled) == ends, f"{len(state.wiggled)} of {ends}"),
        StepLine("soak", "Soak", state.soak is not None and state.soak.whole, _soaked(state)),
        _picture_line(state),  # last, so that the numbers of the others stay
    ]


def _picture_line(state: State) -> StepLine:
    status = {None: "not yet", True: "as drawn", False: "not as drawn"}[state.picture]
    return StepLine("picture", "One picture of all colours", state.picture is True, status)


def _colours_line(state: State) -> StepLine:
    rows = {colour: state.colours.get(colour, {}) for colour in state.design.node.colours}
    unseen = colours.unseen_strands(state.design, rows)
    unlit = state.unlit | state.dark_behind
    to_see = colours.next_look(state.design, rows, state.apart, unlit) is not None
    status = "to see" if to_see else "all seen"
    if unseen and not to_see:
        status = f"not on {name_strands(unseen, most=3)}: dark"
    return StepLine("colours", "Colours", not unseen, status)


def _looked(state: State, strands: int) -> str:
    failed = f", {len(state.failed)} failed" if state.failed else ""
    parade = f", {len(state.paraded)} in a parade" if state.paraded else ""
    return f"{strands - len(state.untested)} of {strands}{failed}{parade}"


def _soaked(state: State) -> str:
    if (soak := state.soak) is None:
        return "not yet"
    return f"{format_clock(soak.done_s)}, {soak.intermittent} intermittent"


def step_questions(step: StepName, state: State) -> list[Advice]:
    """Return the questions of a step that are not answered yet or, if all are, all of them again.

    Steps whose questions depend on earlier answers (search, readings, soak) have none here.
    """
    if step == "checks":
        keys = checks.due_checks(state.design, state.checks, state.recheck, fresh=True)
        return [check_advice(state, key) for key in keys or checks.all_checks(state.design)]
    if step == "first-light":
        return [glow_advice()]
    if step == "strands":
        numbers = state.untested or [strand.number for strand in state.design.strands]
        return [look_advice(state, number) for number in numbers]
    if step == "picture":
        return _picture(state)
    if step == "colours":
        return _colours(state)
    if step == "wiggle":
        ends = [f"{s.number}{end}" for s in state.design.strands for end in "AB"]
        return [wiggle_advice(e) for e in [x for x in ends if x not in state.wiggled] or ends]
    return []


def _picture(state: State) -> list[Advice]:
    """Return the question for the picture of the strands that light; none without any."""
    numbers = [s.number for s in state.design.strands if s.number not in state.unlit]
    is_of_use = bool(numbers) and has_picture(state.design)
    return [picture_advice(state.design, numbers)] if is_of_use else []


def _colours(state: State) -> list[Advice]:
    """Return the questions for all colours, of the strands that light."""
    numbers = [s.number for s in state.design.strands if s.number not in state.unlit]
    if not numbers:
        return []
    return [colour_advice(state.design, colour, numbers) for colour in state.design.node.colours]


def step_results(state: State) -> list[StepResult]:
    """Return the results of all steps taken so far but for readings and single strands."""
    found = [*_checked(state)]
    if state.first_light is not None:
        found.append(_first_light(state))
    if state.paraded:
        found.append(_paraded(state))
    if any(state.colours.values()):
        found.append(_colours_seen(state))
    if state.wiggled:
        found.append(_wiggled(state.wiggled))
    if state.soak is not None:
        found.append(_soak_result(state.soak))
    taken = {step.name for step in found}
    left = [name for name in ("First light", "Colours", "Wiggle", "Soak") if name not in taken]
    if found and left:
        found.append(StepResult("Not done", None, ", ".join(left).lower()))
    return found


def _first_light(state: State) -> StepResult:
    """Return the result of the first light; it is good if all strands passed since."""
    if state.first_light:
        return StepResult("First light", True, "every strand glowed")
    since = takewhile(lambda step: not isinstance(step.what, FirstLight), reversed(state.undoable))
    seen = {step.what.strand for step in since if isinstance(step.what, VerdictGiven)}
    if state.untested or state.failed or len(seen) < len(state.design.strands):
        return StepResult("First light", False, "not every strand glowed")
    return StepResult("First light", True, "not every strand glowed; all have passed since")


def _paraded(state: State) -> StepResult:
    """Return which strands were passed in a parade, and which were looked at by themselves."""
    alone = [number for number in sorted(state.verdicts) if number not in state.paraded]
    says = f"{format_ranges(state.paraded)} seen in a parade"
    return StepResult("Strands", True, says + (f", {format_ranges(alone)} alone" if alone else ""))


def _checked(state: State) -> Iterator[StepResult]:
    """Return the results of the checks before power, feed by feed."""
    for feed in state.design.feeds:
        made = [one for (_, name), one in state.checks.items() if name == feed.name]
        again = [check for check, name in state.recheck if name == feed.name]
        if not made:
            continue
        says = ", ".join(_check(one) for one in made)
        if again:
            says += f"; soldered since: check {' and '.join(sorted(again, reverse=True))} again"
        whole = not again and all(one.passed is not None for one in made)
        bad = any(one.passed is False for one in made)
        yield StepResult(
            f"Before power, {feed.name}", False if bad else True if whole else None, says
        )


def _check(made: CheckMade) -> str:
    if made.passed is None:
        return f"{made.check} left out"
    shown = f"{made.volts:g} V" if made.volts is not None else ""
    shown = f"{made.ohm:g} Ω" if made.ohm is not None else shown
    like = "" if made.like is None else f" as {made.like}"
    return f"{made.check} {shown or 'right'}{like}" + ("" if made.passed else " (bad)")


def _colours_seen(state: State) -> StepResult:
    """Return the result of the colour checks; strands that did not light were not seen."""
    rows = {name: row for name, row in state.colours.items() if row}
    says = ", ".join(f"{name} {_right(row)}" for name, row in rows.items())
    missing = [name for name in state.design.node.colours if name not in rows]
    if missing:
        says += f"; {', '.join(missing)} not seen"
    left = colours.unseen_strands(state.design, rows)
    if left:
        says += f"; not seen on {name_strands(left, most=len(left))}"
    says += _pictured(state)
    wrong = bool(colours.wrong_strands(state.colours))
    return StepResult("Colours", False if wrong else None if left or missing else True, says)


def _pictured(state: State) -> str:
    """Return which strands were seen in one picture, and which exchanges it does not show."""
    if not state.pictured:
        return ""
    words = f"; {format_ranges(state.pictured)} seen in one picture"
    alike = alike_strands(state.design)
    if not alike:
        return words
    groups = ", ".join("/".join(str(number) for number in group) for group in alike)
    return f"{words}, which does not show an exchange of {groups}"


def _right(row: dict[int, bool]) -> str:
    wrong = [number for number, right in sorted(row.items()) if not right]
    return f"wrong on {name_strands(wrong, most=len(wrong))}" if wrong else "right"


def _wiggled(ends: dict[str, bool]) -> StepResult:
    loose = [end for end, steady in ends.items() if not steady]
    words = f"light flickered at {', '.join(loose)}" if loose else "light stayed steady"
    return StepResult("Wiggle", not loose, f"{len(ends)} strand ends moved: {words}")


def _soak_result(soak: Soak) -> StepResult:
    good = False if soak.intermittent else True if soak.whole else None
    return StepResult(
        "Soak",
        good,
        f"{format_clock(soak.done_s)} of {format_clock(soak.planned_s)} at {soak.level:.0%}, "
        f"{count_noun(soak.looks, 'look')}, {soak.intermittent} intermittent",
    )
