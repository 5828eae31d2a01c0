"""The screen below a window: the bench continues, and is drawn at every size."""

from __future__ import annotations

import asyncio
from pathlib import Path

from textual.events import Resize
from textual.geometry import Region, Size

from benchtest.tui.bench_screen import BenchScreen
from tests.tui.conftest import Driven, driven, shown

SIZES = ((200, 60), (79, 25), (100, 30))
WINDOWS = ("t", "question_mark")


async def test_drawing_a_window_keeps_the_screen_below(small_fan: Path, tmp_path: Path) -> None:
    """Read when due to be drawn, the screen below used to stay empty or show the shelf."""
    async with driven(tmp_path / "bench", small_fan) as at:
        await at.until_task("look")
        bench = at.screen
        await at.keys("t")
        await at.until(lambda: "Steps of this test" in at.words())
        for word in ("moved", "again"):
            bench.say(word)
            bench.draw()
            async with asyncio.timeout(30.0):
                while not at.app.screen._dirty_regions:  # the bench is drawn, the window not yet
                    await asyncio.sleep(0.0)  # only the next turn of the loop
            assert at.words().startswith(" SF-01")
            await at.pilot.pause(0.1)
            assert at.words().startswith(" SF-01")
            assert word in at.words()


async def test_the_screen_below_a_window_is_resized(small_fan: Path, tmp_path: Path) -> None:
    async with driven(tmp_path / "bench", small_fan, to="virtual") as at:
        await at.until_task("look")
        bench = at.screen
        await at.until(lambda: "1A ●" in at.words())  # what the virtual prop shows has been seen
        bare = {}
        for size in SIZES:
            await at.pilot.resize_terminal(*size)
            bare[size] = await _settled(at, bench, size)
        for key in WINDOWS:
            await at.keys(key)
            await at.until(lambda: at.app.screen is not bench)
            for last in SIZES:
                for size in (*SIZES, last):  # a corner that is dragged
                    at.app._driver._size = Size(*size)  # type: ignore[union-attr]
                    at.app.post_message(Resize(Size(*size), Size(*size)))
                    await asyncio.sleep(0.003)
                below = await _settled(at, bench, last)
                window = at.app.screen.query_one(".dialog").region
                assert _without(window, below) == _without(window, bare[last])
            await at.keys("escape")
            await at.until(lambda: at.app.screen is bench)


async def _settled(at: Driven, bench: BenchScreen, size: tuple[int, int]) -> list[str]:
    """Return all lines once bench and window have that size and no longer change."""
    before: list[str] = []
    async with asyncio.timeout(30.0):
        while True:
            now = [strip.text for strip in shown(at.app)]
            fits = all(s._compositor.size == size for s in (bench, at.app.screen))
            if fits and now == before:
                return now
            before = now
            await at.pilot.pause(0.05)


def _without(window: Region, lines: list[str]) -> list[str]:
    """Return the visible text next to a window."""
    return [
        line[: window.x] + line[window.right :] if window.y <= y < window.bottom else line
        for y, line in enumerate(lines)
    ]
