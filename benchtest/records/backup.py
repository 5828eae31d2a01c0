"""Backup copies of the records: at starts, and before a change of version.

Copies are numbered, not dated: after a clock is set back, an old copy must not become the last.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from benchtest.formatting import count_noun
from benchtest.operating_system import replace_file, sync_to_disk
from benchtest.records.integrity import find_damage

DATABASE_FILE = "bench.sqlite3"
BACKUP_FOLDER = "backups"
MAX_START_COPIES = 5
"""Most copies of starts; copies before a change of version are never removed."""
MIN_COPY_INTERVAL_S = 600.0
"""Shortest time between two copies of starts. [s]"""
_MIN_FREE_FACTOR = 10
"""Free space that a copy of a start needs, in multiples of its size, so that it cannot fill the
disk."""

_NAME = re.compile(r"bench-(\d{6,})(-version-\d+)?\.sqlite3", re.ASCII)


@dataclass(frozen=True, slots=True)
class BackupCopy:
    """An intact copy of the records."""

    path: Path
    sessions: int
    events: int

    def __str__(self) -> str:
        when = datetime.fromtimestamp(self.path.stat().st_mtime).strftime("%Y-%m-%d %H:%M")
        inside = f"{BACKUP_FOLDER}/{self.path.name}"
        held = f"{count_noun(self.sessions, 'session')}, {count_noun(self.events, 'event')}"
        return f"{inside} ({held}, {when})"


def list_copies(folder: Path) -> list[Path]:
    """Return the copies of a bench folder's records, latest last."""
    with contextlib.suppress(OSError):
        found = [path for path in (folder / BACKUP_FOLDER).iterdir() if _NAME.fullmatch(path.name)]
        return sorted(found, key=_copy_number)
    return []


def find_intact_copy(folder: Path) -> BackupCopy | None:
    """Return the latest copy without damage."""
    for path in reversed(list_copies(folder)):
        with contextlib.suppress(sqlite3.Error, OSError), _open_read_only(path) as connection:
            if find_damage(connection) is None:
                return BackupCopy(path, *count_records(connection))
    return None


def count_records(connection: sqlite3.Connection) -> tuple[int, int]:
    """Return the numbers of sessions and events, which never decrease."""
    row = connection.execute(
        "SELECT (SELECT COUNT(*) FROM session), (SELECT COUNT(*) FROM event)"
    ).fetchone()
    return int(row[0]), int(row[1])


def count_records_in_last_copy(folder: Path) -> tuple[int, int] | None:
    """Return the numbers of sessions and events in the latest readable copy."""
    for path in reversed(list_copies(folder)):
        with contextlib.suppress(sqlite3.Error, OSError), _open_read_only(path) as connection:
            return count_records(connection)
    return None


def make_copy(connection: sqlite3.Connection, folder: Path, version: int | None = None) -> Path:
    """Copy the records as they are now; the copy is on disk on return.

    Args:
        connection: the records.
        folder: the bench folder.
        version: version of the records before a migration; such a copy is never removed.

    Raises:
        OSError: the folder of copies cannot be written.
        sqlite3.Error: the copy cannot be written.
    """
    (folder / BACKUP_FOLDER).mkdir(exist_ok=True)
    number = 1 + max(map(_copy_number, list_copies(folder)), default=0)
    suffix = "" if version is None else f"-version-{version}"
    path = folder / BACKUP_FOLDER / f"bench-{number:06}{suffix}.sqlite3"
    making = path.with_name(f"making-{os.getpid()}-{path.name}")
    try:
        write_copy(connection, making)
        replace_file(making, path)
        sync_to_disk(path.parent)
    finally:
        making.unlink(missing_ok=True)
    return path


def make_start_copy(connection: sqlite3.Connection, folder: Path) -> Path | None:
    """Copy the records if they have changed since the last copy and that is not recent.

    Raises:
        OSError: the folder of copies cannot be written.
        sqlite3.Error: the copy cannot be written.
    """
    made = list_copies(folder)
    if made and abs(time.time() - made[-1].stat().st_mtime) < MIN_COPY_INTERVAL_S:
        return None
    if shutil.disk_usage(folder).free < _MIN_FREE_FACTOR * (folder / DATABASE_FILE).stat().st_size:
        return None
    now = count_records(connection)
    if now[1] == 0 or now == count_records_in_last_copy(folder):
        return None
    path = make_copy(connection, folder)
    for old in [one for one in list_copies(folder) if "-version-" not in one.name][
        :-MAX_START_COPIES
    ]:
        old.unlink(missing_ok=True)
    return path


def write_copy(connection: sqlite3.Connection, path: Path) -> None:
    """Write the records into one file without companion files."""
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as made:
        connection.backup(made)  # in one step: in several, another writer would restart the copy
        made.execute("PRAGMA journal_mode = DELETE")
    sync_to_disk(path)


def _copy_number(path: Path) -> int:
    found = _NAME.fullmatch(path.name)
    return int(found[1]) if found else 0


@contextlib.contextmanager
def _open_read_only(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
        yield connection
