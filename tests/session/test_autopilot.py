"""The whole test without a person, over real packets; it finds the hidden fault."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import pytest

from benchtest.prop.design import Design
from benchtest.prop.reader import parse_design
from benchtest.records.shelf import Shelf
from benchtest.session.autopilot import Outcome, demo_file, hide_fault, run_demo
from benchtest.session.log.events import ReadingTaken, RepairDone
from benchtest.session.session import Session, unfinished_sessions
from benchtest.virtual.injected_faults import parse_fault


@pytest.fixture(scope="module")
def willow() -> Design:
    """The demo's design."""
    text = files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")
    return parse_design(text, "willow-fan.toml")


@dataclass(frozen=True)
class Demo:
    """One run of the demo: its bench, how it ended, and the lines that it printed."""

    folder: Path
    outcome: Outcome
    lines: list[str]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """Run the demo once."""
    folder = tmp_path_factory.mktemp("demo")
    lines: list[str] = []
    return Demo(folder, run_demo(folder, 1, lines.append), lines)


def test_a_seed_hides_one_fault_and_always_the_same(willow: Design) -> None:
    hidden = [hide_fault(willow, seed) for seed in range(60)]
    assert hidden == [hide_fault(willow, seed) for seed in range(60)]
    for text in hidden:
        assert str(parse_fault(text, willow)).partition("=")[0] == text.partition("=")[0]
    assert len(set(hidden)) > 50
    sorts = {text.partition("=")[2] for text in hidden}
    assert {"open", "dead", "dark"} <= sorts
    ohms = [float(sort) for sort in sorts if sort[0].isdigit()]
    assert all(0.12 <= ohm <= 6.0 for ohm in ohms)


def test_the_demo_names_and_repairs_the_hidden_fault(demo: Demo) -> None:
    outcome, lines = demo.outcome, demo.lines
    assert outcome.found, (outcome, lines)
    where = outcome.hidden.partition("=")[0]
    assert where in outcome.named
    assert not any(outcome.hidden in line for line in lines)  # it does not cheat aloud
    with Shelf(demo.folder) as shelf:
        (row,) = shelf.sessions(outcome.tag)
        session = Session.resume(shelf, row.id)
        assert unfinished_sessions(shelf) == []
    state = session.state
    assert state.signed is not None
    assert state.untested == state.failed == []
    assert [repair.where for repair in state.repairs] == outcome.named
    whats = [happened.what for happened in session.events]
    assert sum(isinstance(what, ReadingTaken) for what in whats) == outcome.readings
    assert any(isinstance(what, RepairDone) for what in whats)
    assert state.concluded is not None
    assert state.concluded.settled


@pytest.mark.parametrize(
    ("hidden", "named", "mended", "found"),
    [
        ("4A+=0.5", ["4A+"], True, True),
        ("4A+=0.5", ["4B+", "4A+"], True, False),
        ("4A+=0.5", ["4B+"], False, False),
        ("4A+=0.5", [], False, False),
        ("4Ad=open", ["3Ad", "4Ad"], True, True),
        ("4Ad=open", ["2Ad", "3Ad", "4Ad"], True, False),
    ],
)
def test_found_means_named_at_once_or_at_the_other_end_of_a_hop(
    hidden: str, named: list[str], mended: bool, found: bool
) -> None:
    assert Outcome("WF-01", hidden, named, mended).found is found


def test_the_demos_prop_file_is_a_file() -> None:
    with demo_file() as path:
        assert path.is_file()
        assert "Willow fan" in path.read_text("utf-8")


def test_the_demo_counts_what_a_person_would_have_done(demo: Demo) -> None:
    outcome = demo.outcome
    with Shelf(demo.folder) as shelf:
        (row,) = shelf.sessions(outcome.tag)
        whats = [logged.what for logged in Session.resume(shelf, row.id).events]
    person = outcome.person
    assert person.readings == outcome.readings > 0
    assert person.readings <= person.lead_moves <= 2 * person.readings
    # each reading is at least two digits, a point and Enter; each look is one key
    assert person.keys >= person.looks + 4 * person.readings
    repairs = sum(isinstance(what, RepairDone) for what in whats)
    assert person.seconds > 60.0 * repairs + 5.0 * person.readings
