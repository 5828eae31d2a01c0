"""SQLite database of the shelf: durable writes, migration, errors with a remedy.

Records need a disk of this machine, so the kind of the file system is checked. A migration from
each version to the next runs in the caller's transaction.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from benchtest.errors import RecordsFault, temp_file_errors
from benchtest.formatting import count_noun, epoch_ms
from benchtest.operating_system import NETWORK_KINDS, filesystem_kind, is_on_disk
from benchtest.records import backup
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.integrity import event_checksum, find_damage

SCHEMA_VERSION = 2


def migrate(connection: sqlite3.Connection) -> None:
    """Migrate the records, step by step, to this version; call it within a transaction."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    for step in range(version, SCHEMA_VERSION):
        _STEPS[step](connection)
        connection.execute(f"PRAGMA user_version = {step + 1}")


def _migrate_to_2(connection: sqlite3.Connection) -> None:
    """Add a place independent of the clock to sessions, and a checksum to events."""
    connection.execute("ALTER TABLE session ADD COLUMN placed_ms INTEGER NOT NULL DEFAULT 0")
    connection.execute("ALTER TABLE event ADD COLUMN digest TEXT NOT NULL DEFAULT ''")
    for id_, started_at in connection.execute("SELECT id, started_at FROM session").fetchall():
        placed = (epoch_ms(started_at) or 0, id_)
        connection.execute("UPDATE session SET placed_ms = ? WHERE id = ?", placed)
    (keeper,) = connection.execute(
        "SELECT sql FROM sqlite_schema WHERE name = 'event_stays'"
    ).fetchone()
    connection.execute("DROP TRIGGER event_stays")
    rows = connection.execute(
        "SELECT session.id, tag, design, started_at, meter, placed_ms, seq, at, kind, data "
        "FROM event JOIN session ON session.id = event.session"
    ).fetchall()
    connection.executemany(
        "UPDATE event SET digest = ? WHERE session = ? AND seq = ?",
        [(event_checksum(row[:6], row[6:]), row[0], row[6]) for row in rows],
    )
    connection.execute(keeper)


_STEPS: dict[int, Callable[[sqlite3.Connection], None]] = {1: _migrate_to_2}


_MIN_OCTETS = 512
"""Smallest page of a database. Source: sqlite.org, "Database File Format", section 1.3.2."""
_BUSY_TIMEOUT_S = 2.0
"""Wait for another program that is writing. [s]"""


def open_database(folder: Path) -> sqlite3.Connection:
    """Open the bench folder's database, or create it.

    An existing database is checked first, and copied if it has grown since the last copy. Records
    that may not be written are opened as they are now; each attempt to write them then fails.

    Raises:
        RecordsFault: the folder or the file cannot be used; the text has the remedy.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # the mount table takes longer to read than everything else here
        kind = None if is_on_disk(folder) else filesystem_kind(folder)
    except FileExistsError:
        raise RecordsFault(
            f"bench folder {folder}: is a file, not a folder; give another with --bench"
        ) from None
    except OSError as error:
        raise RecordsFault(
            f"bench folder {folder}: cannot be created ({error.strerror}); "
            "give another with --bench"
        ) from error
    if kind in NETWORK_KINDS:
        raise RecordsFault(
            f"bench folder {folder}: is on a network disk ({kind}), where two programs can damage "
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
    """Refuse records that are missing although copies of them exist.

    Raises:
        RecordsFault: the records are gone or cut short.
    """
    octets = path.stat().st_size if path.is_file() else 0
    if octets < _MIN_OCTETS:
        _refuse_new(path)
    if 0 < octets < _MIN_OCTETS:  # SQLite would treat so short a file as empty
        raise RecordsFault(
            f"{path}: is damaged (cut to {count_noun(octets, 'octet')}); "
            f"{recovery_hint(path.parent)}"
        )


def _refuse_new(path: Path) -> None:
    """Refuse to create a new database next to copies of an old one.

    Raises:
        RecordsFault: there is an intact copy.
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
    """Return the records in memory: SQLite would need companion files next to a log."""
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
    try:  # as it is while a writing program has it open
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
    """Numbers of records in a bench's database, and its size."""

    units: int
    sessions: int
    events: int
    octets: int
    targets: tuple[tuple[str, str], ...] = ()
    """Units and the target that each was last driven at, as written for `--to`, the last first."""


_LAST_TARGETS = """
    SELECT session.tag, substr(json_extract(event.data, '$.target'), 1, 200), MAX(session.placed_ms)
    FROM event JOIN session ON event.session = session.id
    WHERE json_type(event.data, '$.target') = 'text'
    AND event.seq = (SELECT MAX(late.seq) FROM event AS late WHERE late.session = event.session
                     AND json_type(late.data, '$.target') = 'text')
    GROUP BY session.tag ORDER BY MAX(session.placed_ms) DESC
"""


def inspect_database(folder: Path) -> DatabaseContents | None:
    """Check the whole database of a bench folder without writing; return None if there is none.

    Raises:
        RecordsFault: it is damaged or cannot be read; the text has the remedy.
    """
    path = folder / DATABASE_FILE
    if not path.exists():
        return None
    # if no program has it open, not even companion files may be created: run by root they would
    # belong to root
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
            rows = connection.execute(_LAST_TARGETS).fetchall() if made else []
    units, sessions, events = counts or (0, 0, 0)
    targets = tuple((str(tag), str(target)) for tag, target, _ in rows)
    return DatabaseContents(units, sessions, events, path.stat().st_size, targets)


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("PRAGMA foreign_keys = ON")
    # a signed-off record must survive a power failure: commits wait for the disk
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
    # a failed backup must not stop the session
    with contextlib.suppress(OSError, sqlite3.Error):
        backup.make_start_copy(connection, path.parent)
    checkpoint(connection)


def checkpoint(connection: sqlite3.Connection) -> None:
    """Move the write-ahead log into the database file, as far as no reader needs the log.

    A copy of that file alone then has every event. This does not wait and may fail without loss:
    the events remain in the log.
    """
    with contextlib.suppress(sqlite3.Error):
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()


def _enable_write_ahead_log(connection: sqlite3.Connection) -> None:
    """Enable the write-ahead log; retry while busy, since SQLite ignores its time-out here."""
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
    from importlib.resources import files

    text = files("benchtest.records").joinpath("schema.sql").read_text("utf-8")
    with transaction(connection):
        # another program may have created it meanwhile
        if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
            for statement in text.split("--=\n"):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def _migrate(connection: sqlite3.Connection, path: Path, version: int) -> None:
    """Migrate older records to this version, entirely or not at all, after a copy of them is made.

    Raises:
        RecordsFault: no copy could be made; nothing was changed.
    """
    try:
        backup.make_copy(connection, path.parent, version)
    except (OSError, sqlite3.Error) as error:
        raise RecordsFault(
            f"{path}: is of an older version, and could not be copied before its "
            f"migration ({error}); make room, or copy the folder to a writable disk"
        ) from error
    with transaction(connection):
        # another program may have migrated it during the copy; then there is no step left
        migrate(connection)
        if (found := find_damage(connection)) is not None:
            raise RecordsFault(
                f"{path}: could not be migrated to version {SCHEMA_VERSION} ({found}); "
                "it is unchanged"
            )


def _check_not_shrunk(connection: sqlite3.Connection, path: Path) -> None:
    """Check that no records were lost since the last copy; records only grow.

    Raises:
        RecordsFault: there are fewer records.
    """
    before, here = backup.count_records_in_last_copy(path.parent), backup.count_records(connection)
    if before is not None and (here[0] < before[0] or here[1] < before[1]):
        raise RecordsFault(
            f"{path}: holds {here[1]} events, fewer than its last copy ({before[1]}): some were "
            f"lost, or replaced by an older file; {recovery_hint(path.parent)}"
        )


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Run one transaction: all of it is on disk at the end, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def file_identity(path: Path) -> tuple[int, int] | None:
    """Return the identity of the file at a path, independent of renames; None without a file."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def check_file_unchanged(path: Path, opened: tuple[int, int] | None) -> None:
    """Check that SQLite writes to the file that the next start will open.

    A file that was deleted, moved or replaced while open still accepts writes, which are lost when
    the program ends.

    Raises:
        RecordsFault: the file is another one.
    """
    if file_identity(path) != opened:
        raise RecordsFault(
            f"{path}: was moved, deleted or replaced while this program has it open, so nothing "
            "is saved any more; put it back and repeat your step, or end this program"
        )


def recovery_hint(folder: Path) -> str:
    """Return the remedy for damaged records."""
    copy = backup.find_intact_copy(folder)
    if copy is None:
        return "move the file away and import an export, or give another folder with --bench"
    return _restore_hint(folder, copy)


def _restore_hint(folder: Path, copy: backup.BackupCopy) -> str:
    return (
        f"the last intact copy is {copy}: `benchtest --bench {folder} shelf --restore` puts it "
        "back, with all other records that are still readable"
    )


_WORDS = {
    sqlite3.SQLITE_BUSY: "another program is writing to it; close that one, then try again",
    sqlite3.SQLITE_LOCKED: "another program is writing to it; close that one, then try again",
    sqlite3.SQLITE_FULL: "the disk is full; make room and try again, nothing else is lost",
    sqlite3.SQLITE_READONLY: "it may not be written; check its permissions, or copy the folder "
    "to a writable disk and give that with --bench",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened for writing; check the folder's permissions, or "
    "copy it to a writable disk and give that with --bench",
    sqlite3.SQLITE_IOERR: "the disk reports an error; use another folder with --bench",
}
_DAMAGED = {
    sqlite3.SQLITE_CORRUPT: "it is damaged",
    sqlite3.SQLITE_NOTADB: "it is not a database",
}


@contextlib.contextmanager
def explain_errors(path: Path) -> Iterator[None]:
    """Convert SQLite's errors into ours.

    Raises:
        RecordsFault: SQLite failed; the text has the cause and the remedy.
    """
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in _DAMAGED:
            raise RecordsFault(f"{path}: {_DAMAGED[code]}; {recovery_hint(path.parent)}") from error
        if code == sqlite3.SQLITE_IOERR and _is_full(path.parent):
            code = sqlite3.SQLITE_FULL
        words = _WORDS.get(code, f"SQLite reports: {error}")
        raise RecordsFault(f"{path}: {words}") from error


def _is_full(folder: Path) -> bool:
    """Return True if a folder lacks the 32 KiB that SQLite needs even to read: its log index.

    SQLite then reports only a disk error.
    Source: sqlite.org, "WAL-mode File Format", section 2.
    """
    with contextlib.suppress(OSError):
        return shutil.disk_usage(folder).free < 65_536
    return False
