"""Unusual records in the terminal program: beyond the limits, read-only, copied."""

from __future__ import annotations

import shutil
from pathlib import Path

from benchtest.records.backup import DATABASE_FILE
from benchtest.records.shelf import Shelf
from benchtest.tui.shelf_screen import ShelfScreen
from benchtest.virtual.remote_prop import RemoteProp
from tests.held import DEEP, hold_event
from tests.records.conftest import lockable_folder
from tests.tui.conftest import driven, make_ready


async def test_a_unit_with_an_invalid_event_is_reported_and_resumes(
    tmp_path: Path, prop: tuple[Path, RemoteProp]
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
        await at.until(lambda: at.workbench.session.state.verdicts == {1: True})
        await at.keys("escape")
        await at.until(lambda: isinstance(at.app.screen, ShelfScreen))
    with Shelf(folder) as shelf:
        assert shelf.events(session)[-1].kind == "verdict"


async def test_a_copy_of_the_file_soon_has_all_answers(
    tmp_path: Path, prop: tuple[Path, RemoteProp]
) -> None:
    path, virtual = prop
    folder = tmp_path / "bench"
    async with driven(folder, path, to=virtual.target) as at:
        await at.until_task("look")
        await at.keys("space")
        await at.until(lambda: at.workbench.session.state.verdicts == {1: True})
        session = at.workbench.session.row.id

        def copied() -> bool:
            copy = tmp_path / "copy"
            shutil.rmtree(copy, ignore_errors=True)
            copy.mkdir()
            shutil.copy(folder / DATABASE_FILE, copy)
            with Shelf(copy) as other:
                return other.events(session)[-1].kind == "verdict"

        await at.until(copied)


async def test_a_read_only_bench_is_shown_without_tests(
    tmp_path: Path, prop: tuple[Path, RemoteProp]
) -> None:
    path, virtual = prop
    disk = tmp_path / "disk"
    with lockable_folder(disk) as lock:
        make_ready(disk / "bench", path, "SF-01")
        lock()
        async with driven(disk / "bench", path, tag=None, to=virtual.target) as at:
            await at.until(lambda: "This bench is read-only" in at.words())
            await at.until(lambda: "sign-off" in at.words())
            await at.keys("enter")
            await at.until_task("look")
            await at.keys("space")
            await at.until(lambda: "it may not be written" in at.words())
            assert at.workbench.session.state.verdicts == {}
