"""Simultaneous keys: no window closes the screen below it, and the prop is dark on the shelf."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from textual import events
from textual.widgets import DataTable

from benchtest.tui.bench_screen import BenchScreen
from benchtest.tui.compare_screen import CompareScreen
from benchtest.tui.prompt_panel import PromptPanel
from benchtest.tui.shelf_screen import ShelfScreen
from tests.receiver import Watcher
from tests.tui.conftest import driven
from tests.tui.monkey import at_random, press_together


@pytest.fixture
def watcher() -> Iterator[Watcher]:
    made = Watcher()
    yield made
    made.close()


def _keys(*names: str) -> list[events.Key]:
    return [events.Key(name, name if len(name) == 1 else None) for name in names]


async def test_simultaneous_keys_close_no_screen_below_a_window(
    tmp_path: Path, small_fan: Path, watcher: Watcher
) -> None:
    """The second key used to close the bench screen, with the prop still lit."""
    async with driven(tmp_path / "bench", small_fan, to=watcher.to) as at:
        await at.until_task("look")
        await at.until(lambda: watcher.is_lit)
        await press_together(at, _keys("question_mark"))
        await press_together(at, _keys("1", "2", "3", "4"))
        await press_together(at, _keys("escape", "escape", "escape"))
        assert at.app.is_running
        await at.until(lambda: isinstance(at.app.screen, BenchScreen) or not watcher.is_lit)
        assert isinstance(at.app.screen_stack[0], ShelfScreen)


async def test_two_enters_at_the_shelf_open_one_unit_once(
    tmp_path: Path, small_fan: Path, watcher: Watcher
) -> None:
    async with driven(tmp_path / "bench", small_fan, to=watcher.to) as at:
        await at.until_task("look")
        await at.keys("escape")
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        await press_together(at, _keys("enter", "enter", "enter"))
        await at.until_task("look")
        assert [type(screen).__name__ for screen in at.app.screen_stack] == [
            "ShelfScreen", "BenchScreen",
        ]  # fmt: skip


async def test_a_key_before_the_panels_exist_does_nothing(
    tmp_path: Path, small_fan: Path, watcher: Watcher
) -> None:
    """Escape used to end the program."""
    async with driven(tmp_path / "bench", small_fan, to=watcher.to) as at:
        await at.until_task("look")
        await at.keys("escape")
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
        at.app.screen.query_one(DataTable).action_select_cursor()
        while not isinstance(at.app.screen, BenchScreen):
            await asyncio.sleep(0)
        screen = at.app.screen
        assert not screen.query(PromptPanel)  # else this is no test
        for action in ("leave", "go_on", "dark"):
            await screen.run_action(action)
        screen.post_message(events.Key("1", "1"))
        await at.until_task("look")
        assert at.app.is_running


async def test_a_window_closed_before_it_is_complete_causes_no_error(
    tmp_path: Path, small_fan: Path, watcher: Watcher
) -> None:
    """A dialog used to have no field to focus, and a comparison no widget for its result."""
    async with driven(tmp_path / "bench", small_fan, to=watcher.to) as at:
        await at.until_task("look")
        for name in ("n", "t", "question_mark", "y"):
            await press_together(at, _keys(name, "escape"))
        while not isinstance(at.app.screen, ShelfScreen):
            await press_together(at, _keys("escape"))
        for _ in range(5):
            await press_together(at, _keys("c"))
            compared = at.app.screen
            assert isinstance(compared, CompareScreen)
            await press_together(at, _keys("escape"))
            compared.say("too late")
        assert at.app.is_running


async def test_a_unit_closed_before_its_panels_exist_causes_no_error(
    tmp_path: Path, small_fan: Path, watcher: Watcher
) -> None:
    async with driven(tmp_path / "bench", small_fan, to=watcher.to) as at:
        await at.until_task("look")
        removed = BenchScreen(at.workbench, at.app.glyphs)
        removed.on_mount()  # as where the end takes its panels away first
        assert at.app.is_running


async def test_keys_typed_with_the_ending_key_cause_no_error(
    tmp_path: Path, small_fan: Path, watcher: Watcher
) -> None:
    """Without a screen for them, the program used to end with an error."""
    async with driven(tmp_path / "bench", small_fan, to=watcher.to) as at:
        await at.until_task("look")
        await at.until(lambda: watcher.is_lit)
        for key in _keys("ctrl+c", *("x", "escape", "enter", "question_mark") * 50):
            at.app.post_message(key)
        at.app._screen_stacks[at.app.current_mode].clear()  # as the end does, at its own moment
        late = events.Key("x", "x")
        late._set_forwarded()  # it comes back from the screen that it was meant for
        at.app.exit()
        await at.app.on_event(late)
    assert watcher.is_dark_by_packet


@pytest.mark.parametrize("size", [(100, 40), (80, 24), (1, 1)], ids=str)
async def test_random_keys_never_leave_the_prop_lit_without_its_screen(
    tmp_path: Path, small_fan: Path, watcher: Watcher, size: tuple[int, int]
) -> None:
    async with driven(tmp_path / "bench", small_fan, to=watcher.to, size=size) as at:
        shelves = await at_random(at, watcher, random.Random(16), keys=40)
        assert shelves > 0
    assert watcher.lit_packets > 0
    assert not watcher.is_lit
