"""Failures of real files, reported with a remedy."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

from benchtest.errors import RecordsFault
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.database import SCHEMA_VERSION, open_database, transaction
from benchtest.records.shelf import Shelf
from tests.records.conftest import lockable_folder, small_disk

AT = "2026-11-25T18:00:00.000+00:00"
Start = Callable[..., str]


def test_a_new_folder_is_created_with_its_parents(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b ö"
    open_database(folder).close()
    assert (folder / DATABASE_FILE).is_file()


def test_commits_wait_for_the_disk(tmp_path: Path) -> None:
    # SQLite documentation, "PRAGMA synchronous": 2 is FULL; in WAL mode only FULL or EXTRA makes
    # a commit survive a power loss
    with closing(open_database(tmp_path)) as connection:
        for pragma, value in (("journal_mode", "wal"), ("synchronous", 2), ("foreign_keys", 1)):
            assert connection.execute(f"PRAGMA {pragma}").fetchone() == (value,)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE event SET data = '{}'",
        "UPDATE event SET at = 'never'",
        "DELETE FROM event",
        "UPDATE OR REPLACE event SET seq = 1",
        "DELETE FROM session",
        "INSERT INTO event SELECT session, 0, at, kind, data, digest FROM event LIMIT 1",
        "INSERT INTO event SELECT session, seq, at, kind, data, digest FROM event LIMIT 1",
        "INSERT INTO event SELECT session, 9, at, kind, 'no json', digest FROM event LIMIT 1",
        "UPDATE unit SET stage = 'lost'",
    ],
)
def test_stored_events_cannot_be_changed(shelf: Shelf, start: Start, change: str) -> None:
    session = start(shelf)
    for number in range(3):
        shelf.append(session, "note", {"text": str(number)}, AT)
    before = shelf.events(session)
    with (
        closing(open_database(shelf.folder)) as connection,
        pytest.raises(sqlite3.IntegrityError),
    ):
        connection.execute(change)
    assert shelf.events(session) == before


def _seal_and_stop(connection: sqlite3.Connection) -> None:
    with transaction(connection):
        connection.execute("UPDATE unit SET stage = 'sealed'")
        raise KeyboardInterrupt


def test_an_interrupted_transaction_stores_nothing(shelf: Shelf, start: Start) -> None:
    start(shelf)
    with closing(open_database(shelf.folder)) as connection:
        with pytest.raises(KeyboardInterrupt):
            _seal_and_stop(connection)
        assert not connection.in_transaction
        assert connection.execute("SELECT stage FROM unit").fetchall() == [("bare",)]


def test_a_file_of_a_newer_version_is_not_changed(tmp_path: Path) -> None:
    open_database(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / DATABASE_FILE)) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    before = (tmp_path / DATABASE_FILE).read_bytes()
    with pytest.raises(RecordsFault, match="newer benchtest"):
        Shelf(tmp_path)
    assert (tmp_path / DATABASE_FILE).read_bytes() == before


def test_a_bench_folder_that_is_a_file_is_reported(tmp_path: Path) -> None:
    (tmp_path / "bench").write_text("mine")
    with pytest.raises(RecordsFault, match=r"bench: .*--bench"):
        Shelf(tmp_path / "bench")
    with pytest.raises(RecordsFault, match="--bench"):
        Shelf(tmp_path / "bench" / "deeper")
    assert (tmp_path / "bench").read_text() == "mine"


def test_a_database_that_is_a_folder_is_reported(tmp_path: Path) -> None:
    (tmp_path / DATABASE_FILE).mkdir()
    with pytest.raises(RecordsFault, match=f"{DATABASE_FILE}: .*--bench"):
        Shelf(tmp_path)


def test_a_file_of_another_format_is_not_changed(tmp_path: Path) -> None:
    text = "a letter, not a database\n" * 400
    (tmp_path / DATABASE_FILE).write_text(text)
    with pytest.raises(RecordsFault, match="not a database"):
        Shelf(tmp_path)
    assert (tmp_path / DATABASE_FILE).read_text() == text


def _filled(folder: Path, start: Start) -> Path:
    with Shelf(folder) as shelf:
        session = start(shelf)
        for number in range(300):
            shelf.append(session, "note", {"text": f"{number:04}" * 20}, AT)
    return folder / DATABASE_FILE


@pytest.mark.parametrize("page", [2, 5, -1])
def test_a_damaged_page_is_found_at_the_start(tmp_path: Path, start: Start, page: int) -> None:
    path = _filled(tmp_path, start)
    with closing(sqlite3.connect(path)) as connection:
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        (count,) = connection.execute("PRAGMA page_count").fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1 if page > 0 else count + page) * size)
        file.write(os.urandom(16) + b"\xff" * (size - 16))
    with pytest.raises(RecordsFault, match=r"damaged \(Page \d+: .*\); .*export"):
        Shelf(tmp_path)


def test_a_truncated_file_is_found_at_the_start(tmp_path: Path, start: Start) -> None:
    path = _filled(tmp_path, start)
    os.truncate(path, path.stat().st_size // 2)
    with pytest.raises(RecordsFault, match="damaged"):
        Shelf(tmp_path)


_HOLD = """
import sqlite3, sys
held = sqlite3.connect(sys.argv[1], isolation_level=None)
held.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.read()
"""


@contextmanager
def _held(path: Path) -> Iterator[None]:
    """Lock the file from another program."""
    with subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline() == b"held\n"
        try:
            yield
        finally:
            process.stdin.close()
            process.wait(timeout=20)


def test_a_locked_file_is_reported_soon_and_works_when_released(shelf: Shelf, start: Start) -> None:
    session = start(shelf)
    with _held(shelf.path):
        began_s = time.monotonic()
        with pytest.raises(RecordsFault, match="another program is writing"):
            shelf.append(session, "note", {}, AT)
        took_s = time.monotonic() - began_s
        assert shelf.events(session) == []  # reading still works
    assert took_s < 5.0  # about two seconds, with room for a busy machine
    assert shelf.append(session, "note", {}, AT).seq == 1


def test_a_locked_new_file_is_reported(tmp_path: Path) -> None:
    with _held(tmp_path / DATABASE_FILE), pytest.raises(RecordsFault, match="another program"):
        Shelf(tmp_path)
    Shelf(tmp_path).close()


def test_two_programs_can_create_one_folder_together(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from benchtest.records.shelf import Shelf\n"
        "sys.stdin.readline(); Shelf(Path(sys.argv[1])).close()"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "bench")]
    together = [subprocess.Popen(command, stdin=subprocess.PIPE) for _ in range(3)]
    for process in together:
        assert process.stdin is not None
        process.stdin.write(b"go\n")
        process.stdin.close()
    assert [process.wait(timeout=60) for process in together] == [0, 0, 0]


_FILL = """
import resource, signal, sys
from pathlib import Path
from benchtest.errors import RecordsFault
from benchtest.records.shelf import Shelf

folder, session, limit = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
with Shelf(folder) as shelf:
    if limit:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    try:
        while True:
            event = shelf.append(session, "note", {"text": "x" * 3000}, "2026")
            print(event.seq, flush=True)
    except RecordsFault as fault:
        print(fault, flush=True)
    print(len(shelf.events(session)), flush=True)
"""


def _fill(folder: Path, session: str, limit: int) -> tuple[list[int], str, int]:
    """Append until the disk is full; return what was acknowledged, reported, and stored."""
    words = [sys.executable, "-c", _FILL, str(folder), session, str(limit)]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=120)
    *seqs, said, there = done.stdout.splitlines()
    return [int(seq) for seq in seqs], said, int(there)


def test_a_full_disk_is_reported_and_loses_nothing(tmp_path: Path, start: Start) -> None:
    disk = tmp_path / "disk"
    with small_disk(disk, "size=300k") as mounted:
        folder = disk / "bench"
        with Shelf(folder) as shelf:
            session = start(shelf)
        if mounted:  # even reading then needs space
            ballast = disk / "ballast"
            with suppress(OSError), ballast.open("wb", buffering=0) as file:
                while True:
                    file.write(bytes(1024))
            with pytest.raises(RecordsFault, match="disk is full"):
                Shelf(folder)
            ballast.unlink()
        kept, said, there = _fill(folder, session, 0 if mounted else 250_000)
        assert len(kept) > 5
        assert there == len(kept)
        assert ("disk is full" if mounted else "disk answers with an error") in said
        assert DATABASE_FILE in said
        with Shelf(folder) as shelf:
            assert [event.seq for event in shelf.events(session)] == kept


def test_a_write_that_the_system_cuts_short_loses_nothing(tmp_path: Path, start: Start) -> None:
    with Shelf(tmp_path) as shelf:
        session = start(shelf)
    kept, said, there = _fill(tmp_path, session, 250_000)
    assert len(kept) > 5
    assert there == len(kept)
    assert DATABASE_FILE in said
    with Shelf(tmp_path) as shelf:
        assert [event.seq for event in shelf.events(session)] == kept
        assert shelf.append(session, "note", {}, AT).seq == len(kept) + 1


def test_a_folder_that_may_not_be_written_is_reported(tmp_path: Path, start: Start) -> None:
    disk = tmp_path / "disk"
    with lockable_folder(disk) as lock:
        with Shelf(disk / "bench") as shelf:
            start(shelf)
        lock()
        with pytest.raises(RecordsFault, match="--bench"):
            Shelf(disk / "new")
        with (
            pytest.raises(RecordsFault, match=f"{DATABASE_FILE}: .*--bench"),
            Shelf(disk / "bench") as shelf,
        ):
            start(shelf, "WF-04")


@pytest.mark.parametrize("how", ["deleted", "moved", "replaced"])
def test_no_event_is_accepted_after_the_file_was_moved(
    tmp_path: Path, start: Start, how: str
) -> None:
    folder, aside = tmp_path / "bench", tmp_path / "aside"
    with Shelf(folder) as shelf:
        session = start(shelf)
        shelf.append(session, "note", {"text": "kept"}, AT)
        if how == "deleted":
            shutil.rmtree(folder)
        else:
            folder.rename(aside)
        if how == "replaced":
            open_database(folder).close()
        with pytest.raises(RecordsFault, match="moved, deleted or replaced"):
            shelf.append(session, "note", {"text": "lost"}, AT)
        if how == "moved":
            aside.rename(folder)
            assert shelf.append(session, "note", {"text": "put back"}, AT).seq == 2
