"""Snapshots of the screen: at three sizes; dark, light, without colour, and in ASCII.

A snapshot is the text and, below each line, the style of each run. `python -m
tests.tui.test_snapshots` renews them; look at the difference before you keep it.
"""

from __future__ import annotations

import asyncio
import os
import re
import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from rich.segment import Segment
from rich.style import Style
from textual.widgets import Input

from benchtest.records.shelf import Shelf
from benchtest.session.log.events import MarkMade, VerdictGiven
from benchtest.session.session import Session
from benchtest.tui.app import LIGHT
from tests.tui.conftest import SMALL_FAN, Driven, driven, make_ready, shown

FOLDER = Path(__file__).parent / "snapshots"
SIZES = ((80, 24), (120, 40), (200, 60))
MINUTES = re.compile(r"\d min")
LOOKS = {"dark": {}, "light": {}, "no-colour": {"NO_COLOR": "1"}, "ascii": {"BENCHTEST_ASCII": "1"}}


@contextmanager
def _environment(values: dict[str, str]) -> Iterator[None]:
    before = {name: os.environ.pop(name, None) for name in ("NO_COLOR", "BENCHTEST_ASCII")}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            os.environ.pop(name, None)
            if value is not None:
                os.environ[name] = value


def _prepare(folder: Path) -> Path:
    """Put a unit on the shelf with a pass, a fail and a mark; strand 3 is still to be looked at."""
    prop = folder / "small-fan.toml"
    prop.write_text(SMALL_FAN)
    make_ready(folder / "bench", prop, "SF-01")
    with Shelf(folder / "bench") as shelf:
        session = Session.resume(shelf, shelf.sessions("SF-01")[0].id)
        session.record(VerdictGiven(1, passed=True, level=0.25))
        session.record(VerdictGiven(2, passed=False, level=0.25))
        session.record(MarkMade("2", 2, "5-8", "warm", 0.25))
    return prop


async def _screens(folder: Path, look: str) -> dict[str, list[list[Segment]]]:
    """Return the screen while a reading is typed, at every size."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        to = f"e131:127.0.0.1:{ear.getsockname()[1]}"
        async with driven(folder / "bench", _prepare(folder), tag="SF-01", to=to) as at:
            await at.until_task("look")
            if look == "light":
                at.app.theme = LIGHT
            at.app.screen.query_one("#entry", Input).cursor_blink = False
            at.workbench.entry.ask_for("3", "foot:3+>3A+")
            at.screen.go()
            await at.type("0.4")
            return {f"{w}x{h}": await _at_size(at, w, h) for w, h in SIZES}


async def _at_size(at: Driven, width: int, height: int) -> list[list[Segment]]:
    await at.pilot.resize_terminal(width, height)

    def drawn() -> list[list[Segment]]:
        return [list(strip) for strip in shown(at.app)]

    async def settled() -> list[list[Segment]]:
        before: list[list[Segment]] = []
        while len(now := drawn()) != height or now != before:
            before = now
            await at.pilot.pause(0.25)
        return now

    async with asyncio.timeout(60.0):
        return await settled()


def _written(rows: list[list[Segment]]) -> str:
    """Return the text of each line, then `length style` of each run; minutes as 0."""
    lines = []
    for row in rows:
        runs: list[tuple[int, str]] = []
        for segment in row:
            words = _style(segment.style or Style())
            if runs and runs[-1][1] == words:
                runs[-1] = (runs[-1][0] + len(segment.text), words)
            else:
                runs.append((len(segment.text), words))
        text = "".join(segment.text for segment in row)
        lines.append("|" + MINUTES.sub("0 min", text))
        lines.append("  " + ", ".join(f"{length} {words}" for length, words in runs))
    return "\n".join(lines) + "\n"


def _style(style: Style) -> str:
    flags = [name for name in ("bold", "dim", "italic", "reverse") if getattr(style, name)]
    colours = [c.name for c in (style.color, style.bgcolor) if c is not None]
    return " ".join(["/".join(colours), *flags])


def _take(look: str) -> dict[str, list[list[Segment]]]:
    with tempfile.TemporaryDirectory() as folder, _environment(LOOKS[look]):
        return asyncio.run(_screens(Path(folder), look))


@pytest.mark.parametrize("look", LOOKS)
def test_the_screen_matches_its_snapshot(look: str) -> None:
    for size, rows in _take(look).items():
        text = "".join(segment.text for row in rows for segment in row)
        if look == "ascii":
            assert text.isascii(), size
        if look == "no-colour":
            assert all(_is_grey(segment.style) for row in rows for segment in row), size
        _legible(rows)
        kept = (FOLDER / f"{look}-{size}.txt").read_text("utf-8")
        assert _written(rows) == kept, f"{look} {size}: take it anew if that is what you meant"


def _is_grey(style: Style | None) -> bool:
    colours = [c for c in (style.color, style.bgcolor) if c is not None] if style else []
    return all(len(set(colour.get_truecolor())) == 1 for colour in colours)


def _legible(rows: list[list[Segment]]) -> None:
    """Text has a contrast of at least 4.5 to 1, lit nodes of 3 to 1.

    WCAG 2.2, success criteria 1.4.3 and 1.4.11.
    """
    for row in rows:
        for segment in row:
            style = segment.style
            letters = any(sign.isalpha() for sign in segment.text)
            least = 4.5 if letters else 3.0 if "●" in segment.text else 1.0
            if style is None or style.color is None or style.bgcolor is None:
                continue
            if not style.dim:
                pair = _luminance(style.color), _luminance(style.bgcolor)
                ratio = (max(pair) + 0.05) / (min(pair) + 0.05)
                assert ratio >= least, (segment.text, _style(style), round(ratio, 2))


def _luminance(colour: object) -> float:
    """Return the relative luminance by WCAG 2.2."""
    triplet = colour.get_truecolor()  # type: ignore[attr-defined]
    parts = [part / 255.0 for part in triplet]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return float(0.2126 * red + 0.7152 * green + 0.0722 * blue)


def main() -> None:
    """Renew all snapshots."""
    FOLDER.mkdir(exist_ok=True)
    for look in LOOKS:
        for size, rows in _take(look).items():
            (FOLDER / f"{look}-{size}.txt").write_text(_written(rows), encoding="utf-8")


if __name__ == "__main__":
    main()
