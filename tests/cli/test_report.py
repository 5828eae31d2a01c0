"""`benchtest report` and `benchtest label`, as separate processes."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import html5lib
import pytest

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import NoteMade, ReadingTaken, SignedOff, VerdictGiven
from benchtest.session.session import Session

Run = Callable[..., Any]


@pytest.fixture
def bench(prop: Path, tmp_path: Path) -> Path:
    """Make a bench with two units of one design, one of them tested twice."""
    folder = tmp_path / "bench"
    text = prop.read_text(encoding="utf-8")
    with Shelf(folder) as shelf:
        session = Session.start(shelf, text, "WF-03", DEFAULT_METER)
        session.record(ReadingTaken("all", "2A", 4.899))
        session.record(SignedOff("Mara"))
        session = Session.start(shelf, text, "WF-03", DEFAULT_METER)
        for strand in (1, 2, 3, 4):
            session.record(VerdictGiven(strand, passed=strand != 3))
        session.record(ReadingTaken("all", "2A", 4.921))
        session.record(NoteMade("<b>looks & feels</b> sound"))
        other = Session.start(shelf, text, "WF-04", DEFAULT_METER)
        other.record(ReadingTaken("all", "2A", 4.930))
    return folder


class _Parsed(HTMLParser):
    """Links, tags and text of a page."""

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


def test_a_report_is_one_self_contained_page(run: Run, bench: Path, tmp_path: Path) -> None:
    done = run("report", "WF-03", "--bench", bench)
    assert done.code == 0, done.err
    assert "WF-03.html" in done.out
    page = (tmp_path / "WF-03.html").read_text(encoding="utf-8")
    parsed = _Parsed(page)
    assert all(link.startswith("#") for link in parsed.refers)
    assert "link" not in parsed.tags
    assert "script" not in parsed.tags
    words = " ".join(parsed.words)
    for said in ("WF-03", "Willow fan", "4.921", "foot", "crown", "strand 4", "Mara"):
        assert said in words
    assert "<b>looks & feels</b> sound" in words  # a note is text, never markup
    assert run("report", "WF-03", "--bench", bench, "-o", "-").out == page


def test_an_unknown_unit_gets_a_guess(run: Run, bench: Path) -> None:
    run("report", "WF-033", "--bench", bench).refused(2, 'did you mean "WF-03"?')


def test_a_failed_report_write_is_reported(run: Run, bench: Path, tmp_path: Path) -> None:
    where = tmp_path / "none" / "report.html"
    run("report", "WF-03", "--bench", bench, "-o", where).refused(1, str(where))


def test_a_label_code_opens_its_record(run: Run, bench: Path) -> None:
    with Shelf(bench) as shelf:
        first, last = shelf.sessions("WF-03")
    newest = run("report", "WF-03", "--bench", bench, "-o", "a.html", "--json").json
    assert newest["session"] == last.id
    code = f"benchtest:WF-03:{first.id}"
    scanned = run("report", code, "--bench", bench, "-o", "b.html", "--json").json
    assert (scanned["tag"], scanned["session"]) == ("WF-03", first.id)
    run("report", f"{code}0", "--bench", bench).refused(2, "is not on this bench")


def test_all_units_of_a_design_are_one_page(run: Run, bench: Path, tmp_path: Path) -> None:
    done = run("report", "--design", "Willow fan", "--bench", bench)
    assert done.code == 0, done.err
    page = (tmp_path / "willow-fan.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(page)
    words = " ".join(_Parsed(page).words)
    for said in ("0 of 2 have passed", "WF-03", "WF-04", "4.925", "strand 3 failed"):
        assert said in words
    found = run("report", "--design", "Willow fan", "--bench", bench, "--json").json
    assert found["units"] == ["WF-03", "WF-04"]
    assert found["outliers"] == []


def test_a_report_needs_a_unit_or_a_design(run: Run, bench: Path) -> None:
    run("report", "--bench", bench).refused(2, "give one unit", "--design")
    run("report", "WF-03", "--design", "Willow fan", "--bench", bench).refused(2, "give one unit")
    run("report", "--design", "Wilow fan", "--bench", bench).refused(
        2, 'did you mean "Willow fan"?'
    )


def test_a_label_has_a_readable_code(run: Run, bench: Path, tmp_path: Path) -> None:
    """Drawn by pdftoppm, read by zbarimg."""
    found = run("label", "WF-03", "--bench", bench, "--json").json
    assert found == {"tags": ["WF-03"], "file": "WF-03-label.pdf"}
    subprocess.run(
        ["pdftoppm", "-r", "203", "-singlefile", "-png", "WF-03-label.pdf", "label"],
        cwd=tmp_path, check=True,
    )  # fmt: skip
    read = subprocess.run(
        ["zbarimg", "-q", "--raw", "label.png"],
        cwd=tmp_path, check=True, capture_output=True, encoding="utf-8",
    )  # fmt: skip
    with Shelf(bench) as shelf:
        last = shelf.sessions("WF-03")[-1]
    assert read.stdout.strip() == f"benchtest:WF-03:{last.id}"


def test_labels_of_a_design_fill_a_sheet(run: Run, bench: Path, tmp_path: Path) -> None:
    done = run(
        "label", "--design", "Willow fan", "--bench", bench, "--sheet", "a4-21", "-o", "s.svg"
    )
    assert done.code == 0, done.err
    assert "Wrote 2 labels to s.svg." in done.out
    assert (tmp_path / "s.svg").read_text(encoding="utf-8").startswith("<?xml")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "give units"),
        (["WF-033"], 'did you mean "WF-03"?'),
        (["WF-03", "-o", "label.png"], ".pdf or .svg"),
        (["WF-03", "WF-04", "-o", "label.svg"], "an SVG file has one label"),
        (["WF-03", "--size", "big"], "width x height"),
        (["WF-03", "--sheet", "a5"], "give one of a4-21"),
        (["WF-03", "--skip", "3"], "together with --sheet"),
        (["WF-03", "--skip", "21", "--sheet", "a4-21"], "a sheet has 21"),
    ],
)
def test_invalid_label_options_are_refused(
    run: Run, bench: Path, words: list[str], said: str
) -> None:
    run("label", *words, "--bench", bench).refused(2, said)
