"""Copies are made before they are needed, and restore the records."""

from __future__ import annotations

import os
import re
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import psutil
import pytest

from benchtest.errors import InputError, RecordsFault
from benchtest.operating_system import filesystem_kind, is_on_disk
from benchtest.records.backup import (
    BACKUP_FOLDER,
    DATABASE_FILE,
    MAX_START_COPIES,
    MIN_COPY_INTERVAL_S,
    find_intact_copy,
    list_copies,
)
from benchtest.records.database import SCHEMA_VERSION
from benchtest.records.integrity import design_checksum, find_damage
from benchtest.records.restore import restore
from benchtest.records.shelf import Shelf
from tests.records.conftest import small_disk

AT = "2026-11-25T18:00:00.000+00:00"
Start = Callable[..., str]
GOLDEN = Path(__file__).parent / "golden"


def _grow(folder: Path, session: str, count: int) -> None:
    with Shelf(folder) as shelf:
        for number in range(count):
            shelf.append(session, "note", {"text": f"{number} " + "rain " * 40}, AT)


def _age_copies(folder: Path) -> None:
    for path in list_copies(folder):
        then = path.stat().st_mtime - 2 * MIN_COPY_INTERVAL_S
        os.utime(path, (then, then))


def _begun(folder: Path, start: Start) -> str:
    with Shelf(folder) as shelf:
        return start(shelf)


def _spoil(path: Path, page: int = 2) -> None:
    with path.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(os.urandom(4096))


def test_grown_records_are_copied_at_the_next_start(tmp_path: Path, start: Start) -> None:
    session = _begun(tmp_path, start)
    assert list_copies(tmp_path) == []
    for _ in range(MAX_START_COPIES + 3):
        _grow(tmp_path, session, 3)
        _age_copies(tmp_path)
    _begun(tmp_path, start)
    made = list_copies(tmp_path)
    assert len(made) == MAX_START_COPIES
    copy = find_intact_copy(tmp_path)
    assert copy is not None
    assert (copy.sessions, copy.events) == (1, 3 * (MAX_START_COPIES + 3))
    assert [path.name for path in (tmp_path / BACKUP_FOLDER).iterdir() if path not in made] == []
    with closing(sqlite3.connect(made[0])) as kept:  # each is one complete file
        assert kept.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert kept.execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_unchanged_records_are_not_copied(tmp_path: Path, start: Start) -> None:
    _grow(tmp_path, _begun(tmp_path, start), 3)
    for _ in range(4):
        Shelf(tmp_path).close()
        _age_copies(tmp_path)
    assert len(list_copies(tmp_path)) == 1


def test_the_last_copy_is_the_one_of_the_highest_number(tmp_path: Path, start: Start) -> None:
    session = _begun(tmp_path, start)
    _grow(tmp_path, session, 2)
    Shelf(tmp_path).close()
    (old,) = list_copies(tmp_path)
    os.utime(old, (2e9, 2e9))  # the clock was in 2033 at that time
    _grow(tmp_path, session, 2)
    Shelf(tmp_path).close()
    copy = find_intact_copy(tmp_path)
    assert copy is not None
    assert copy.events == 4


@pytest.mark.parametrize("spoilt", [[], ["last copy"]])
def test_damaged_records_are_restored(tmp_path: Path, start: Start, spoilt: list[str]) -> None:
    session = _begun(tmp_path, start)
    for _ in range(2):
        _grow(tmp_path, session, 20)
        _age_copies(tmp_path)
        Shelf(tmp_path).close()
    _grow(tmp_path, session, 200)  # after the last copy
    if spoilt:
        _spoil(list_copies(tmp_path)[-1])
    with closing(sqlite3.connect(tmp_path / DATABASE_FILE)) as connection:
        last = connection.execute("PRAGMA page_count").fetchone()[0]
    _spoil(tmp_path / DATABASE_FILE, last)
    expected = 20 if spoilt else 40
    with pytest.raises(RecordsFault, match=f"copy is .*{expected} events.*shelf --restore"):
        Shelf(tmp_path)
    done = restore(tmp_path)
    assert done.copy.events == expected
    assert done.aside is not None
    assert (done.aside / DATABASE_FILE).is_file()
    with Shelf(tmp_path) as shelf:
        events = shelf.events(session)
    assert len(events) == expected + done.saved_events
    assert done.saved_events > 100  # only events on the last page are lost
    assert [event.data["text"].split()[0] for event in events[40:]] == [
        str(number) for number in range(len(events) - 40)
    ]


def test_missing_records_are_offered_back_and_never_created_again(
    tmp_path: Path, start: Start
) -> None:
    session = _begun(tmp_path, start)
    _grow(tmp_path, session, 3)
    Shelf(tmp_path).close()
    for spoil in (Path.unlink, lambda path: path.write_bytes(b"")):
        spoil(tmp_path / DATABASE_FILE)
        with pytest.raises(RecordsFault, match=r"gone or empty.*shelf --restore"):
            Shelf(tmp_path)
        restore(tmp_path)
        with Shelf(tmp_path) as shelf:
            assert len(shelf.events(session)) == 3


def test_fewer_events_than_in_the_copy_are_reported(tmp_path: Path, start: Start) -> None:
    session = _begun(tmp_path, start)
    _grow(tmp_path, session, 2)
    early = (tmp_path / DATABASE_FILE).read_bytes()
    _grow(tmp_path, session, 2)
    _age_copies(tmp_path)
    Shelf(tmp_path).close()
    (tmp_path / DATABASE_FILE).write_bytes(early)
    with pytest.raises(RecordsFault, match="holds 2 events, fewer than its last copy"):
        Shelf(tmp_path)
    assert restore(tmp_path).copy.events == 4


def test_intact_records_are_not_replaced(tmp_path: Path, start: Start) -> None:
    with pytest.raises(InputError, match="no intact copy"):
        restore(tmp_path)
    session = _begun(tmp_path, start)
    _grow(tmp_path, session, 2)
    _grow(tmp_path, session, 2)
    with pytest.raises(InputError, match="is intact"):
        restore(tmp_path)
    with Shelf(tmp_path) as shelf:
        assert len(shelf.events(session)) == 4


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE event SET data = replace(data, 'rain', 'sun ') WHERE seq = 2",
        "UPDATE event SET at = '2026-11-26T18:00:00.000+00:00' WHERE seq = 1",
        "UPDATE session SET meter = '0.1%+3/6000'",
        "UPDATE session SET placed_ms = 5",
        "UPDATE design SET text = replace(text, '5.0', '5.1')",
        "DELETE FROM event WHERE seq = 2",
        "UPDATE event SET session = 'none'",
    ],
)
def test_a_change_inside_stored_content_is_found(tmp_path: Path, start: Start, change: str) -> None:
    """Changed digits on a disk leave every page intact."""
    _grow(tmp_path, _begun(tmp_path, start), 3)
    with closing(sqlite3.connect(tmp_path / DATABASE_FILE)) as connection:
        connection.executescript("DROP TRIGGER event_stays; DROP TRIGGER event_is_kept")
        connection.execute(change)
        connection.commit()
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert find_damage(connection) is not None
    with pytest.raises(RecordsFault, match="damaged"):
        Shelf(tmp_path)


def _old_bench(folder: Path) -> Path:
    """Create records as version 1 wrote them."""
    folder.mkdir(exist_ok=True)
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection:
        connection.executescript((GOLDEN / "version-1.sql").read_text("utf-8"))
        connection.execute("PRAGMA user_version = 1")
        connection.execute("PRAGMA journal_mode = WAL")
    return folder / DATABASE_FILE


def test_older_records_are_copied_and_then_migrated(tmp_path: Path) -> None:
    path = _old_bench(tmp_path / "old")
    with closing(sqlite3.connect(path)) as connection:
        before = connection.execute("SELECT session, seq, at, kind, data FROM event").fetchall()
    with Shelf(tmp_path / "old") as shelf:
        rows = shelf.sessions()
        assert [row.tag for row in rows] == ["WF-03", "WF-03"]
        assert [row.started_at for row in rows] == sorted(row.started_at for row in rows)
        assert sum(len(shelf.events(row.id)) for row in rows) == len(before) > 5
        assert shelf.append(rows[0].id, "note", {}, AT).seq > 1
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
        assert (
            connection.execute("SELECT session, seq, at, kind, data FROM event").fetchall()[
                : len(before)
            ]
            == before
        )
    (copy,) = list_copies(tmp_path / "old")
    assert copy.name == "bench-000001-version-1.sqlite3"
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
        found = connection.execute("SELECT session, seq, at, kind, data FROM event").fetchall()
    assert found == before


def _shape(path: Path) -> list[object]:
    with closing(sqlite3.connect(path)) as connection:
        tables = [
            (name, connection.execute(f"PRAGMA table_xinfo({name})").fetchall(),
             connection.execute(f"PRAGMA foreign_key_list({name})").fetchall())
            for name in ("design", "unit", "session", "event")
        ]  # fmt: skip
        strict = connection.execute(
            "SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND type = 'table' "
            "AND name NOT LIKE 'sqlite_%' ORDER BY name"
        ).fetchall()
        triggers = connection.execute(
            "SELECT name, sql FROM sqlite_schema WHERE type = 'trigger' ORDER BY name"
        ).fetchall()
    assert all(row[1] == 1 for row in strict)
    return [tables, strict, triggers]


def test_migrated_records_have_the_same_schema_as_new_ones(tmp_path: Path) -> None:
    old = _old_bench(tmp_path / "old")
    for name in ("old", "new"):
        Shelf(tmp_path / name).close()
    assert _shape(old) == _shape(tmp_path / "new" / DATABASE_FILE)


def test_older_records_are_not_migrated_without_a_copy(tmp_path: Path) -> None:
    path = _old_bench(tmp_path)
    (tmp_path / BACKUP_FOLDER).write_text("a file where the copies would go")
    with pytest.raises(RecordsFault, match="could not be copied before"):
        Shelf(tmp_path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)


def test_a_design_is_identified_by_its_sha_256() -> None:
    # FIPS 180-2, appendix B.1: the digest of "abc"
    assert design_checksum("abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


@pytest.fixture
def memory() -> Iterator[Path]:
    """A folder without a block device, as a mount of another machine has none."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        yield Path(folder)


def test_records_on_a_network_disk_are_refused(
    memory: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the form of proc(5), /proc/pid/mounts: device, mount point with spaces in octal, kind, options
    mounts = tmp_path / "proc" / "self" / "mounts"
    mounts.parent.mkdir(parents=True)
    home = memory / "a b"
    escaped = str(home).replace(" ", "\\040")
    mounts.write_text(
        f"/dev/vda / ext4 rw,relatime 0 0\nstore:/home {escaped} nfs4 rw,vers=4.2 0 0\n"
        f"tmpfs {escaped}/local tmpfs rw 0 0\n"
    )
    mounts.parent.with_name("filesystems").write_text("\text4\nnodev\tnfs4\nnodev\ttmpfs\n")
    monkeypatch.setattr(psutil, "PROCFS_PATH", str(tmp_path / "proc"))
    assert filesystem_kind(home / "bench") == "nfs4"
    assert filesystem_kind(home / "local" / "bench") == "tmpfs"
    assert filesystem_kind(tmp_path / "a bc") == "ext4"
    with pytest.raises(RecordsFault, match="network disk"):
        Shelf(home / "bench")
    Shelf(home / "local" / "bench").close()
    assert not is_on_disk(memory)
    root = os.stat("/")  # where a disk is mounted, the table is not read
    assert is_on_disk(Path("/")) == (os.major(root.st_dev) != 0)


def test_a_mounted_folder_has_the_kind_of_its_mount(tmp_path: Path) -> None:
    disk = tmp_path / "a b"
    with small_disk(disk, "size=300k") as mounted:
        assert filesystem_kind(disk / "bench") == (
            "tmpfs" if mounted else filesystem_kind(tmp_path)
        )


def test_a_copy_is_named_by_file_contents_and_date(tmp_path: Path, start: Start) -> None:
    _grow(tmp_path, _begun(tmp_path, start), 1)
    Shelf(tmp_path).close()
    words = str(find_intact_copy(tmp_path))
    assert re.fullmatch(
        r"backups/bench-000001\.sqlite3 \(1 session, 1 event, \d{4}-\d\d-\d\d \d\d:\d\d\)", words
    )


@pytest.mark.parametrize("octets", [1, 100, 511])
def test_a_file_cut_to_a_few_octets_is_not_replaced_by_a_new_one(
    tmp_path: Path, start: Start, octets: int
) -> None:
    session = _begun(tmp_path, start)
    _grow(tmp_path, session, 3)
    Shelf(tmp_path).close()
    whole = (tmp_path / DATABASE_FILE).read_bytes()
    (tmp_path / DATABASE_FILE).write_bytes(whole[:octets])
    with pytest.raises(RecordsFault, match=r"gone or empty.*shelf --restore"):
        Shelf(tmp_path)
    assert (tmp_path / DATABASE_FILE).read_bytes() == whole[:octets]
    restore(tmp_path)
    with Shelf(tmp_path) as shelf:
        assert len(shelf.events(session)) == 3


def test_an_empty_database_next_to_copies_is_not_replaced_by_a_new_one(
    tmp_path: Path, start: Start
) -> None:
    session = _begun(tmp_path, start)
    _grow(tmp_path, session, 3)
    Shelf(tmp_path).close()
    (tmp_path / DATABASE_FILE).unlink()
    with closing(sqlite3.connect(tmp_path / DATABASE_FILE)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
    assert (tmp_path / DATABASE_FILE).stat().st_size >= 512
    with pytest.raises(RecordsFault, match=r"gone or empty.*shelf --restore"):
        Shelf(tmp_path)


def test_a_file_cut_to_one_octet_without_a_copy_is_reported_as_damaged(tmp_path: Path) -> None:
    (tmp_path / DATABASE_FILE).write_bytes(b"S")
    with pytest.raises(RecordsFault, match=r"is damaged \(cut to 1 octet\); move the file away"):
        Shelf(tmp_path)
    assert (tmp_path / DATABASE_FILE).read_bytes() == b"S"
