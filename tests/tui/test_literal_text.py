"""Text of another bench's record is literal on every screen of the terminal program.

A record with markup, links and terminal orders in every text field is imported as a person would
import it. Then every screen is opened, checked and clicked.
"""

from __future__ import annotations

import ast
from pathlib import Path
from typing import get_args

import pytest

from benchtest.drive.signals import hold_lights
from benchtest.session.guidance.next_step import Task
from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.compare_screen import CompareScreen
from benchtest.tui.dialogs import AskFor, Tell
from benchtest.tui.shelf_screen import ShelfScreen
from benchtest.virtual.remote_prop import RemoteProp
from tests.tui.hostile import (
    BAD,
    COLOURS,
    ELSEWHERE,
    NO_MARKUP,
    ORDERS,
    RAW,
    SIGNED,
    SOUND,
    STEPS,
    TUI,
    WINDOWS,
    Walk,
    opening_calls,
    walked,
)

LIBRARY_TEXT = {
    "Static",
    "Label",
    "DataTable",
    "OptionList",
    "Button",
    "Markdown",
    "Log",
    "RichLog",
}
"""Widgets of the library that read strings as markup or that have literal forms of our own."""


CLICK = "[@click=app.screenshot('victim.txt','.')]x[/][link=https://a]y[/]"
ORDERS = f"{CLICK}[ @click=app.bell]w[/]\x1b]0;z\x07\x1b[2J"
NO_MARKUP = "[/x]"


def _plain(words: str) -> str:
    return "".join(sign for sign in words if sign.isprintable())


def _line(design: str, words: str, number: int, signed: bool) -> str:
    """Return a session of another bench with these words in every field that takes text."""
    suspects = [{"where": words, "fault": words, "probability": 0.9, "ohms": 1.0}]
    happened: list[tuple[str, dict[str, Any]]] = [
        ("note", {"text": words}),
        ("verdict", {"strand": 1, "passed": True}),
        ("mark", {"lit": "all", "strand": 2, "nodes": "3", "seen": "dim", "colour": "white"}),
        ("mark", {"lit": words, "strand": 2, "nodes": words, "seen": "dim", "colour": words}),
        ("reading", {"lit": "all", "probe": "2A", "volts": 4.7, "source": words}),
        ("reading", {"lit": words, "probe": words, "volts": 4.7, "colour": words, "meter": words}),
        ("repair", {"where": words, "what": words}),
        ("repair", {"where": "2A+", "what": words}),
        ("check", {"check": "rails", "feed": words, "passed": True}),
        ("colour", {"colour": words, "right": False}),
        ("wiggle", {"end": words, "steady": False}),
        ("renamed", {"tag": words, "was": words}),
        ("retired", {"retired": False, "why": words}),
        ("note", {"text": words, "target": words}),
        (_plain(words)[:80], {words: words, "text": [words]}),
        ("reading", {"lit": "all", "probe": "2A", "volts": 4.8, "source": words}),
        ("finding", {"healthy": 0.1, "settled": True, "suspects": suspects}),
    ]
    if signed:
        happened.append(("signed-off", {"by": words, "comment": words}))
    events = [
        {"seq": seq, "at": TIME, "kind": kind, "data": data}
        for seq, (kind, data) in enumerate(happened, 1)
    ]
    return json.dumps(
        {
            "format": 1,
            "session": f"{_plain(words)[:70]}{number}",
            "tag": f"SF-{number:02}",
            "stage": "bare",
            "started_at": TIME,
            "placed_ms": 1_795_629_600_000,
            "meter": "0.5%+3/6000",
            "design": design,
            "events": events,
        }
    )


def _design(words: str) -> str:
    """Return a prop file that has these words for its name."""
    assert '"Small fan"' in SMALL_FAN
    text = SMALL_FAN.replace('"Small fan"', json.dumps(_plain(words)[:80]))
    parse_design(text, "hostile.toml")
    return text


class _Hostile:
    """The program on such a bench, with the checks of each screen."""

    def __init__(self, at: Driven, words: str) -> None:
        self.at = at
        self.words = words
        self.mark = words[:10]
        self.seen: set[str] = set()

    async def check(self, name: str, needs_words: bool = True) -> None:
        """Check that no string is markup, and that a click on foreign text runs no action."""
        app = self.at.app
        if needs_words:
            await self.at.until(lambda: self.mark[:4] in self.at.words())
            self.seen.add(name)
        spots = []
        for y, strip in enumerate(shown(app)):
            for segment in strip:
                if segment.style is None:
                    continue
                assert segment.style.link is None
                click = segment.style.meta.get("@click")
                assert click is None or str(click).startswith("screen."), click
            text = "".join(segment.text for segment in strip)
            if (x := text.find(self.mark[:4])) >= 0:
                spots += [(x, y), (x + 2, y)]
        for widget in app.screen.walk_children(Widget):
            assert widget.render_str("[b]x[/b]").plain == "[b]x[/b]" or not (
                widget.border_title or widget.border_subtitle
            )
        top = app.screen
        for spot in spots:
            if app.screen is not top:
                break
            await self.at.pilot.click(offset=spot)
            await self.at.pilot.pause()
        assert app.is_running


@asynccontextmanager
async def _opened(
    folder: Path, prop: tuple[Path, RemoteProp], words: str
) -> AsyncIterator[_Hostile]:
    design = _design(words)
    with Shelf(folder) as shelf:
        lines = [_line(design, words, 1, signed=False), _line(design, words, 2, signed=True)]
        import_lines(shelf, lines, "records.jsonl")
    app = BenchApp(Bench(folder, prop[1].target, prop[0]))
    try:
        async with app.run_test(size=(110, 36), notifications=True, tooltips=True) as pilot:
            yield _Hostile(Driven(app, pilot), words)
    finally:
        app.end()


@pytest.mark.parametrize("words", [ORDERS, NO_MARKUP], ids=["clicks", "no-markup"])
async def test_text_of_a_record_is_literal_on_every_screen(
    tmp_path: Path, prop: tuple[Path, RemoteProp], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    victims = tmp_path / "victims"
    victims.mkdir()
    monkeypatch.chdir(victims)
    async with walked(tmp_path, prop, words) as walk:
        await _at_a_repair(walk)
        await _at_colours(walk)
        await _at_sign_off(walk)
        await _at_every_step(walk)
        await _on_the_shelf(walk)
        await _in_comparisons(walk)
        await _in_practice(walk)
        await _to_the_next_unit(walk)
        assert opening_calls() - walk.app.opened == set()
        assert set(get_args(Task)) - {"think"} <= walk.shown
        assert {"shelf", "repair", "note done", "done", "compare", "target"} <= walk.with_words
        await walk.shelf()
        await walk.click("screen.end")
        await walk.at.until(lambda: not walk.app.is_running)
    assert list(victims.iterdir()) == []


def test_text_is_shown_by_literal_widgets_only() -> None:
    """The library's widgets, its markup and its tooltips are used in `literal_text.py` only."""
    found = []
    for path in sorted(TUI.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            made = [node.func] if isinstance(node, ast.Call) else []
            made += node.bases if isinstance(node, ast.ClassDef) else []
            names = {name.id for name in made if isinstance(name, ast.Name)}
            markup = isinstance(node, ast.ImportFrom) and node.module == "textual.markup"
            markup |= isinstance(node, ast.Attribute) and node.attr in ("from_markup", "tooltip")
            if markup or (names & LIBRARY_TEXT and path.name != "literal_text.py"):
                found.append(f"{path.relative_to(TUI)}:{getattr(node, 'lineno', 0)}")
    assert found == []
