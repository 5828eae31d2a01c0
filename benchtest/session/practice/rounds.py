"""Practice rounds: faults hidden in a virtual prop, and a tally of readings and repairs.

Rounds have their own bench folder inside that of the bench, apart from the records of units.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.formatting import count_noun
from benchtest.prop.design import Design
from benchtest.prop.joints import data_joints, power_joints
from benchtest.prop.reader import parse_design
from benchtest.records.shelf import Shelf
from benchtest.session.autopilot import Outcome, demo_file, run_guidance
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import CheckMade, ColourSeen, FirstLight, NoteMade, ReadingTaken
from benchtest.session.log.power_checks import all_checks
from benchtest.session.session import Session, decode_events
from benchtest.session.temporary_folders import temporary_folder
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.observer import InProcessProp
from benchtest.virtual.virtual_prop import VirtualProp

FOLDER = "practice"
GRADES = (
    "a node that fails",
    "a break in the data line",
    "an open joint",
    "a joint of some ohms",
    "a joint of tenths of an ohm",
    "two joints at once",
)
"""Hidden faults of each grade, from easy to hard."""
HIDDEN_OHMS = {4: (1.5, 8.0), 5: (0.12, 0.6), 6: (0.3, 3.0)}
"""Resistance of hidden joints by grade, drawn evenly on a logarithmic scale. [Ω]"""
MAX_EXTRA_READINGS = 2
"""Number of readings above the reference run up to which a grade counts as mastered."""

_NOTE = re.compile(
    r"practice, grade (\d+): (\d+) readings and (\d+) needless repairs; "
    r"the tool itself (\d+) and (\d+)$",
    re.ASCII,
)


def hide_faults(design: Design, grade: int, seed: int) -> tuple[str, ...]:
    """Return faults of a grade, in the form of `simulate --fault`.

    >>> from benchtest.prop.reader import read_design
    >>> with demo_file() as path:
    ...     [hide_faults(read_design(path), grade, 7) for grade in (1, 3, 5)]
    [('11.14=dark',), ('6B+=open',), ('2B+=0.35',)]
    """
    chance = np.random.default_rng([seed, grade])
    if grade == 1:
        node = design.node_at(int(chance.integers(design.node_count)))
        return (f"{node}={chance.choice(['dead', 'dark'])}",)
    if grade == 2:
        return (f"{chance.choice([joint.name for joint in data_joints(design)])}=open",)
    names = [joint.name for joint in power_joints(design) if joint.strands]
    hidden = chance.choice(names, size=2 if grade == 6 else 1, replace=False).tolist()
    if grade == 3:
        return tuple(f"{name}=open" for name in hidden)
    low, high = np.log(HIDDEN_OHMS[grade])
    return tuple(f"{name}={np.exp(chance.uniform(low, high)):.2f}" for name in hidden)


@dataclass(frozen=True, slots=True)
class Tally:
    """Result of one round and of its reference run."""

    grade: int
    readings: int
    needless: int
    own_readings: int
    own_needless: int

    @property
    def mastered(self) -> bool:
        """True for nearly as few readings as the reference run, and no more needless repairs."""
        few = self.readings <= self.own_readings + MAX_EXTRA_READINGS
        return few and self.needless <= self.own_needless

    def note(self) -> str:
        """Return the note for the record."""
        return (
            f"practice, grade {self.grade}: {self.readings} readings and {self.needless} needless "
            f"repairs; the tool itself {self.own_readings} and {self.own_needless}"
        )


def parse_tally(note: str) -> Tally | None:
    """Return the tally of a note on record; None for any other note.

    >>> parse_tally(Tally(3, 6, 1, 5, 0).note())
    Tally(grade=3, readings=6, needless=1, own_readings=5, own_needless=0)
    """
    found = _NOTE.match(note)
    return Tally(*map(int, found.groups())) if found else None


@dataclass
class PracticeRound:
    """One round of practice.

    Attributes:
        grade: 1 to 6.
        seed: seed of the unit's tolerances and of the hidden faults.
        hidden: the hidden faults.
        left: places not repaired yet.
        needless: number of repairs at places without a fault.
    """

    grade: int
    seed: int
    hidden: tuple[str, ...]
    left: set[str] = field(default_factory=set)
    needless: int = 0

    def __post_init__(self) -> None:
        self.left = {fault.partition("=")[0] for fault in self.hidden}

    @property
    def over(self) -> bool:
        """True once all hidden faults are repaired."""
        return not self.left

    def repaired(self, where: str, was_wrong: bool) -> None:
        """Count a repair of a joint or node."""
        if was_wrong:
            self.left.discard(where)
        else:
            self.needless += 1

    def finish(self, session: Session, reference: Outcome) -> Tally:
        """Record the result of the round, and return it."""
        taken = [happened.what for happened in session.state.undoable]
        readings = sum(isinstance(what, ReadingTaken) for what in taken)
        needless = len(reference.named) - len(self.hidden)
        tally = Tally(self.grade, readings, self.needless, reference.readings, max(0, needless))
        session.record(NoteMade(tally.note()))
        return tally


def open_practice(bench: LaunchOptions) -> Shelf:
    """Open the records of practice in a bench folder.

    Raises:
        RecordsFault: they cannot be used.
    """
    return Shelf(bench.folder / FOLDER)


def read_tallies(shelf: Shelf) -> list[Tally]:
    """Return the results of all finished rounds, in order."""
    found = []
    for row in shelf.sessions():
        for happened in decode_events(shelf.events(row.id)):
            if isinstance(happened.what, NoteMade) and (tally := parse_tally(happened.what.text)):
                found.append(tally)
    return found


def next_grade(done: Sequence[Tally]) -> int:
    """Return the grade after the hardest one that is mastered."""
    return min(max((t.grade for t in done if t.mastered), default=0) + 1, len(GRADES))


def begin_round(
    shelf: Shelf, bench: LaunchOptions, grade: int, seed: int
) -> tuple[Session, LaunchOptions, PracticeRound]:
    """Return a new round: its session, its launch options and its hidden faults.

    Checks before power, first light and colours are recorded as passed: nothing is hidden there.

    Raises:
        RecordsFault: the session could not be saved.
    """
    with demo_file() as path:
        text = path.read_text("utf-8")
    tag = f"PR-{len(shelf.units()) + 1:03}"
    session = Session.start(shelf, text, tag, bench.meter)
    record_passed_checks(session)
    hidden = hide_faults(session.design, grade, seed)
    there = replace(bench, folder=shelf.folder, to="virtual", hidden=hidden, seed=seed)
    return session, there, PracticeRound(grade, seed, hidden)


def record_passed_checks(session: Session) -> None:
    """Record all checks that come before the looks at strands as passed."""
    for check, feed in all_checks(session.design):
        session.record(CheckMade(check, feed, passed=True))
    session.record(FirstLight(passed=True))
    for colour in session.design.node.colours:
        session.record(ColourSeen(colour, right=True))


def run_reference(hidden: Sequence[str], seed: int) -> Outcome:
    """Test the same unit without a user; return the result. Slow: it takes some seconds.

    Raises:
        BenchError: the test did not end.
    """
    with demo_file() as path:
        text = path.read_text("utf-8")
    design = parse_design(text, "practice")
    unit = VirtualProp(design, [parse_fault(fault, design) for fault in hidden], seed)
    with temporary_folder() as folder, Shelf(folder) as shelf:
        session = Session.start(shelf, text, "PR-000", DEFAULT_METER)
        record_passed_checks(session)
        here, outcome = InProcessProp(unit), Outcome("PR-000", ", ".join(hidden))
        # count readings only until everything is repaired, as for the user
        return run_guidance(
            session, here, here, lambda words: None, outcome, lambda: not unit.faults
        )


def describe_result(tally: Tally, hidden: Sequence[str], done: Sequence[Tally]) -> str:
    """Return the result of a round in words.

    Args:
        tally: result of this round.
        hidden: the hidden faults.
        done: results of all rounds, with this one.
    """
    lines = [
        f"Grade {tally.grade}, {GRADES[tally.grade - 1]}. Hidden: {' and '.join(hidden)}.",
        f"You: {count_noun(tally.readings, 'reading')}, "
        f"{count_noun(tally.needless, 'needless repair')}.",
        f"The tool itself: {count_noun(tally.own_readings, 'reading')}, "
        f"{count_noun(tally.own_needless, 'needless repair')}.",
        _describe_next_grade(tally, next_grade(done)),
    ]
    return "\n".join([*lines, "", *score_table(done)])


def _describe_next_grade(tally: Tally, grade: int) -> str:
    if tally.mastered:
        return f"Mastered; next is grade {grade}."
    return (
        f"Next is grade {grade}. A round is mastered with at most {MAX_EXTRA_READINGS} readings "
        "and no needless repair more than the tool."
    )


def score_table(done: Sequence[Tally]) -> list[str]:
    """Return the results by grade, a line each."""
    lines = [f"{'grade':<32}{'rounds':>7}{'yours':>7}{'tool':>6}"]
    for grade, name in enumerate(GRADES, 1):
        mine = [tally for tally in done if tally.grade == grade]
        if mine:
            yours = sum(tally.readings for tally in mine) / len(mine)
            own = sum(tally.own_readings for tally in mine) / len(mine)
            lines.append(f"{f'{grade} {name}':<32}{len(mine):>7}{yours:>7.1f}{own:>6.1f}")
    return lines
