"""A bench with an event beyond the limits, in the terminal program."""

from __future__ import annotations

from pathlib import Path

from benchtest.records.shelf import Shelf
from benchtest.tui.shelf_screen import ShelfScreen
from benchtest.virtual.process import RunningProp
from tests.held import DEEP, hold_event
from tests.tui.conftest import driven, make_ready


async def test_a_unit_with_an_event_beyond_the_limits_is_named_and_goes_on(
    tmp_path: Path, prop: tuple[Path, RunningProp]
) -> None:
    path, virtual = prop
    folder = tmp_path / "bench"
    make_ready(folder, path, "SF-01")
    with Shelf(folder) as shelf:
        session = shelf.sessions("SF-01")[0].id
        number = len(shelf.events(session)) + 1
    hold_event(folder, session, "note", DEEP)
    said = f"SF-01, event {number} (note): nested more than 16 deep"
    async with driven(folder, path, tag=None, to=virtual.target, size=(120, 30)) as at:
        await at.until(lambda: f"Left out: {said}" in at.words())
        await at.keys("enter")
        await at.until_task("look")
        await at.until(lambda: f"Left out: {said}." in at.words())
        await at.keys("space")
        await at.until(lambda: at.stand.session.state.verdicts == {1: True})
        await at.keys("escape")
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
    with Shelf(folder) as shelf:
        assert shelf.events(session)[-1].kind == "verdict"
