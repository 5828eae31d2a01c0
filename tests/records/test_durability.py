"""A killed program loses no acknowledged event."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from benchtest.records.shelf import Shelf
from tests.waiting import wait_until_s

Start = Callable[..., str]

STUDY = Path(__file__).parents[1] / "bench" / "durability.py"


@pytest.fixture(scope="module")
def figures() -> dict[str, dict[str, int]]:
    """Run a small study: real processes killed, a full disk, corrupted files."""
    done = subprocess.run(
        [sys.executable, str(STUDY), "12", "--json"],
        capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    found: dict[str, dict[str, int]] = json.loads(done.stdout)
    return found


def test_no_acknowledged_event_is_lost_and_none_is_half_stored(
    figures: dict[str, dict[str, int]],
) -> None:
    found = figures["killed at random moments"]
    assert found["kills"] == 12
    assert found["acknowledged"] >= 8  # eight are killed after the first event
    assert (found["lost"], found["half"]) == (0, 0)


def test_a_kill_during_a_migration_loses_nothing(
    figures: dict[str, dict[str, int]],
) -> None:
    found = figures["killed while brought forward"]
    assert found["kills"] > 0
    assert (found["lost"], found["half"]) == (0, 0)


def test_full_disks_are_reported_lose_nothing_and_can_be_used_again(
    figures: dict[str, dict[str, int]],
) -> None:
    found = figures["disk full"]
    assert found["acknowledged"] > 100
    assert (found["lost"], found["half"]) == (0, 0)
    assert found["said"] == found["went_on"] == found["disks"]


def test_a_truncated_log_leaves_the_first_events_intact(
    figures: dict[str, dict[str, int]],
) -> None:
    found = figures["write-ahead log cut"]
    assert found["reopened"] == found["cuts"] > 0
    assert (found["half"], found["holes"]) == (0, 0)


def test_corrupted_files_are_detected_or_read_unchanged(figures: dict[str, dict[str, int]]) -> None:
    found = figures["file spoilt"]
    assert found["pages_found"] == found["pages"] > 10
    assert found["unnoticed"] == 0
    assert found["copy_offered"] == found["pages_found"] + found["bits_found"]


_TURNS = """
import sys
from pathlib import Path
from benchtest.errors import RecordsFault
from benchtest.records.shelf import Shelf

with Shelf(Path(sys.argv[1])) as shelf:
    sys.stdin.readline()
    number = 0
    while number < 100:
        try:
            shelf.append(sys.argv[2], "note", {"text": f"{sys.argv[3]} {number}"}, "2026")
            number += 1
        except RecordsFault as fault:  # told that another is writing: once more, as a person would
            assert "another program is writing" in str(fault)
"""


def test_two_programs_can_write_to_one_bench_at_once(tmp_path: Path, start: Start) -> None:
    with Shelf(tmp_path) as shelf:
        sessions = [start(shelf, "WF-03"), start(shelf, "WF-04"), start(shelf, "WF-04")]
        together = [
            subprocess.Popen(
                [sys.executable, "-c", _TURNS, str(tmp_path), sessions[which], name],
                stdin=subprocess.PIPE,
            )
            for which, name in ((0, "a"), (1, "b"), (2, "c"), (2, "d"))
        ]
        for process in together:
            assert process.stdin is not None
            process.stdin.write(b"go\n")
            process.stdin.close()
        assert [process.wait(timeout=120) for process in together] == [0, 0, 0, 0]
        assert [len(shelf.events(session)) for session in sessions] == [100, 100, 200]
        shared = [event.data["text"] for event in shelf.events(sessions[2])]
        for name in ("c", "d"):
            own = [text for text in shared if text.startswith(name)]
            assert own == [f"{name} {number}" for number in range(100)]
    Shelf(tmp_path).close()  # and it is intact


def test_a_program_killed_while_creating_the_file_leaves_one_that_opens(tmp_path: Path) -> None:
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
            # at any place of a file's creation
            wait_until_s(time.monotonic() + draw.uniform(0.01, 0.1))
            process.kill()
        made = sorted(folder.iterdir(), key=lambda path: int(path.name))
        assert len(made) > 0
        for bench in made[-3:]:  # the last one is the one being created
            with Shelf(bench) as shelf:
                assert shelf.units() == []
