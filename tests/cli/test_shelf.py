"""`benchtest shelf`, as a separate process."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import NoteMade, ReadingTaken, VerdictGiven
from benchtest.session.session import Session

Run = Callable[..., Any]


@pytest.fixture
def bench(prop: Path, tmp_path: Path) -> Path:
    """Make a bench with one unit under test."""
    folder = tmp_path / "bench"
    with Shelf(folder) as shelf:
        session = Session.start(shelf, prop.read_text(encoding="utf-8"), "WF-03", DEFAULT_METER)
        for strand in (1, 2, 3, 4):
            session.record(VerdictGiven(strand, passed=strand != 3))
        session.record(ReadingTaken("all", "2A", 4.921))
        session.record(NoteMade("<b>looks & feels</b> sound"))
    return folder


def test_an_empty_bench_prints_a_message(run: Run, tmp_path: Path) -> None:
    done = run("--bench", tmp_path / "new", "shelf")
    assert done.code == 0
    assert "No units" in done.out
    assert run("--bench", tmp_path / "new", "shelf", "--json").json == {"units": []}


def test_the_shelf_lists_what_is_still_to_do(run: Run, bench: Path) -> None:
    (unit,) = run("shelf", "--bench", bench, "--json").json["units"]
    assert (unit["tag"], unit["design"]) == ("WF-03", "Willow fan")
    assert any("3" in words for words in unit["open"])
    assert "sign-off" in unit["open"]
    done = run("shelf", "--bench", bench, COLUMNS="160")
    assert unit["says"] == "WF-03: bare, waits for: " + ", ".join(unit["open"])
    assert unit["says"] in done.out
    assert "sign-off" in done.out


def test_the_suggested_command_restores_damaged_records(run: Run, bench: Path) -> None:
    before = run("export", "--bench", bench).out
    (bench / "bench.sqlite3").write_bytes(b"\xff" * 8192)
    said = run("shelf", "--bench", bench)
    said.refused(1, f"benchtest --bench {bench} shelf --restore")
    done = run("--bench", bench, "shelf", "--restore", "--json").json
    assert (done["events"], done["saved_events"]) == (6, 0)
    assert (Path(done["damaged"]) / "bench.sqlite3").is_file()
    assert run("export", "--bench", bench).out == before
    run("--bench", bench, "shelf", "--restore").refused(2, "is intact")


def test_the_users_own_folder_is_the_default(run: Run, tmp_path: Path) -> None:
    assert run("shelf").code == 0
    assert (tmp_path / "data" / "benchtest").is_dir()


def test_a_bench_folder_that_is_a_file_is_refused(run: Run, prop: Path) -> None:
    run("shelf", "--bench", prop).refused(1, str(prop))


def test_units_are_renamed_retired_and_brought_back(run: Run, bench: Path, prop: Path) -> None:
    with Shelf(bench) as shelf:
        shelf.add_units(["WF-04"], "Willow fan", prop.read_text(encoding="utf-8"))
    (unit, _) = run("shelf", "--bench", bench, "--rename", "WF-03", "WF-13", "--json").json[
        "units"
    ][::-1]
    assert (unit["tag"], unit["was"], unit["retired"]) == ("WF-13", "WF-03", False)
    done = run("shelf", "--bench", bench, "--retire", "WF-03")  # the old tag finds it
    lines = [line for line in done.out.splitlines() if "WF-" in line]
    assert lines[-1].strip() == "WF-13 (was WF-03): retired"
    run("shelf", "--bench", bench, "--retire", "WF-13").refused(2, "is retired already")
    run("shelf", "--bench", bench, "--rename", "WF-04", "WF-03").refused(2, "was the tag of WF-13")
    units = run("shelf", "--bench", bench, "--bring-back", "WF-13", "--json").json["units"]
    assert [(unit["tag"], unit["retired"]) for unit in units] == [
        ("WF-04", False),
        ("WF-13", False),
    ]
