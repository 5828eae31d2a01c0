"""A unit with a very long record on the shelf of the terminal program."""

from __future__ import annotations

import json
import time
from pathlib import Path

from benchtest.records.json_lines import import_lines
from benchtest.records.shelf import Shelf
from benchtest.virtual.remote_prop import RemoteProp
from tests.fuzz.good import SMALL_FAN
from tests.tui.conftest import driven

AT = "2026-11-25T18:00:00.000+00:00"
NOTES = 50_000
MAX_CPU_S = 8.0
"""Measured 3 s; 24 s where each note copied all notes before it."""


async def test_a_shelf_with_50_000_notes_opens_quickly(
    tmp_path: Path, prop: tuple[Path, RemoteProp]
) -> None:
    events = [
        {"seq": seq, "at": AT, "kind": "note", "data": {"text": f"by the window, {seq}"}}
        for seq in range(1, NOTES + 1)
    ]
    line = {
        "format": 1, "session": "long", "tag": "SF-01", "stage": "bare", "started_at": AT,
        "placed_ms": 1_795_629_600_000, "meter": "0.5%+3/6000", "design": SMALL_FAN,
        "events": events,
    }  # fmt: skip
    with Shelf(tmp_path / "bench") as shelf:
        import_lines(shelf, [json.dumps(line)], "records.jsonl")
    start_s = time.process_time()
    async with driven(tmp_path / "bench", prop[0], tag=None, to=prop[1].target) as at:
        await at.until(lambda: "Unfinished: " in at.words())
        await at.keys("enter")
        await at.until_task("check")
        assert len(at.workbench.session.state.notes) == NOTES
        assert len(at.workbench.session.state.undoable) == NOTES
        assert time.process_time() - start_s < MAX_CPU_S
