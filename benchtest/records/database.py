"""SQLite as the shelf uses it: durable before it answers, and plain about what goes wrong."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from benchtest.errors import RecordsFault, temp_file_errors
from benchtest.formatting import count_noun
from benchtest.records import backup
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.disk import NETWORK, disk_kind
from benchtest.records.integrity import find_damage
from benchtest.records.migrate import SCHEMA_VERSION, migrate

_MIN_OCTETS = 512
"""The least page of a database. Source: sqlite.org, "Database File Format", section 1.3.2."""
_BUSY_TIMEOUT_S = 2.0
"""Time to wait for another program that is writing. [s]"""


def open_database(folder: Path) -> sqlite3.Connection:
    """Open the bench folder's database, and make it where there is none.

    What is there is checked first; where it has grown since the last copy, it is copied. Records
    that may not be written are opened as they are now; each attempt to write them then fails.

    Raises:
        RecordsFault: the folder or the file cannot be used, and what to do.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        kind = disk_kind(folder)
    except FileExistsError:
        raise RecordsFault(
            f"bench folder {folder}: is there, but is no folder; give another with --bench"
        ) from None
    except OSError as error:
        raise RecordsFault(
            f"bench folder {folder}: cannot be made ({error.strerror}); give another with --bench"
        ) from error
    if kind in NETWORK:
        raise RecordsFault(
            f"bench folder {folder}: lies on a network disk ({kind}), where two programs can spoil "
            "each other's records; give a folder of this machine with --bench, and carry records "
            "with `benchtest export` and `benchtest import`"
        )
    path = folder / DATABASE_FILE
    _check_present(path)
    if not is_writable(path):
        return _open_in_memory(path)
    return _open_writable(path)


def is_writable(path: Path) -> bool:
    """Return False where records are there and this user, or this disk, cannot write them."""
    return not path.is_file() or (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))


def _check_present(path: Path) -> None:
    """Copies of records that are gone mean that something went wrong, not that nothing was.

    Raises:
        RecordsFault: the records are gone.
    """
    octets = path.stat().st_size if path.is_file() else 0
    if octets < _MIN_OCTETS:
        _refuse_new(path)
    if 0 < octets < _MIN_OCTETS:  # SQLite takes so short a file for an empty one
        raise RecordsFault(
            f"{path}: is damaged (cut to {count_noun(octets, 'octet')}); "
            f"{recovery_hint(path.parent)}"
        )


def _refuse_new(path: Path) -> None:
    """Refuse to begin a new database where copies of one are here.

    Raises:
        RecordsFault: there is a whole copy.
    """
    copy = backup.find_intact_copy(path.parent)
    if copy is not None:
        raise RecordsFault(
            f"{path}: is gone or empty, but copies of it are here; "
            f"{_restore_hint(path.parent, copy)}. To start with empty records, move "
            f"{backup.BACKUP_FOLDER} away"
        )


def _open_writable(path: Path) -> sqlite3.Connection:
    with explain_errors(path):
        connection = sqlite3.connect(path, isolation_level=None, timeout=_BUSY_TIMEOUT_S)
        try:
            _prepare(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


def _open_in_memory(path: Path) -> sqlite3.Connection:
    """Return what the records hold now, in memory: SQLite needs files of its own beside a log."""
    with explain_errors(path):
        held = sqlite3.connect(":memory:", isolation_level=None)
        try:
            _copy_into(held, path)
            version = _check_version(held, path)
            _check_intact(held, path)
            if version < SCHEMA_VERSION:
                with transaction(held):
                    migrate(held)
            held.execute("PRAGMA query_only = ON")
        except BaseException:
            held.close()
            raise
    return held


def _copy_into(held: sqlite3.Connection, path: Path) -> None:
    try:  # as it is while another program, which may write it, has it open
        source = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=_BUSY_TIMEOUT_S
        )
        with contextlib.closing(source):
            source.backup(held)
        return
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
            raise
    with temp_file_errors(), tempfile.TemporaryDirectory(prefix="benchtest-") as folder:
        for side in ("", "-wal"):
            if (one := path.with_name(f"{DATABASE_FILE}{side}")).is_file():
                shutil.copyfile(one, Path(folder) / one.name)
        with contextlib.closing(sqlite3.connect(Path(folder) / DATABASE_FILE)) as source:
            source.backup(held)


@dataclass(frozen=True, slots=True)
class DatabaseContents:
    """How much a bench's database holds."""

    units: int
    sessions: int
    events: int
    octets: int


def inspect_database(folder: Path) -> DatabaseContents | None:
    """Look through the bench folder's database, whole, without writing; None where there is none.

    Raises:
        RecordsFault: it is damaged or cannot be read, and what to do.
    """
    path = folder / DATABASE_FILE
    if not path.exists():
        return None
    # where nobody has it open, not even the files that go with a reader may be made: run by root
    # they would belong to root
    alone = "" if path.with_name(f"{DATABASE_FILE}-wal").exists() else "&immutable=1"
    name = f"{path.absolute().as_uri()}?mode=ro{alone}"
    with explain_errors(path):
        reading = sqlite3.connect(name, uri=True, timeout=_BUSY_TIMEOUT_S)
        with contextlib.closing(reading) as connection:
            _check_intact(connection, path)
            made = _check_version(connection, path) > 0
            tables = ("unit", "session", "event") if made else ()
            query = "SELECT COUNT(*) FROM "
            counts = [connection.execute(query + table).fetchone()[0] for table in tables]
    units, sessions, events = counts or (0, 0, 0)
    return DatabaseContents(units, sessions, events, path.stat().st_size)


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("PRAGMA foreign_keys = ON")
    # a signed-off record must outlive a pulled plug: commits wait for the disk
    _enable_write_ahead_log(connection)
    connection.execute("PRAGMA synchronous = FULL")
    version = _check_version(connection, path)
    if version == 0 and not connection.execute("SELECT 1 FROM sqlite_schema").fetchall():
        _refuse_new(path)
        _create(connection)
        return
    if version < 1:
        raise RecordsFault(f"{path}: is damaged (no version in it); {recovery_hint(path.parent)}")
    _check_intact(connection, path)
    if version < SCHEMA_VERSION:
        _migrate(connection, path, version)
    _check_not_shrunk(connection, path)
    # a copy is a help, not a condition: the work goes on where it cannot be made
    with contextlib.suppress(OSError, sqlite3.Error):
        backup.make_start_copy(connection, path.parent)
    checkpoint(connection)


def checkpoint(connection: sqlite3.Connection) -> None:
    """Move what stands in the log into the database file, as far as no reader needs it there.

    A copy of that file alone then has every event. It waits for nobody, and may fail: the log
    keeps what it has.
    """
    with contextlib.suppress(sqlite3.Error):
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()


def _enable_write_ahead_log(connection: sqlite3.Connection) -> None:
    """Commits go to a log first. SQLite waits for no lock in this, whatever its time-out says."""
    until_s = time.monotonic() + _BUSY_TIMEOUT_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            is_busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
            if not is_busy or time.monotonic() > until_s:
                raise
            time.sleep(0.02)
        else:
            return


def _check_intact(connection: sqlite3.Connection, path: Path) -> None:
    if (found := find_damage(connection)) is not None:
        raise RecordsFault(f"{path}: is damaged ({found}); {recovery_hint(path.parent)}")


def _check_version(connection: sqlite3.Connection, path: Path) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > SCHEMA_VERSION:
        raise RecordsFault(
            f"{path}: was written by a newer benchtest (records {version}, this one reads "
            f"{SCHEMA_VERSION}); update this one"
        )
    return int(version)


def _create(connection: sqlite3.Connection) -> None:
    text = files("benchtest.records").joinpath("schema.sql").read_text("utf-8")
    with transaction(connection):
        # somebody else may have made it while we waited
        if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
            for statement in text.split("--=\n"):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def _migrate(connection: sqlite3.Connection, path: Path, version: int) -> None:
    """Bring older records to this version, all of it or nothing, once a copy of them is kept.

    Raises:
        RecordsFault: no copy could be kept; nothing was changed.
    """
    try:
        backup.make_copy(connection, path.parent, version)
    except (OSError, sqlite3.Error) as error:
        raise RecordsFault(
            f"{path}: is of an older version, and could not be copied before it is brought "
            f"forward ({error}); make room, or copy the folder to a disk that may be written"
        ) from error
    with transaction(connection):
        # another program may have done it while we copied; then there is no step left
        migrate(connection)
        if (found := find_damage(connection)) is not None:
            raise RecordsFault(
                f"{path}: could not be brought to version {SCHEMA_VERSION} ({found}); "
                "it is as it was"
            )


def _check_not_shrunk(connection: sqlite3.Connection, path: Path) -> None:
    """Records only grow: fewer than in the last copy means that some were lost.

    Raises:
        RecordsFault: there are fewer.
    """
    before, here = backup.count_records_in_last_copy(path.parent), backup.count_records(connection)
    if before is not None and (here[0] < before[0] or here[1] < before[1]):
        raise RecordsFault(
            f"{path}: holds {here[1]} events, fewer than its last copy ({before[1]}): some were "
            f"lost, or an older file was put here; {recovery_hint(path.parent)}"
        )


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """One transaction: all of it is on disk when this ends, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def file_identity(path: Path) -> tuple[int, int] | None:
    """Which file a name stands for, whatever it is called later; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def check_file_unchanged(path: Path, opened: tuple[int, int] | None) -> None:
    """What SQLite wrote is in a file that the next start will find.

    A file that was deleted, moved or replaced while it is open takes all that is written to it,
    and loses it with the program.

    Raises:
        RecordsFault: it is not.
    """
    if file_identity(path) != opened:
        raise RecordsFault(
            f"{path}: was moved, deleted or replaced while this program has it open, so nothing "
            "is kept any more; put it back and do your step again, or end this program"
        )


def recovery_hint(folder: Path) -> str:
    """What to do about records that are damaged."""
    copy = backup.find_intact_copy(folder)
    if copy is None:
        return "move the file away and import an export, or give another folder with --bench"
    return _restore_hint(folder, copy)


def _restore_hint(folder: Path, copy: backup.BackupCopy) -> str:
    return (
        f"the last whole copy is {copy}: `benchtest --bench {folder} shelf --restore` puts it "
        "back, with whatever else can still be read"
    )


_WORDS = {
    sqlite3.SQLITE_BUSY: "another program is writing to it; close that one, then try again",
    sqlite3.SQLITE_LOCKED: "another program is writing to it; close that one, then try again",
    sqlite3.SQLITE_FULL: "the disk is full; make room and try again, nothing else is lost",
    sqlite3.SQLITE_READONLY: "it may not be written; look at its rights, or copy the folder "
    "to a disk that may be written and give that with --bench",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened for writing; look at the folder's rights, or "
    "copy it to a disk that may be written and give that with --bench",
    sqlite3.SQLITE_IOERR: "the disk answers with an error; save elsewhere with --bench",
}
_DAMAGED = {
    sqlite3.SQLITE_CORRUPT: "it is damaged",
    sqlite3.SQLITE_NOTADB: "it is no database",
}


@contextlib.contextmanager
def explain_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into ours.

    Raises:
        RecordsFault: something failed; what, and what to do.
    """
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in _DAMAGED:
            raise RecordsFault(f"{path}: {_DAMAGED[code]}; {recovery_hint(path.parent)}") from error
        if code == sqlite3.SQLITE_IOERR and _is_full(path.parent):
            code = sqlite3.SQLITE_FULL
        words = _WORDS.get(code, f"the records say: {error}")
        raise RecordsFault(f"{path}: {words}") from error


def _is_full(folder: Path) -> bool:
    """Whether it has no room for what SQLite needs even to read: its index of the log, 32 KiB.

    Where that finds no room it only says that the disk answers with an error.
    Source: sqlite.org, "WAL-mode File Format", section 2.
    """
    with contextlib.suppress(OSError):
        return shutil.disk_usage(folder).free < 65_536
    return False
