"""Hostile names of units and props, in every output.

A prop file may contain any printable line, and an imported record brings one along: such a name is
shown literally and has no effect. Names with other characters are refused.
"""

from __future__ import annotations

import csv
import json
import shlex
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from textual.widgets import DataTable

from benchtest.cli.main import main
from benchtest.errors import BenchError
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.reader import parse_design
from benchtest.records.models import check_tag
from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import NoteMade, ReadingTaken, SignedOff
from benchtest.session.session import Session
from benchtest.tui.app import BenchApp
from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.shelf_screen import ShelfScreen
from tests.fuzz.good import SMALL_FAN
from tests.tui.conftest import Driven
from tests.tui.served import Served

NAME = "[/]=1+1../../<b onclick=x>&amp;{{7*7}}[@click=app.quit]$(touch x)`x`\\\"'"
"""Markup of rich and Textual, a spreadsheet's formula, a path, HTML, a template, shell commands."""
TAG = "WF-03"
TERMINAL_ORDERS = ("\x1b[2J", "\x1b]0;x\x07", "\x9b2J", "a\rb", "a\nb", "\u202eab", "\u2066ab")
"""Clear a screen, set a window title, overwrite a line, change the direction of reading."""
NO_TAGS = (
    *TERMINAL_ORDERS, "", ".", "..", "../x", "a/b", "a\\b", "-x", "a b", "a\0", "~", "C:x", "a[b]",
    "<b>", "=1", "x" * 41, "é", "$(x)",
)  # fmt: skip


def _prop_text(name: str) -> str:
    return SMALL_FAN.replace('"Small fan"', json.dumps(name))  # TOML accepts what JSON writes


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench with a unit of that design, tested and signed off with such texts."""
    folder = tmp_path_factory.mktemp("named")
    (folder / "fan.toml").write_text(_prop_text(NAME), encoding="utf-8")
    with Shelf(folder / "bench") as shelf:
        session = Session.start(shelf, _prop_text(NAME), TAG, DEFAULT_METER)
        session.record(ReadingTaken("all", "4A", 4.8))
        session.record(NoteMade(NAME))
        session.record(SignedOff(NAME, NAME))
    return folder


@pytest.mark.parametrize("tag", NO_TAGS)
def test_an_invalid_tag_is_refused_with_a_plain_message(tag: str) -> None:
    with pytest.raises(BenchError) as refused:
        check_tag(tag)
    assert str(refused.value).isprintable()


@pytest.mark.parametrize("order", TERMINAL_ORDERS)
def test_a_name_that_controls_a_terminal_is_refused_with_a_plain_message(order: str) -> None:
    for text in (_prop_text(order), SMALL_FAN.replace('"foot"', json.dumps(order))):
        with pytest.raises(BenchError) as refused:
            parse_design(text, "fan.toml")
        assert str(refused.value).replace("\n", "").isprintable()


COMMANDS = {
    "check": ["check", "fan.toml"],
    "predict": ["predict", "fan.toml"],
    "diagnose": ["diagnose", "fan.toml"],
    "netlist": ["netlist", "fan.toml"],
    "shelf": ["shelf"],
    "compare": ["compare", "--design", NAME],
}


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_a_terminal_shows_a_name_literally(
    bench: Path,
    words: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(bench)
    monkeypatch.setenv("COLUMNS", "300")
    assert main([*words, "--bench", "bench"]) == 0
    said = capsys.readouterr().out
    assert NAME in said
    assert said.replace("\n", "").isprintable()


def test_json_and_csv_keep_a_name_unchanged(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(bench)

    def said(*words: str) -> str:
        assert main([*words, "--bench", "bench"]) == 0
        return capsys.readouterr().out

    assert json.loads(said("check", "fan.toml", "--json"))["prop"] == NAME
    assert json.loads(said("shelf", "--json"))["units"][0]["design"] == NAME
    line = json.loads(said("export"))
    assert parse_design(line["design"], "exported").name == NAME
    assert line["events"][1]["data"]["text"] == NAME
    for what in ("readings", "marks"):
        rows = list(csv.reader(said("export", "--unit", TAG, "--csv", what).splitlines()))
        assert all(len(row) == len(rows[0]) for row in rows)
        # a spreadsheet calculates a cell that begins so; negative numbers are harmless
        assert not any(cell[:1] in ("=", "+", "@", "\t") for row in rows for cell in row)


class _Tags(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.words, self.found = "", set[str]()
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found |= {tag, *(name for name, _ in attrs if name.startswith("on"))}

    def handle_data(self, data: str) -> None:
        self.words += data


def test_paper_shows_a_name_as_text_and_files_stay_in_their_folder(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    here = tmp_path / "one" / "two" / "three"
    here.mkdir(parents=True)
    monkeypatch.chdir(here)
    for words in (["report", TAG], ["report", "--design", NAME], ["label", TAG]):
        assert main([*words, "--bench", str(bench / "bench")]) == 0
    assert main(["label", TAG, "-o", "label.svg", "--bench", str(bench / "bench")]) == 0
    capsys.readouterr()
    assert sorted(path.suffix for path in here.iterdir()) == [".html", ".html", ".pdf", ".svg"]
    assert {path for path in tmp_path.rglob("*") if path.is_file()} == set(here.iterdir())
    for path in here.glob("*.html"):
        page = _Tags(path.read_text("utf-8"))
        assert NAME in page.words
        assert not page.found & {"script", "img", "a", "onclick"}
    ElementTree.parse(here / "label.svg")


async def test_the_terminal_program_shows_a_name_literally(bench: Path, tmp_path: Path) -> None:
    """On the shelf, at the bench and among a unit's tests, where a click on it has no effect."""
    with Shelf(tmp_path) as shelf:
        Session.start(shelf, _prop_text(NAME), TAG, DEFAULT_METER).record(NoteMade(NAME))
    app = BenchApp(LaunchOptions(tmp_path, "virtual", prop_file=bench / "fan.toml"))
    try:
        async with app.run_test(size=(200, 40)) as pilot:
            at = Driven(app, pilot)
            await at.until(lambda: isinstance(app.screen, ShelfScreen))
            await at.until(lambda: "Unfinished" in at.words())
            assert NAME in at.words()
            column = at.words().splitlines()[2].index("app.quit")
            await pilot.click(DataTable, offset=(column, 1))
            await at.keys("c")
            await at.until(lambda: "joints compared" in at.words())
            assert NAME in at.words()
            await at.keys("escape", "enter")
            await at.until(lambda: isinstance(app.screen, BenchScreen) and NAME in at.words())
            await at.keys("n")
            await at.type("x")
            await at.keys("enter")
            assert app.is_running
    finally:
        app.end()


async def test_a_browser_shows_a_name_literally(bench: Path) -> None:
    served = Served(bench / "bench")
    try:
        async with served.browser(code=False) as browser:
            page = await (await browser.get()).text()
            assert NAME not in page
            look = await browser.look()
            await look.until(NAME[:20])
            await look.socket.close()
        assert "Traceback" not in served.printed
    finally:
        served.close()


def test_a_shell_completes_a_name_to_one_harmless_word(bench: Path) -> None:
    script = """
    PATH="$1:$PATH"; eval "$(benchtest completion bash)"
    COMP_LINE="benchtest --bench bench compare --design [" COMP_POINT=${#COMP_LINE} COMP_TYPE=9
    _python_argcomplete benchtest
    printf '%s\\n' "${COMPREPLY[@]}"
    """
    done = subprocess.run(
        ["bash", "--norc", "-c", script, "bash", str(Path(sys.executable).parent)],
        cwd=bench, text=True, capture_output=True, check=True,
    )  # fmt: skip
    assert shlex.split(done.stdout) == [NAME]
