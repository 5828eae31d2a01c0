"""Snapshots of every step: its text at three sizes, and at the smallest one in every look.

Colours are tested by rules, not by snapshots: text is readable on light and dark, and grey without
colour. `python -m tests.tui.test_step_snapshots` renews the texts.
"""

from __future__ import annotations

import asyncio
import socket
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path

import numpy as np
import pytest
from rich.segment import Segment
from textual.widgets import Input

from benchtest.circuit.prediction import predict
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.steps import StepName
from benchtest.session.log.events import ReadingTaken, VerdictGiven
from benchtest.session.session import Session
from benchtest.tui.app import LIGHT
from benchtest.tui.shelf_screen import ShelfScreen
from tests.tui.conftest import SMALL_FAN, Driven, driven, make_ready, shown
from tests.tui.test_snapshots import FOLDER, LOOKS, MINUTES, SIZES, _environment, _is_grey, _legible

STEPS: tuple[StepName, ...] = (
    "checks", "first-light", "strands", "search", "colours", "readings", "wiggle", "soak",
)  # fmt: skip
READ = (("2", "2A"), ("2", "2B"), ("2", "foot:2+>2A+"))
KEPT = {"dark": SIZES, "ascii": SIZES[:1]}
"""Looks whose text is kept, with the sizes of their terminals. Characters and colours change no
layout."""
WINDOWS = ("why", "help", "steps-menu")
"""Windows that dim the screen below them on purpose."""
Drawn = list[list[Segment]]


def _prepare(folder: Path) -> Path:
    """Put a unit on the shelf with the readings of one bad joint: 2A+ has 0.9 ohm."""
    prop = folder / "small-fan.toml"
    prop.write_text(SMALL_FAN)
    make_ready(folder / "bench", prop, "SF-01")
    with Shelf(folder / "bench") as shelf:
        session = Session.resume(shelf, shelf.sessions("SF-01")[0].id)
        for number in (1, 2, 3):
            session.record(VerdictGiven(number, passed=True))
        for lit_text, probe_text in READ:
            lit, probe = (
                parse_lit_set(lit_text, session.design),
                parse_probe(probe_text, session.design),
            )
            (row,) = predict(session.design, lit, [probe], joint_ohm={"2A+": 0.9}).probes
            session.record(ReadingTaken(lit_text, probe_text, round(row.volts, 4)))
    return prop


async def _drawn(at: Driven, width: int, height: int) -> Drawn:
    """Return the screen at one size once it no longer changes."""
    await at.pilot.resize_terminal(width, height)
    app = at.app
    before: Drawn = []
    async with asyncio.timeout(60.0):
        while True:
            now = [list(strip) for strip in shown(app)]
            visible = (app.screen, *app._background_screens)
            fits = all(screen._compositor.size == (width, height) for screen in visible)
            if fits and now == before:
                return now
            before = now
            await at.pilot.pause(0.04)


async def _visit(at: Driven) -> AsyncIterator[str]:
    """Go to every step in turn, and yield its name while it is on the screen."""
    await at.until_task("repair")
    await at.until(lambda: at.workbench.worker.details is not None)
    at.app.screen.query_one("#entry", Input).cursor_blink = False
    yield "finding"
    for key, name in (("y", "why"), ("question_mark", "help"), ("t", "steps-menu")):
        await at.keys(key)
        yield name
        await at.keys("escape")
    for step in STEPS:
        at.workbench.go_to(step)
        at.screen.message = ""
        at.screen.go()
        await at.until(
            lambda: np.array_equal(at.workbench.clock.showing(), at.workbench.light.frame)
        )
        yield step
    at.workbench.walk.choose_strand(2)
    at.workbench.walk.begin_by_hand()
    at.screen.go()
    yield "walk"
    at.workbench.drop_overrides()
    await at.keys("escape")
    await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
    await at.until(lambda: "Unfinished: " in at.words())
    yield "shelf"


async def _screens(folder: Path, look: str) -> dict[str, Drawn]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        to = f"e131:127.0.0.1:{ear.getsockname()[1]}"
        found = {}
        async with driven(folder / "bench", _prepare(folder), tag="SF-01", to=to) as at:
            if look == "light":
                at.app.theme = LIGHT
            async for step in _visit(at):
                for width, height in KEPT.get(look, SIZES[:1]):
                    found[f"{step} {width}x{height}"] = await _drawn(at, width, height)
        return found


def _take(look: str) -> dict[str, Drawn]:
    with tempfile.TemporaryDirectory() as folder, _environment(LOOKS[look]):
        return asyncio.run(_screens(Path(folder), look))


def _written(screens: dict[str, Drawn]) -> str:
    """Return all texts; the shelf's folder, which differs with each run, is masked."""
    parts = []
    for name, rows in screens.items():
        lines = ["".join(segment.text for segment in row).rstrip() for row in rows]
        lines[0] = MINUTES.sub("0 min", lines[0])
        if name.startswith("shelf"):
            lines[0] = lines[0].partition(" in ")[0]
        parts.append("\n".join([f"== {name}", *lines]))
    return "\n".join(parts) + "\n"


@pytest.mark.parametrize("look", KEPT)
def test_every_step_matches_its_snapshot(look: str) -> None:
    screens = _take(look)
    for name, rows in screens.items():
        if not name.startswith(WINDOWS):
            _legible(rows)
    text = _written(screens)
    assert text.isascii() or look != "ascii"
    kept = (FOLDER / f"steps-{look}.txt").read_text("utf-8")
    assert text == kept, f"{look}: take it anew if that is what you meant"


@pytest.mark.parametrize("look", ["light", "no-colour"])
def test_every_step_is_readable_on_a_light_screen_and_without_colour(look: str) -> None:
    screens = _take(look)
    for name, rows in screens.items():
        if not name.startswith(WINDOWS):
            _legible(rows)
        if look == "no-colour":
            assert all(_is_grey(segment.style) for row in rows for segment in row), name
    # colour is never the only cue: the words are those of the coloured screen
    kept = (FOLDER / "steps-dark.txt").read_text("utf-8").split("== ")
    same = {part.partition("\n")[0]: part for part in kept}
    for part in _written(screens).split("== ")[1:]:
        name = part.partition("\n")[0]
        # below a window the bench is drawn as before the last change of size
        assert name.startswith(WINDOWS) or part == same[name], name


def main() -> None:
    """Renew the texts."""
    for look in KEPT:
        (FOLDER / f"steps-{look}.txt").write_text(_written(_take(look)), encoding="utf-8")


if __name__ == "__main__":
    main()
