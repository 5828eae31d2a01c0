"""`benchtest export` and `benchtest import`, as separate processes."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import NoteMade, ReadingTaken, VerdictGiven
from benchtest.session.session import Session

Run = Callable[..., Any]
NOON = "2026-11-25T12:00:00.000+00:00"


def _test_unit(folder: Path, design_text: str, tag: str) -> None:
    with Shelf(folder) as shelf:
        session = Session.start(shelf, design_text, tag, DEFAULT_METER)
        session.record(VerdictGiven(1, passed=True))
        session.record(NoteMade("rain “all night” \u2028 50 Ω"))


@pytest.fixture
def bench(prop: Path, tmp_path: Path) -> Path:
    """Make a bench with two units."""
    folder = tmp_path / "bench"
    for tag in ("WF-03", "WF-04"):
        _test_unit(folder, prop.read_text(encoding="utf-8"), tag)
    return folder


def test_exported_records_import_unchanged(run: Run, bench: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    assert run("export", "--bench", bench, "-o", "records.jsonl").code == 0
    first = run("import", "records.jsonl", "--bench", other, "--json").json
    assert first == {"sessions": 2, "new_sessions": 2, "new_events": 4, "new_units": 2, "left": []}
    assert run("export", "--bench", other).out == run("export", "--bench", bench).out
    assert run("shelf", "--bench", other).out == run("shelf", "--bench", bench).out


def test_records_of_the_first_release_are_read_unchanged(run: Run, tmp_path: Path) -> None:
    """Records of a whole test, dumped from a bench that version 0.1.0 kept."""
    dump = Path(__file__).parents[1] / "records" / "golden" / "release-0.1.0.sql"
    with closing(sqlite3.connect(tmp_path / DATABASE_FILE)) as connection:
        connection.executescript(dump.read_text("utf-8"))
        connection.execute("PRAGMA user_version = 2")
        kept = connection.execute("SELECT kind, data FROM event ORDER BY seq").fetchall()
    (line,) = run("export", "--bench", tmp_path).out.splitlines()
    read = [(event["kind"], event["data"]) for event in json.loads(line)["events"]]
    assert read == [(kind, json.loads(data)) for kind, data in kept]
    (unit,) = run("shelf", "--bench", tmp_path, "--json").json["units"]
    assert (unit["tag"], unit["design"]) == ("WF-01", "Willow fan")
    assert run("report", "WF-01", "--bench", tmp_path, "-o", "page.html").code == 0


def test_importing_a_file_again_changes_nothing(run: Run, bench: Path) -> None:
    before = run("export", "--bench", bench).out
    assert before.isascii()
    again = run("import", "-", "--bench", bench, "--json", stdin=before).json
    assert again == {"sessions": 2, "new_sessions": 0, "new_events": 0, "new_units": 0, "left": []}
    assert run("export", "--bench", bench).out == before


def test_one_unit_is_exported_alone(run: Run, bench: Path) -> None:
    (line,) = run("export", "--bench", bench, "--unit", "WF-04").out.splitlines()
    assert json.loads(line)["tag"] == "WF-04"
    run("export", "--bench", bench, "--unit", "WF-05").refused(2, "WF-05")


def test_only_later_events_are_new(run: Run, bench: Path, tmp_path: Path) -> None:
    lines = run("export", "--bench", bench).out
    other = tmp_path / "other"
    run("import", "-", "--bench", other, stdin=lines)
    with Shelf(bench) as shelf:
        Session.resume(shelf, shelf.sessions("WF-03")[-1].id).record(NoteMade("one more"))
    lines = run("export", "--bench", bench).out
    later = run("import", "-", "--bench", other, "--json", stdin=lines).json
    assert later == {"sessions": 2, "new_sessions": 0, "new_events": 1, "new_units": 0, "left": []}


def _altered(line: str, **changes: object) -> str:
    return json.dumps({**json.loads(line), **changes})


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"format": 2}, "format is 2"),
        ({"tag": "no tag!"}, "no tag!"),
        ({"design": "format = 1"}, "design has faults"),
        ({"stage": "lost"}, "lost"),
        ({"events": [{"seq": 2, "at": NOON, "kind": "note", "data": {}}]}, "numbered"),
        ({"events": [{"seq": 1}]}, "not an object with data"),
        ({"meter": 3}, "meter"),
    ],
)
def test_an_invalid_file_is_reported_and_imports_nothing(
    run: Run, bench: Path, tmp_path: Path, changes: dict[str, object], said: str
) -> None:
    good, other_good = run("export", "--bench", bench).out.splitlines()
    text = f"{good}\n{_altered(other_good, **changes)}\n"
    done = run("import", "-", "--bench", tmp_path / "other", stdin=text)
    done.refused(2, "line 2", said)
    assert run("shelf", "--bench", tmp_path / "other", "--json").json == {"units": []}


def test_diverged_sessions_are_not_merged(run: Run, bench: Path) -> None:
    line = run("export", "--bench", bench, "--unit", "WF-03").out
    events = json.loads(line)["events"]
    events[0]["data"] = {**events[0]["data"], "passed": False}
    done = run("import", "-", "--bench", bench, stdin=_altered(line, events=events))
    done.refused(2, "event 1", "differs")


def test_a_tag_of_another_design_is_refused(run: Run, bench: Path) -> None:
    line = run("export", "--bench", bench, "--unit", "WF-03").out
    design = json.loads(line)["design"].replace("Willow fan", "Tide arch")
    text = _altered(line, design=design, session="another")
    run("import", "-", "--bench", bench, stdin=text).refused(2, "WF-03", "Tide arch")


@pytest.mark.parametrize(
    ("text", "said"), [("hello\n", "not JSON"), ("[1]\n", "not an exported session")]
)
def test_a_file_of_another_kind_is_refused(run: Run, tmp_path: Path, text: str, said: str) -> None:
    run("import", "-", "--bench", tmp_path / "bench", stdin=text).refused(2, said)


def test_unreadable_files_are_reported(run: Run, tmp_path: Path) -> None:
    run("import", "none.jsonl", "--bench", tmp_path / "b").refused(2, "none.jsonl")
    run("import", tmp_path, "--bench", tmp_path / "b").refused(2, "folder")
    (tmp_path / "noise").write_bytes(b"\xff\xfe\x00")
    run("import", "noise", "--bench", tmp_path / "b").refused(2, "UTF-8")


def test_json_and_records_on_stdout_are_refused(run: Run, bench: Path) -> None:
    run("export", "--bench", bench, "--json").refused(2, "-o FILE")
    found = run("export", "--bench", bench, "--json", "-o", "all.jsonl").json
    assert found == {"file": "all.jsonl", "sessions": 2, "untested_units": 0}


@pytest.mark.parametrize("decimals", [None, 2])
def test_exported_readings_give_the_same_diagnosis(
    run: Run, bench: Path, prop: Path, decimals: int | None
) -> None:
    with Shelf(bench) as shelf:
        session = Session.resume(shelf, shelf.sessions("WF-03")[-1].id)
        session.record(ReadingTaken("1-2", "4B", 4.21, decimals=decimals))
    for what in ("readings", "marks"):
        words = ["export", "--bench", bench, "--unit", "WF-03", "--csv", what]
        assert run(*words, "-o", f"{what}.csv", "--json").json == {"file": f"{what}.csv", what: 1}
    files = ["--readings", "readings.csv", "--marks", "marks.csv"]
    by_tables = run("diagnose", prop, *files, "--json").json
    assert by_tables["rounded_v"] == (None if decimals is None else 0.01)
    run("export", "--bench", bench, "-o", "all.jsonl")
    session_words = ["diagnose", "--session", "all.jsonl", "--json"]
    assert run(*session_words, "--unit", "WF-03").json == by_tables
    run(*session_words).refused(2, "WF-03, WF-04", "--unit")
    run(*session_words, "--meter", "0.5%+3/6000").refused(2, "--session")
    run("diagnose", "--json").refused(2, "prop file")
    run("export", "--bench", bench, "--csv", "readings").refused(2, "--unit")
    run("export", "--bench", bench, "--csv", "readings", "--unit", "WF-09").refused(2, "WF-09")


def test_the_schema_is_exported(run: Run) -> None:
    schema = json.loads(run("export", "--schema").out)
    assert schema["properties"]["format"] == {"const": 1}
