"""A program that is killed at any moment loses nothing that it acknowledged."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from benchtest.records.backup import FILE
from benchtest.records.shelf import Shelf

Start = Callable[..., str]

_WRITER = """
import sys
from pathlib import Path
from benchtest.records.shelf import Shelf

session = sys.argv[2]
stages = ("bare", "soldered", "sealed")
with Shelf(Path(sys.argv[1])) as shelf:
    number = len(shelf.events(session))
    while True:
        stage = stages[number % 3]
        data = {"stage": stage, "pad": "x" * (37 * number % 3000)}
        event = shelf.append(session, "stage", data, "2026-11-25T18:00:00+00:00", stage)
        number = event.seq
        sys.stdout.write(f"{number}\\n")
        sys.stdout.flush()
"""


def _kill_after(folder: Path, session: str, wait_s: float) -> int:
    """Let a writer write, and kill it; the last event that it said was kept."""
    with subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(folder), session], stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        first = process.stdout.readline()
        time.sleep(wait_s)
        process.kill()
        lines = [first, *process.stdout.read().splitlines(keepends=True)]
    whole = [int(line) for line in lines if line.endswith(b"\n")]  # the kill may cut the last
    return whole[-1]


@pytest.mark.parametrize("round_", range(3))
def test_nothing_acknowledged_is_lost_and_nothing_is_half_there(
    tmp_path: Path, start: Start, round_: int
) -> None:
    draw = random.Random(round_)
    with Shelf(tmp_path) as shelf:
        session = start(shelf)
    for _ in range(5):
        before = _count(tmp_path, session)
        kept = _kill_after(tmp_path, session, draw.uniform(0.0, 0.12))
        assert kept > before
        _check(tmp_path, session, kept)


def _count(folder: Path, session: str) -> int:
    with Shelf(folder) as shelf:
        return len(shelf.events(session))


def _check(folder: Path, session: str, kept: int) -> None:
    with Shelf(folder) as shelf:
        events = shelf.events(session)
        # the writer may have been killed between the commit and its word of it: one more at most
        assert len(events) in (kept, kept + 1)
        assert [event.seq for event in events] == list(range(1, len(events) + 1))
        for number, event in enumerate(events):
            assert event.data["pad"] == "x" * (37 * number % 3000)
        assert shelf.unit("WF-03").stage == events[-1].data["stage"]
    with closing(sqlite3.connect(folder / FILE)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_a_program_killed_while_it_makes_the_file_leaves_one_that_opens(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from benchtest.records.shelf import Shelf\n"
        "for n in range(10_000):\n"
        "    Shelf(Path(sys.argv[1]) / str(n)).close()\n"
        "    if n == 0: print('go', flush=True)"
    )
    draw = random.Random(7)
    for number in range(3):
        folder = tmp_path / str(number)
        with subprocess.Popen(
            [sys.executable, "-c", code, str(folder)], stdout=subprocess.PIPE
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"go\n"
            time.sleep(draw.uniform(0.01, 0.1))
            process.kill()
        made = sorted(folder.iterdir(), key=lambda path: int(path.name))
        assert len(made) > 0
        for bench in made[-3:]:  # the last of them is the one that was being made
            with Shelf(bench) as shelf:
                assert shelf.units() == []
