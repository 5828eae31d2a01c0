"""A bench whose records carry markup, links and terminal orders, and a walk through its screens."""

from __future__ import annotations

import ast
import asyncio
import json
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Input

from benchtest.circuit.prediction import predict
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.records.json_lines import export_lines, import_lines
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.next_step import Task
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    FirstLight,
    NoteMade,
    ReadingTaken,
    SignedOff,
    VerdictGiven,
)
from benchtest.session.log.power_checks import all_checks
from benchtest.session.log.shelf_changes import retire_unit
from benchtest.session.session import Session
from benchtest.tui import app as tui_app
from benchtest.tui.app import BenchApp
from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.close_once import Palette
from benchtest.tui.shelf_screen import ShelfScreen
from benchtest.tui.wide_table import WideTable
from benchtest.virtual.remote_prop import RemoteProp
from tests.tui.conftest import SMALL_FAN, Driven, shown

TUI = Path(tui_app.__file__).parent
TIME = "2026-11-25T18:00:00.000+00:00"
CLICK = "[@click=app.screenshot('victim.txt','.')]x[/][link=https://a]y[/]"
WORDS = f"{CLICK}[ @click=app.bell]w[/]\x1b]0;z\x07\x1b[2J[/x]"
"""Text of every field: read as markup, it acts or stops the program, since nothing opened `x`."""
Site = tuple[str, int]
"""File and line of a call that opens a screen."""

BAD, COLOURS, SOUND, SIGNED, RETIRED, ELSEWHERE, RAW, STEPS = (f"SF-{n:02}" for n in range(1, 9))
"""Units: a bad joint read, a colour that nothing explains, all in order, signed off, retired,
last a virtual prop, one whose fields hold nothing else, and another that is all in order."""
OHMS = {BAD: {"2A+": 0.9}, COLOURS: {}, SOUND: {}, SIGNED: {}, STEPS: {}}
"""Joints whose volts were read. [Ω]"""


def plainly(words: str) -> str:
    """Return the characters of a text that can be drawn."""
    return "".join(sign for sign in words if sign.isprintable())


def hostile_events(words: str) -> list[tuple[str, dict[str, Any]]]:
    """Return events with these words in every field that takes text; none is of use as evidence."""
    suspects = [{"where": words, "fault": words, "probability": 0.9, "ohms": 1.0}]
    return [
        ("note", {"text": words}),
        ("mark", {"lit": words, "strand": 2, "nodes": words, "seen": "dim", "colour": words}),
        ("reading", {"lit": words, "probe": words, "volts": 4.7, "colour": words, "meter": words}),
        ("not-taken", {"lit": words, "probe": words}),
        ("repair", {"where": words, "what": words}),
        ("check", {"check": "rails", "feed": words, "passed": True}),
        ("colour", {"colour": words, "right": False}),
        ("controller", {"agrees": False, "settings": [words]}),
        (
            "verdict",
            {
                "strand": 3,
                "passed": True,
                "others": [
                    {"name": words, "address": words, "universes": [1], "priority": 100, "lead": 0}
                ],
            },
        ),
        ("wiggle", {"end": words, "steady": False}),
        ("renamed", {"tag": words, "was": words}),
        ("retired", {"retired": False, "why": words}),
        ("note", {"text": words, "target": words}),
        (plainly(words)[:80], {words: words, "text": [words]}),
        ("finding", {"healthy": 0.1, "settled": True, "suspects": suspects}),
    ]


def raw_line(design_text: str, words: str) -> str:
    """Return a session of another bench with these words wherever a session takes text."""
    happened = [
        ("verdict", {"strand": 1, "passed": True}),
        ("mark", {"lit": "all", "strand": 2, "nodes": "3", "seen": "dim", "colour": "white"}),
        ("reading", {"lit": "all", "probe": "2A", "volts": 4.7, "source": words}),
        ("repair", {"where": "2A+", "what": words}),
        *hostile_events(words),
        ("reading", {"lit": "all", "probe": "2A", "volts": 4.8, "source": words}),
    ]
    return json.dumps(
        {
            "format": 1,
            "session": plainly(words)[:70],
            "tag": RAW,
            "stage": "bare",
            "started_at": TIME,
            "placed_ms": 1_795_629_600_000,
            "meter": "0.5%+3/6000",
            "design": design_text,
            "events": [
                {"seq": seq, "at": TIME, "kind": kind, "data": data}
                for seq, (kind, data) in enumerate(happened, 1)
            ],
        }
    )


def hostile_design(words: str) -> str:
    """Return a prop file that has these words for its name."""
    assert '"Small fan"' in SMALL_FAN
    text = SMALL_FAN.replace('"Small fan"', json.dumps(plainly(words)[:80]))
    parse_design(text, "hostile.toml")
    return text


def _tested(session: Session, words: str) -> None:
    """Record a test of a unit up to where its readings lead."""
    design, tag = session.design, session.tag
    for check, feed in all_checks(design):
        session.record(CheckMade(check, feed, passed=True))
    session.record(FirstLight(passed=True))
    for colour in design.node.colours:
        session.record(ColourSeen(colour, right=not (tag == COLOURS and colour == "green")))
    session.record(NoteMade(words))
    for number in (1, 2, 3):
        session.record(VerdictGiven(number, passed=True))
        if tag == COLOURS:  # no order of colours puts one alone in a wrong place
            session.record(ColourSeen("green", number != 2, number))
    rails = [f"foot:{n}{rail}>{n}A{rail}" for n in (1, 2, 3) for rail in "+-"]
    probes = [parse_probe(text, design) for text in ["main", "1A", "2A", "3A", *rails]]
    for row in predict(design, all_lit(design), probes, OHMS[tag]).probes:
        taken = ReadingTaken("all", str(row.probe), round(row.volts, 4), source=words)
        session.record(taken)
    if tag == SIGNED:
        session.record(SignedOff(words, words))


def foreign_lines(folder: Path, words: str) -> list[str]:
    """Return the records of another bench, as it would export them."""
    design_text = hostile_design(words)
    with Shelf(folder) as shelf:
        for tag in OHMS:
            _tested(Session.start(shelf, design_text, tag, DEFAULT_METER), words)
        elsewhere = Session.start(shelf, design_text, ELSEWHERE, DEFAULT_METER)
        elsewhere.target = "virtual"
        elsewhere.record(NoteMade(words))
        Session.start(shelf, design_text, RETIRED, DEFAULT_METER)
        retire_unit(shelf, RETIRED, why=words)
        lines = [json.loads(line) for line in export_lines(shelf)]
    for line in lines:
        if line.get("tag") not in (BAD, COLOURS, SOUND, STEPS):
            continue
        seq = line["events"][-1]["seq"]
        line["events"] += [
            {"seq": seq + number, "at": TIME, "kind": kind, "data": data}
            for number, (kind, data) in enumerate(hostile_events(words), 1)
        ]
    return [*(json.dumps(line) for line in lines), raw_line(design_text, words)]


WINDOWS = {
    "why": "y",
    "readings": "a",
    "steps": "t",
    "help": "question_mark",
    "palette": "ctrl+p",
}
"""Keys that open windows of the bench in which nothing is typed."""


class WatchedApp(BenchApp):
    """The program, which notes the calls that open its screens."""

    CSS_PATH = str(TUI / "app.tcss")  # the library looks next to the file of this class

    def __init__(self, bench: LaunchOptions) -> None:
        super().__init__(bench)
        self.opened: set[Site] = set()

    def push_screen(self, screen: Any, *words: Any, **named: Any) -> Any:
        caller = sys._getframe(1)
        self.opened.add((caller.f_code.co_filename, caller.f_lineno))
        return super().push_screen(screen, *words, **named)


def opening_calls() -> set[Site]:
    """Return every call of the terminal program's code that opens a screen."""
    return {
        (str(path), node.lineno)
        for path in TUI.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr == "push_screen"
        and not isinstance(node.func.value, ast.Call)  # `super().push_screen`
    }


class Walk:
    """A user who opens every screen of such a bench and clicks on all links in them."""

    def __init__(self, at: Driven, app: WatchedApp, words: str) -> None:
        self.at = at
        self.app = app
        self.words = words
        self.mark = words[:4]
        self.shown: set[str] = set()
        """Screens, windows and tasks that were checked."""
        self.clicked: set[tuple[str, str]] = set()
        """Screen and action of each link that was clicked."""
        self.touched: set[tuple[str, str]] = set()
        """Screen and text of each line with foreign text that was clicked on."""
        self.with_words: set[str] = set()
        """Checked screens, windows and tasks that showed words of the record."""

    # -- what must hold ------------------------------------------------------------------------

    async def check(self, name: str) -> None:
        """Check that no text acts, and click on each piece of foreign text."""
        app, top = self.app, self.app.screen
        await self.at.pilot.pause()
        self.shown.add(name)
        spots = []
        for y, strip in enumerate(shown(app)):
            for segment in strip:
                if segment.style is not None:
                    assert segment.style.link is None
            text = "".join(segment.text for segment in strip)
            places = _places(text, self.mark)
            if places:
                self.with_words.add(name)
            if (type(top).__name__, text) not in self.touched:
                spots += [(x + 1, y) for x in places]
                self.touched.add((type(top).__name__, text))
        for _, action in self.links():
            assert action.startswith("screen."), action
            assert self.mark not in action
        for widget in top.walk_children(Widget):
            assert widget.render_str("[b]x[/b]").plain == "[b]x[/b]" or not (
                widget.border_title or widget.border_subtitle
            )
            assert widget.tooltip is None
        for spot in spots:
            if app.screen is not top:
                break
            await self.at.pilot.click(offset=spot)
            await self.at.pilot.pause()
        assert app.is_running

    def links(self) -> list[tuple[tuple[int, int], str]]:
        """Return place and action of the links of the top screen, one for each action."""
        found: dict[str, tuple[int, int]] = {}
        for y, strip in enumerate(shown(self.app)):
            x = 0
            for segment in strip:
                meta = segment.style.meta if segment.style is not None else {}
                if (action := meta.get("@click")) is not None:
                    found.setdefault(str(action), (x, y))
                x += segment.cell_length
        return [(spot, action) for action, spot in found.items()]

    # -- ways ----------------------------------------------------------------------------------

    async def close(self) -> None:
        """Leave every window on top; each is checked first."""
        async with asyncio.timeout(30.0):
            while isinstance(top := self.app.screen, ModalScreen):
                await self.check(type(top).__name__)
                if self.app.screen is top:
                    await self.at.keys("escape")
                    await self.at.pilot.pause()

    async def shelf(self) -> None:
        """Go back to the shelf."""
        async with asyncio.timeout(30.0):
            while not isinstance(self.app.screen, ShelfScreen):
                await self.at.keys("escape")
                await self.at.pilot.pause()
        table = self.app.screen.query_one(WideTable)
        await self.at.until(lambda: bool(str(table.get_row_at(table.row_count - 1)[-1])))

    async def go_to(self, tag: str) -> None:
        """Put the shelf's cursor on a unit."""
        await self.shelf()
        screen = self.app.screen
        assert isinstance(screen, ShelfScreen)
        table = screen.query_one(WideTable)
        async with asyncio.timeout(30.0):
            while screen.tag != tag:  # the list may be filled again meanwhile
                await self.at.keys("home" if table.cursor_row == table.row_count - 1 else "down")

    async def bench(self, tag: str, *keys: str, tasks: Iterable[Task] = ()) -> None:
        """Bring a unit onto the bench, press keys, and wait for a task."""
        top = self.app.screen
        if not (isinstance(top, BenchScreen) and top.workbench.session.tag == tag):
            await self.go_to(tag)
            await self.at.keys("enter")
            await self.at.until(lambda: not isinstance(self.app.screen, ShelfScreen))
            while isinstance(self.app.screen, ModalScreen):
                await self.check(type(self.app.screen).__name__)
                await self.at.keys("enter")
                await self.at.pilot.pause()
        await self.at.keys(*keys)
        if tasks:
            await self.at.until_task(*tasks)

    async def window(self, name: str, *keys: str) -> None:
        """Open a window by keys and check it."""
        below = self.app.screen
        await self.at.keys(*keys)
        await self.at.until(lambda: self.app.screen is not below)
        await self.check(name)

    async def left(self, name: str, *keys: str) -> None:
        """Open a window by keys, check it, and leave it by its link."""
        below = self.app.screen
        await self.window(name, *keys)
        await self.click("screen.leave")
        await self.at.until(lambda: self.app.screen is below)

    async def form(self, name: str, *keys: str) -> None:
        """Leave a form by its link; then fill it with the record's words, and submit it."""
        await self.left(name, *keys)
        await self.window(name, *keys)
        for line in self.app.screen.query(Input):
            line.value = self.words
        await self.check(name)
        form = self.app.screen
        await self.click("screen.go_on")
        for _ in range(len(form.query(Input))):
            if self.app.screen is form:  # a click goes to the next line first
                await self.at.keys("enter")
        await self.at.until(lambda: self.app.screen is not form)

    async def click(self, action: str) -> None:
        """Click on the link with this action."""
        self.clicked.add((type(self.app.screen).__name__, action))
        (spot,) = [spot for spot, there in self.links() if there == action]
        await self.at.pilot.click(offset=spot)
        await self.at.pilot.pause()

    async def look_around(self, again: Callable[[], Awaitable[None]], *names: str) -> None:
        """Open windows of the bench that take nothing, check and close them.

        Args:
            again: leads back to the bench.
            names: of `WINDOWS`.
        """
        for name in names:
            await self.window(name, WINDOWS[name])
            if isinstance(self.app.screen, Palette):
                await self.at.type("e")
                await self.check("palette with hits")
            await self.close()
            await again()

    async def click_all(self, again: Callable[[], Awaitable[None]]) -> None:
        """Click on every link of this kind of screen that was not clicked before.

        Args:
            again: leads back to this screen.
        """
        await again()  # a click on foreign text may have led away
        name = type(self.app.screen).__name__
        while True:
            assert type(self.app.screen).__name__ == name
            new = [
                action for _, action in self.links()
                if (name, action) not in self.clicked and action != "screen.end"
            ]  # fmt: skip
            if not new:
                return
            await self.click(new[0])
            await self.close()
            await again()


def _places(text: str, mark: str) -> list[int]:
    found = [text.find(mark)]
    while found[-1] >= 0:
        found.append(text.find(mark, found[-1] + 1))
    return found[:-1]


@asynccontextmanager
async def walked(folder: Path, prop: tuple[Path, RemoteProp], words: str) -> AsyncIterator[Walk]:
    """Import such records onto a bench, and run the program there."""
    bench = folder / "[b]bench"
    with Shelf(bench) as shelf:
        import_lines(shelf, foreign_lines(folder / "foreign", words), "records.jsonl")
        first = shelf.sessions(BAD)[0].id
    options = LaunchOptions(bench, prop[1].target, prop[0], resume=first, points=False)
    app = WatchedApp(options)
    try:
        async with app.run_test(size=(110, 36), notifications=True, tooltips=True) as pilot:
            yield Walk(Driven(app, pilot), app, words)
    finally:
        app.end()
