"""Integrity check of the records: pages, references, and the checksum of each event."""

from __future__ import annotations

import sqlite3
from itertools import groupby

from benchtest.records.checksums import design_checksum, session_checksum


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
