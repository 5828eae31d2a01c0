"""A unit's target is remembered and offered; a virtual prop needs confirmation."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from textual.widgets import Input

from benchtest.records.report import render_report
from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import LaunchOptions
from benchtest.session.report.report_content import report_content
from benchtest.tui.app import BenchApp
from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.dialogs import FormDialog, MessageDialog
from benchtest.tui.shelf_screen import ShelfScreen
from tests.tui.conftest import HEARD, Driven, driven, make_ready


@asynccontextmanager
async def _at_the_shelf(folder: Path, to: str | None) -> AsyncIterator[Driven]:
    """Run the program with `--to`, or without it for None."""
    app = BenchApp(LaunchOptions(folder, to, seed=1))
    try:
        async with app.run_test(size=(80, 24)) as pilot:
            at = Driven(app, pilot)
            await at.until(lambda: isinstance(app.screen, ShelfScreen) and "SF-01" in at.words())
            yield at
    finally:
        app.end()


def _offered(at: Driven) -> str:
    return at.app.screen.query_one("#line0", Input).value


async def _asked(at: Driven) -> str:
    """Wait for a form, and return its text."""
    await at.until(
        lambda: isinstance(at.app.screen, FormDialog) and bool(at.app.screen.query(Input))
    )
    return " ".join(at.words().split())


async def _on_the_shelf(at: Driven) -> None:
    await at.until(lambda: isinstance(at.app.screen, ShelfScreen))


def _targets(folder: Path) -> list[str | None]:
    """Return the target of each verdict of SF-01."""
    with Shelf(folder) as shelf:
        rows = [event for row in shelf.sessions("SF-01") for event in shelf.events(row.id)]
    return [row.data.get("target") for row in rows if row.kind == "verdict"]


async def test_the_last_target_of_the_unit_is_offered(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    async with driven(folder, small_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("space")
        assert "VIRTUAL" not in at.words()
    assert _targets(folder) == [HEARD]
    async with _at_the_shelf(folder, None) as at:
        await at.keys("enter")
        await _asked(at)
        assert _offered(at) == HEARD
        await at.keys("enter")
        await at.until_task("look")
        assert at.workbench.virtual is None
        await at.keys("space")
    assert _targets(folder) == [HEARD, HEARD]


async def test_a_missing_target_is_asked_once_and_kept(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    make_ready(folder, small_fan, "SF-01")
    make_ready(folder, small_fan, "SF-02")
    async with _at_the_shelf(folder, None) as at:
        await at.keys("enter")
        await _asked(at)
        assert _offered(at) == "virtual"
        at.app.screen.query_one("#line0", Input).value = HEARD
        await at.keys("enter")
        await at.until_task("look")
        await at.keys("escape")
        await _on_the_shelf(at)
        await at.keys("up", "enter")
        await at.until_task("look")
        assert at.workbench.session.tag == "SF-01"
        assert at.workbench.virtual is None


async def test_driving_a_real_unit_virtually_is_confirmed(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    async with driven(folder, small_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("space")
    async with _at_the_shelf(folder, "virtual") as at:
        await at.keys("enter")
        assert "SF-01 is a real unit" in await _asked(at)
        assert _offered(at) == HEARD
        await at.keys("escape")
        await _on_the_shelf(at)
        await at.keys("enter")
        await _asked(at)
        await at.keys("enter")
        await at.until(lambda: isinstance(at.app.screen, BenchScreen))
        assert at.workbench.virtual is None


async def test_a_virtual_prop_is_marked_in_header_events_and_report(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    async with driven(folder, small_fan, to="virtual") as at:
        await at.until_task("look")
        await at.until(lambda: "SF-01, VIRTUAL PROP" in at.words())
        await at.keys("space", "X", "u")
        rows = at.app.shelf.events(at.workbench.session.row.id)
        done = [row for row in rows if row.kind in ("verdict", "mark", "undone")]
        assert len(done) == 4
        assert {row.data["target"] for row in done} == {"virtual"}
        page = render_report(report_content(at.workbench.session))
        assert "<b>Virtual prop.</b>" in page
    async with _at_the_shelf(folder, HEARD) as at:
        await at.keys("enter")
        assert "SF-01 was last a virtual prop" in await _asked(at)
        await at.keys("escape")
        await _on_the_shelf(at)


async def test_an_invalid_target_is_explained(tmp_path: Path, small_fan: Path) -> None:
    folder = tmp_path / "bench"
    make_ready(folder, small_fan, "SF-01")
    async with _at_the_shelf(folder, None) as at:
        await at.keys("enter")
        await _asked(at)
        at.app.screen.query_one("#line0", Input).value = "e132:somewhere"
        await at.keys("enter")
        await at.until(lambda: "write e131" in at.words())
        await at.keys("a")
        await _on_the_shelf(at)


async def test_the_settings_of_a_unit_are_changed_at_the_bench_and_kept(
    tmp_path: Path, small_fan: Path
) -> None:
    folder = tmp_path / "bench"
    async with driven(folder, small_fan, to=HEARD) as at:
        await at.until_task("look")
        await at.keys("space", "i")
        assert "How SF-01 is driven" in await _asked(at)
        assert _offered(at) == HEARD
        at.app.screen.query_one("#line0", Input).value = f"{HEARD} universe=70000"
        await at.keys("enter")
        await at.until(lambda: isinstance(at.app.screen, MessageDialog))
        assert "give a whole number 1 to 63999" in " ".join(at.words().split())
        await at.keys("enter", "i")
        await _asked(at)
        at.app.screen.query_one("#line0", Input).value = f"{HEARD} universe=12 priority=150"
        await at.keys("enter")
        await at.until(lambda: isinstance(at.app.screen, BenchScreen))
        await at.until_task("look")
        assert at.workbench.clock.info is not None
        assert at.workbench.clock.info.unusual == "at universe=12, priority 150"
        await at.until(lambda: "at universe=12, priority 150" in at.words())
        await at.keys("space")
    assert _targets(folder) == [HEARD, f"{HEARD} universe=12,priority=150"]
