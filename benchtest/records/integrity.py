"""Integrity check of the records: pages, references, and checksums of designs and events."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable
from itertools import groupby

SessionKey = tuple[str, str, str, str, str, int]
"""Id, tag, design checksum, start, meter and place of a session."""
EventRow = tuple[int, str, str, str]
"""Number, time, kind and data (as text) of an event."""


def design_checksum(text: str) -> str:
    """Return the SHA-256 of a prop file's text."""
    return hashlib.sha256(text.encode()).hexdigest()


def event_checksum(session: SessionKey, event: EventRow) -> str:
    """Return the checksum of an event together with its session.

    SQLite's own check covers the structure of its pages; a changed digit inside an event's text
    leaves that structure intact.
    """
    return session_checksum(session)(event)


def session_checksum(session: SessionKey) -> Callable[[EventRow], str]:
    """Return the checksum function of a session's events; the common part is computed once."""
    shared = hashlib.blake2b("\x1f".join(map(str, session)).encode(), digest_size=12)

    def digest(event: EventRow) -> str:
        seq, at, kind, data = event
        own = shared.copy()
        own.update(f"\x1f{seq}\x1f{at}\x1f{kind}\x1f{data}".encode())
        return own.hexdigest()

    return digest


def find_damage(connection: sqlite3.Connection) -> str | None:
    """Return the first damage of the records in a few words; None if they are intact.

    Raises:
        sqlite3.DatabaseError: they are too damaged to be read.
    """
    (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    if verdict != "ok":
        return str(verdict).splitlines()[-1]  # the first line is a heading
    lost = connection.execute("PRAGMA foreign_key_check").fetchone()
    if lost is not None:
        return f"a row of {lost[0]} refers to a missing {lost[2]}"
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    try:
        return _find_changed_content(connection) if version >= 2 else None
    except sqlite3.OperationalError as error:
        # a damaged column name, or, without a code, a text that is not valid UTF-8
        if getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) != sqlite3.SQLITE_ERROR:
            raise
        return "its tables or texts cannot be read"


def _find_changed_content(connection: sqlite3.Connection) -> str | None:
    """Return damage inside texts and numbers, which leaves the pages intact."""
    for digest, text in connection.execute("SELECT digest, text FROM design"):
        if design_checksum(text) != digest:
            return "a prop file in it has changed"
    sessions = {
        row[0]: row
        for row in connection.execute(
            "SELECT id, tag, design, started_at, meter, placed_ms FROM session"
        )
    }
    rows = connection.execute(
        "SELECT session, seq, at, kind, data, digest FROM event ORDER BY session, seq"
    )
    for session, events in groupby(rows, lambda row: row[0]):
        key = sessions.get(session)
        if key is None:  # started by another program meanwhile
            continue
        digest = session_checksum(key)
        for number, (_, seq, at, kind, data, kept) in enumerate(events, 1):
            if seq != number or digest((seq, at, kind, data)) != kept:
                return f"event {number} of {key[1]}, session {session}, has changed"
    return None
