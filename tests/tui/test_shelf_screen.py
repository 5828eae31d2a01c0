"""The shelf: the next unit, the cursor, and units renamed and retired."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from textual.widgets import Input

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.log.events import SignedOff
from benchtest.session.session import Session
from benchtest.tui.app import BenchApp
from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.dialogs import ConfirmDialog, FormDialog
from benchtest.tui.shelf_screen import ShelfScreen
from tests.tui.conftest import HEARD, Driven

NAME = "Small fan"


@asynccontextmanager
async def _shelf(folder: Path) -> AsyncIterator[Driven]:
    """Run the program on a bench folder, with nothing on the bench yet."""
    app = BenchApp(LaunchOptions(folder, HEARD, seed=1))
    try:
        async with app.run_test(size=(80, 24)) as pilot:
            at = Driven(app, pilot)
            await _on_the_shelf(at)
            await at.until(lambda: _screen(at).tag is not None)
            yield at
    finally:
        app.end()


def _screen(at: Driven) -> ShelfScreen:
    assert isinstance(at.app.screen, ShelfScreen)
    return at.app.screen


async def _on_the_shelf(at: Driven) -> None:
    await at.until(lambda: isinstance(at.app.screen, ShelfScreen))


async def _on_the_bench(at: Driven, tag: str) -> None:
    await at.until(
        lambda: isinstance(at.app.screen, BenchScreen) and at.workbench.session.tag == tag
    )
    await at.until_task("check", "done")


async def _window(at: Driven, kind: type[FormDialog] | type[ConfirmDialog]) -> str:
    await at.until(lambda: isinstance(at.app.screen, kind) and bool(at.app.screen.query(".title")))
    return " ".join(at.words().split())


def _stock(folder: Path, prop: Path, *tags: str, signed: tuple[str, ...] = ()) -> None:
    """Put units on the shelf; those of `signed` have a test that is signed off."""
    with Shelf(folder) as shelf:
        shelf.add_units(tags, NAME, prop.read_text())
        for tag in signed:
            Session.start(shelf, prop.read_text(), tag, DEFAULT_METER).record(SignedOff("Ada"))


def _sessions(folder: Path, tag: str) -> int:
    with Shelf(folder) as shelf:
        return len(shelf.sessions(tag))


async def test_the_next_unit_is_unfinished_and_leaving_is_confirmed(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _stock(folder, small_fan, "SF-1", "SF-2", "SF-10", signed=("SF-2",))
    async with _shelf(folder) as at:
        await at.keys("enter")
        await _on_the_bench(at, "SF-1")
        await at.keys("N")
        assert "SF-1 is not signed off" in await _window(at, ConfirmDialog)
        await at.keys("space")  # a key that was meant for the bench
        await at.keys("escape")
        await _on_the_bench(at, "SF-1")
        await at.keys("N")
        await _window(at, ConfirmDialog)
        await at.keys("enter")
        await _on_the_bench(at, "SF-10")
        await at.keys("escape")
        await _on_the_shelf(at)
        assert _screen(at).tag == "SF-10"
    with Shelf(folder) as shelf:
        assert [unit.tag for unit in shelf.units()] == ["SF-1", "SF-2", "SF-10"]


async def test_a_new_unit_is_confirmed(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    _stock(folder, small_fan, "SF-1", "SF-2", signed=("SF-2",))
    async with _shelf(folder) as at:
        await at.keys("enter")
        await _on_the_bench(at, "SF-1")
        await at.keys("N")
        await _window(at, ConfirmDialog)
        await at.keys("enter")
        assert "No other Small fan to test" in await _window(at, FormDialog)
        assert at.app.screen.query_one("#line0", Input).value == "SF-3"
        await at.keys("escape")
        await _on_the_shelf(at)
        with Shelf(folder) as shelf:
            assert [unit.tag for unit in shelf.units()] == ["SF-1", "SF-2"]


async def test_the_cursor_stays_and_testing_a_signed_unit_is_confirmed(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _stock(folder, small_fan, "SF-1", "SF-2", "SF-3", signed=("SF-1", "SF-2"))
    async with _shelf(folder) as at:
        await at.keys("down", "down", "enter")
        await _on_the_bench(at, "SF-3")
        await at.keys("escape")
        await _on_the_shelf(at)
        assert _screen(at).tag == "SF-3"
        await at.keys("up", "enter")
        assert "SF-2 was signed off by Ada" in await _window(at, ConfirmDialog)
        await at.keys("space", "x", "escape")
        await _on_the_shelf(at)
        assert _screen(at).tag == "SF-2"
        assert _sessions(folder, "SF-2") == 1
        await at.keys("enter")
        await _window(at, ConfirmDialog)
        await at.keys("enter")
        await _on_the_bench(at, "SF-2")
    assert _sessions(folder, "SF-2") == 2


async def test_the_cursor_begins_at_the_unit_that_was_left_unfinished(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    _stock(folder, small_fan, "SF-1", "SF-2", "SF-3", signed=("SF-3",))
    async with _shelf(folder) as at:
        await at.keys("down", "enter")
        await _on_the_bench(at, "SF-2")
        await at.keys("space")
    async with _shelf(folder) as at:
        assert _screen(at).tag == "SF-2"
        await at.until(lambda: "Unfinished: SF-2 (Enter to resume)" in at.words())
        await at.keys("enter")
        await _on_the_bench(at, "SF-2")


async def test_units_are_renamed_and_retired_on_the_shelf(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    _stock(folder, small_fan, "SF-1", "SF-2", "SF-3", signed=("SF-2",))
    async with _shelf(folder) as at:
        await at.keys("down", "r")
        await _window(at, FormDialog)
        at.app.screen.query_one("#line0", Input).value = "SF-7"
        await at.keys("enter")
        await _on_the_shelf(at)
        await at.until(lambda: _screen(at).tag == "SF-7")
        await at.keys("up", "up", "x")
        assert "Retire SF-1" in await _window(at, FormDialog)
        await at.type("scrapped")
        await at.keys("enter")
        await _on_the_shelf(at)
        await at.until(lambda: "x brings it back" in at.words())
        rows = [line.split()[:1] for line in at.words().splitlines()]
        assert rows.index(["SF-3"]) < rows.index(["SF-7"]) < rows.index(["SF-1"])
        await at.until(lambda: _screen(at).tag == "SF-1")
        await at.keys("enter")
        await at.until(lambda: "SF-1 is retired" in at.words())
        await at.keys("a")
        await _on_the_shelf(at)
        await at.keys("x")
        await _window(at, ConfirmDialog)
        await at.keys("enter")
        await _on_the_shelf(at)
        with Shelf(folder) as shelf:
            assert [(unit.tag, unit.retired) for unit in shelf.units()] == [
                ("SF-1", False), ("SF-3", False), ("SF-7", False),
            ]  # fmt: skip
            assert shelf.unit("SF-2").tag == "SF-7"  # an old label finds it
        await at.keys("r")
        await _window(at, FormDialog)
        at.app.screen.query_one("#line0", Input).value = "SF-7"
        await at.keys("enter")
        await at.until(lambda: "unit SF-7: is another unit" in at.words())
