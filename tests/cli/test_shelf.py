"""`benchtest shelf` and `benchtest report`, as processes of their own."""

from __future__ import annotations

from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.events import NoteMade, ReadingTaken, VerdictGiven
from benchtest.session.live import Session

Run = Callable[..., Any]


@pytest.fixture
def bench(prop: Path, tmp_path: Path) -> Path:
    """A bench folder with one unit, under test."""
    folder = tmp_path / "bench"
    with Shelf(folder) as shelf:
        session = Session.start(shelf, prop.read_text(encoding="utf-8"), "WF-03", DEFAULT_METER)
        for strand in (1, 2, 3, 4):
            session.record(VerdictGiven(strand, passed=strand != 3))
        session.record(ReadingTaken("all", "2A", 4.921))
        session.record(NoteMade("<b>looks & feels</b> sound"))
    return folder


class _Parsed(HTMLParser):
    """What a page refers to, and the words on it."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.refers: list[str] = []
        self.words: list[str] = []
        self.tags: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.refers += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_an_empty_bench_says_so(run: Run, tmp_path: Path) -> None:
    done = run("--bench", tmp_path / "new", "shelf")
    assert done.code == 0
    assert "No units" in done.out
    assert run("--bench", tmp_path / "new", "shelf", "--json").json == {"units": []}


def test_the_shelf_says_what_is_open(run: Run, bench: Path) -> None:
    (unit,) = run("shelf", "--bench", bench, "--json").json["units"]
    assert (unit["tag"], unit["design"]) == ("WF-03", "Willow fan")
    assert any("3" in words for words in unit["open"])
    assert "sign-off" in unit["open"]
    done = run("shelf", "--bench", bench, COLUMNS="160")
    assert unit["says"] == "WF-03: bare, waits for: " + ", ".join(unit["open"])
    assert unit["says"] in done.out
    assert "sign-off" in done.out


def test_damaged_records_are_put_back_by_the_command_that_is_named(
    run: Run, bench: Path, tmp_path: Path
) -> None:
    before = run("export", "--bench", bench).out
    (bench / "bench.sqlite3").write_bytes(b"\xff" * 8192)
    said = run("shelf", "--bench", bench)
    said.refused(1, f"benchtest --bench {bench} shelf --restore")
    done = run("--bench", bench, "shelf", "--restore", "--json").json
    assert (done["events"], done["saved_events"]) == (6, 0)
    assert (Path(done["damaged"]) / "bench.sqlite3").is_file()
    assert run("export", "--bench", bench).out == before
    run("--bench", bench, "shelf", "--restore").refused(2, "is whole")


def test_the_users_own_folder_is_the_default(run: Run, tmp_path: Path) -> None:
    assert run("shelf").code == 0
    assert (tmp_path / "data" / "benchtest").is_dir()


def test_a_report_is_one_page_that_needs_nothing_else(
    run: Run, bench: Path, tmp_path: Path
) -> None:
    done = run("report", "WF-03", "--bench", bench)
    assert done.code == 0, done.err
    assert "WF-03.html" in done.out
    page = (tmp_path / "WF-03.html").read_text(encoding="utf-8")
    parsed = _Parsed(page)
    assert all(link.startswith(("#", "data:")) for link in parsed.refers)
    assert "link" not in parsed.tags
    assert "script" not in parsed.tags
    words = " ".join(parsed.words)
    assert "WF-03" in words
    assert "Willow fan" in words
    assert "4.921" in words
    assert "<b>looks & feels</b> sound" in words  # a note is words, never markup


def test_a_report_goes_where_it_is_asked_for(run: Run, bench: Path, tmp_path: Path) -> None:
    words = ["report", "WF-03", "--bench", bench]
    found = run(*words, "-o", "there.html", "--json").json
    assert (found["tag"], found["file"]) == ("WF-03", "there.html")
    page = (tmp_path / "there.html").read_text(encoding="utf-8")
    assert run(*words, "-o", "-").out == page


def test_an_unknown_unit_gets_a_guess(run: Run, bench: Path) -> None:
    run("report", "WF-30", "--bench", bench).refused(2, 'did you mean "WF-03"?')


def test_a_report_that_cannot_be_written_says_so(run: Run, bench: Path, tmp_path: Path) -> None:
    where = tmp_path / "none" / "report.html"
    run("report", "WF-03", "--bench", bench, "-o", where).refused(1, str(where))


def test_a_bench_folder_that_is_a_file_is_refused(run: Run, prop: Path) -> None:
    run("shelf", "--bench", prop).refused(1, str(prop))
