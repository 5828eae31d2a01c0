"""`benchtest practice` without a terminal: the tool's own run, and the results."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import NoteMade
from benchtest.session.practice.rounds import Tally, begin_round, open_practice
from tests.cli.conftest import Run


def test_the_tools_run_is_repeatable(run: Run) -> None:
    words = ("practice", "--auto", "--grade", "1", "--seed", "7")
    found = run(*words, "--json").json
    assert found == {
        "grade": 1, "seed": 7, "hidden": ["11.14=dark"], "named": ["11.14"], "readings": 0,
    }  # fmt: skip
    assert "Hidden fault: 11.14=dark; the tool repaired 11.14 after 0 readings." in run(*words).out


def test_settings_of_the_drive_need_a_round_that_is_driven(run: Run, tmp_path: Path) -> None:
    done = run("--bench", str(tmp_path), "practice", "--tally", "--fps", "20")
    done.refused(2, "--auto and --tally drive no prop")


def test_practice_results_are_separate_from_units(run: Run, tmp_path: Path) -> None:
    assert (
        "No practice round has been finished yet."
        in run("--bench", str(tmp_path), "practice", "--tally").out
    )
    with open_practice(LaunchOptions(tmp_path)) as shelf:
        session, _, _ = begin_round(shelf, LaunchOptions(tmp_path), 3, 1)
        session.record(NoteMade(Tally(3, 6, 0, 5, 0).note()))
    found = run("--bench", str(tmp_path), "practice", "--tally", "--json").json
    assert found["next_grade"] == 4
    assert [(row["readings"], row["mastered"]) for row in found["rounds"]] == [(6, True)]
    with Shelf(tmp_path) as shelf:
        assert shelf.units() == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--grade", "7"), "give 1 to 6"),
        (("--auto", "--tally"), "give only one of them"),
    ],
)
def test_invalid_practice_options_are_refused(run: Run, words: tuple[str, ...], says: str) -> None:
    done = run("practice", *words)
    assert done.code == 2
    assert says in done.err
