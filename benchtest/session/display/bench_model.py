"""The bench screen's model: everything that the screen shows and offers after one event."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from benchtest.diagnosis import Finding
from benchtest.evidence.readings import Reading
from benchtest.formatting import deviation_word, format_ohms, format_value
from benchtest.prop.design import Design, NodeName
from benchtest.prop.lit_set import LitSet
from benchtest.session.display.finding_details import FindingDetails, StrandProfile
from benchtest.session.display.map_model import MapFocus
from benchtest.session.guidance.next_step import Advice, Task
from benchtest.session.log.power_checks import due_checks
from benchtest.session.log.soak import Progress
from benchtest.session.log.state import State
from benchtest.session.log.unit_target import output_of_suspect
from benchtest.wording import other_suspects_text, split_suspects, suspect_name

MAX_TOTAL_PERCENT = 101
"""Sum of rounded percentages that needs no explanation. [%]"""
MAX_PLAIN_SD = 3.0
"""Deviation above which a reading is highlighted."""


@dataclass(frozen=True, slots=True)
class DisplayedReading:
    """One reading that counts, next to a healthy unit's."""

    number: int
    reading: Reading
    lit: str
    """The lit set as text."""
    z: float | None
    """Deviation from a healthy unit, in standard deviations; None until it is worked out."""
    is_odd: bool
    """True if the reading disagrees with all others."""

    @property
    def value_text(self) -> str:
        """The value as a meter shows it."""
        return self.reading.sign + format_value(self.reading.value, self.reading.unit)

    @property
    def is_far(self) -> bool:
        """True if a healthy unit hardly ever shows it."""
        return self.z is not None and abs(self.z) > MAX_PLAIN_SD

    @property
    def judgment(self) -> str:
        """The deviation from a healthy unit in a word; empty until it is worked out."""
        return "disagrees" if self.is_odd else "" if self.z is None else deviation_word(self.z)


@dataclass(frozen=True, slots=True)
class DisplayedSuspect:
    """One line of the suspects."""

    number: int | None
    """Key that selects it; None for the line of a healthy unit."""
    name: str
    share: float
    """Probability, 0 to 1."""
    size: str
    """Its resistance; empty without one."""

    @property
    def percent(self) -> str:
        """Its probability, in four characters."""
        return f"{self.share * 100.0:2.0f} %"


@dataclass(frozen=True, slots=True)
class SourceModel:
    """The source of readings, for what is asked now."""

    name: str
    """`virtual meter`, `meter` or `bridge`."""
    is_fitted: bool
    """True if there is a source; else the user types every reading."""
    can_read: bool
    keeps_at_once: bool
    """True if one key reads and records."""


@dataclass(frozen=True, slots=True)
class ProgressStep:
    """One step of a test in the line of progress."""

    text: str
    passed: bool | None
    """True once it is done, False if something failed in it, None before."""
    is_here: bool


_STEP_OF_TASK: dict[Task, str] = {
    "check": "power",
    "glow": "light",
    "look": "strands",
    "parade": "strands",
    "search": "strands",
    "caught": "strands",
    "walk": "strands",
    "downstream": "strands",
    "picture": "colours",
    "controller": "colours",
    "colour": "colours",
    "recolour": "colours",
    "think": "readings",
    "read": "readings",
    "repair": "repair",
    "wiggle": "wiggle",
    "soak": "soak",
    "sign-off": "sign-off",
    "done": "sign-off",
}


def progress_steps(state: State, task: Task) -> tuple[ProgressStep, ...]:
    """Return the steps of a test, in their order; those that are optional only while they last.

    Args:
        state: state of the session.
        task: the present task.
    """
    design, here = state.design, _STEP_OF_TASK[task]
    due = due_checks(design, state.checks, state.recheck, fresh=True)
    bad = any(one.passed is False for one in state.checks.values())
    count = len(design.strands)
    looked = count - len(state.untested)
    rows = [state.colours.get(colour, {}) for colour in design.node.colours]
    is_wrong = any(not right for row in rows for right in row.values())
    strands = False if state.failed else looked == count or None
    taken = len(state.readings)
    steps: list[tuple[str, str, bool | None]] = [
        ("power", "power", False if bad else None if due else True),
        ("light", "light", state.first_light),
        ("strands", f"strands {looked}/{count}", strands),
        ("colours", "colours", False if is_wrong else all(rows) or None),
        ("readings", f"readings {taken}" if taken else "readings", None),
        ("sign-off", "sign-off", True if state.signed else None),
    ]
    if here in ("repair", "wiggle", "soak"):
        steps.insert(-1, (here, here, None))
    return tuple(ProgressStep(text, passed, name == here) for name, text, passed in steps)


def shelf_cells(state: State | None, passed: str, failed: str) -> list[str]:
    """Return the steps of a unit's test for the shelf; empty ones are not done.

    Args:
        state: its state; None without a test.
        passed: character of a step that passed.
        failed: character of a step in which something failed.
    """
    if state is None:
        return [""] * 5
    marks = {None: "", True: passed, False: failed}
    power, light, strands, colours, readings, *_ = progress_steps(state, "read")
    looked = strands.text.partition(" ")[2]
    taken = readings.text.partition(" ")[2]
    return [
        marks[power.passed],
        marks[light.passed],
        f"{looked} {marks[strands.passed]}".rstrip() if state.verdicts else "",
        marks[colours.passed],
        taken,
    ]


@dataclass(frozen=True)
class BenchModel:
    """One unit on the bench, after one event.

    Attributes:
        tag: the unit.
        design: the prop.
        is_virtual: True for a virtual prop.
        state: the state of the session.
        advice: the next thing for the user to do.
        finding: the finding; None until it is known.
        details: details of the finding; None until they are worked out.
        walking: the node lit alone in a walk; None without a walk.
        is_overridden: True if the user chose the question.
        lit_text: what is lit, in a few words.
        lit: the lit set; None unless whole strands are lit.
        unit: unit of the number that is asked for; empty if no number is.
        soak: progress of the soak; None without one.
        is_soaking: True while the time of the soak counts.
        due_checks: checks before power that one key passes, by their short names.
        signer: name below the last sign-off of the bench, offered at a sign-off; may be empty.
        may_parade: True if enough strands are to be seen for a parade.
        source: the source of readings.
        readings: all readings that count.
        unit_place: which of the design's units on the shelf it is, such as `unit 2 of 7`.
        preview: volts that the reading asked for would show under each likely fault; may be empty.
    """

    tag: str
    design: Design
    is_virtual: bool
    state: State
    advice: Advice
    finding: Finding | None
    details: FindingDetails | None
    walking: NodeName | None
    is_overridden: bool
    lit_text: str
    lit: LitSet | None
    unit: str
    soak: Progress | None
    is_soaking: bool
    may_parade: bool
    due_checks: str
    signer: str
    source: SourceModel
    readings: tuple[DisplayedReading, ...]
    preview: str
    unit_place: str

    @property
    def task(self) -> Task:
        """The task of the advice."""
        return self.advice.task

    @cached_property
    def focus(self) -> MapFocus:
        """Subject of the question, for the map."""
        advice = self.advice
        strands = {node.strand for node in advice.nodes}
        if advice.strand is not None:
            strands.add(advice.strand)
        has_shares = self.task in ("read", "think", "repair", "sign-off", "done")
        return MapFocus(advice.probe, frozenset(strands), self.walking, has_shares)

    @cached_property
    def progress(self) -> tuple[ProgressStep, ...]:
        """Steps of the test, in their order."""
        return progress_steps(self.state, self.task)

    @cached_property
    def suspects(self) -> tuple[DisplayedSuspect, ...]:
        """Suspects worth a line each, the most probable first, and the healthy unit last."""
        finding = self.finding
        if finding is None:
            return ()
        shown, _ = split_suspects(finding.suspects)
        lines = [
            DisplayedSuspect(
                number,
                suspect_name(suspect, self.design),
                suspect.probability,
                "" if suspect.ohms is None else format_ohms(suspect.ohms.best),
            )
            for number, suspect in enumerate(shown, 1)
        ]
        name = "nothing wrong"
        if finding.cleared_ohm is not None and finding.looks_healthy:
            name = f"no joint above {format_ohms(finding.cleared_ohm)}"
        return (*lines, DisplayedSuspect(None, name, finding.healthy, ""))

    @cached_property
    def other_suspects(self) -> str:
        """The improbable suspects in one line; empty without any."""
        if self.finding is None:
            return ""
        _, others = split_suspects(self.finding.suspects)
        return other_suspects_text(others) if others else ""

    @cached_property
    def suspects_note(self) -> str:
        """Explanation of percentages that add up to more than 100; empty if they do not."""
        total = sum(round(line.share * 100.0) for line in self.suspects)
        return "over 100 % in all: several may be bad" if total > MAX_TOTAL_PERCENT else ""

    @property
    def profile(self) -> StrandProfile | None:
        """Volts along the suspected strand; None unless they are known."""
        return None if self.details is None else self.details.profile

    @property
    def drives_as_set(self) -> bool:
        """True if the prop can be driven as its controller is set, in place of setting it."""
        suspect = self.advice.suspect
        return (
            suspect is not None
            and not self.is_virtual
            and output_of_suspect(suspect.where) is not None
        )

    @property
    def has_readings(self) -> bool:
        """True if there are readings for a finding, or were before a repair."""
        return bool(self.state.readings or self.state.stale)
