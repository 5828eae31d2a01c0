"""SQLite as the shelf uses it: durable before it answers, and plain about what goes wrong."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from benchtest.errors import RecordsFault

FILE = "bench.sqlite3"
VERSION = 1
BUSY_S = 2.0
"""Time to wait for another program that is writing. [s]"""


def open_database(folder: Path) -> sqlite3.Connection:
    """Open the bench folder's database, and make it where there is none.

    Raises:
        RecordsFault: the folder or the file cannot be used, and what to do.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordsFault(
            f"bench folder {folder}: cannot be made ({error.strerror}); give another with --bench"
        ) from error
    path = folder / FILE
    with explained(path):
        connection = sqlite3.connect(path, isolation_level=None, timeout=BUSY_S)
        try:
            _prepare(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


@dataclass(frozen=True, slots=True)
class Contents:
    """How much a bench's database holds."""

    units: int
    sessions: int
    events: int
    octets: int


def inspect_database(folder: Path) -> Contents | None:
    """Look through the bench folder's database, whole, without writing; None where there is none.

    Raises:
        RecordsFault: it is damaged or cannot be read, and what to do.
    """
    path = folder / FILE
    if not path.exists():
        return None
    # where nobody has it open, not even the files that go with a reader may be made: run by root
    # they would belong to root
    alone = "" if path.with_name(f"{FILE}-wal").exists() else "&immutable=1"
    name = f"{path.absolute().as_uri()}?mode=ro{alone}"
    with explained(path):
        reading = sqlite3.connect(name, uri=True, timeout=BUSY_S)
        with contextlib.closing(reading) as connection:
            _check_sound(connection, path, "integrity_check(1)")
            made = _check_version(connection, path) > 0
            tables = ("unit", "session", "event") if made else ()
            query = "SELECT COUNT(*) FROM "
            counts = [connection.execute(query + table).fetchone()[0] for table in tables]
    units, sessions, events = counts or (0, 0, 0)
    return Contents(units, sessions, events, path.stat().st_size)


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("PRAGMA foreign_keys = ON")
    # a signed-off record must outlive a pulled plug: commits wait for the disk
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    _check_sound(connection, path, "quick_check(1)")
    if _check_version(connection, path) == 0:
        _create(connection)


def _check_sound(connection: sqlite3.Connection, path: Path, check: str) -> None:
    (verdict,) = connection.execute(f"PRAGMA {check}").fetchone()
    if verdict != "ok":
        where = str(verdict).splitlines()[-1]  # the first line is a heading
        raise RecordsFault(f"{path}: is damaged ({where}); {_RESCUE}")


def _check_version(connection: sqlite3.Connection, path: Path) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > VERSION:
        raise RecordsFault(
            f"{path}: was written by a newer benchtest (records {version}, this one reads "
            f"{VERSION}); update this one"
        )
    return int(version)


def _create(connection: sqlite3.Connection) -> None:
    text = files("benchtest.records").joinpath("schema.sql").read_text("utf-8")
    with writing(connection):
        # somebody else may have made it while we waited
        if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
            for statement in text.split("--=\n"):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {VERSION}")


@contextlib.contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """One transaction: all of it is on disk when this ends, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


_RESCUE = "move the file away and import an export, or give another folder with --bench"

_WORDS = {
    sqlite3.SQLITE_BUSY: "another program is writing to it; close that one, then try again",
    sqlite3.SQLITE_LOCKED: "another program is writing to it; close that one, then try again",
    sqlite3.SQLITE_FULL: "the disk is full; make room and try again, nothing else is lost",
    sqlite3.SQLITE_READONLY: "it may not be written; look at its rights, or give --bench",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened; look at the folder's rights, or give --bench",
    sqlite3.SQLITE_CORRUPT: f"it is damaged; {_RESCUE}",
    sqlite3.SQLITE_NOTADB: f"it is no database; {_RESCUE}",
    sqlite3.SQLITE_IOERR: "the disk answers with an error; save elsewhere with --bench",
}


@contextlib.contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into ours.

    Raises:
        RecordsFault: something failed; what, and what to do.
    """
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        words = _WORDS.get(code, f"the records say: {error}")
        raise RecordsFault(f"{path}: {words}") from error
