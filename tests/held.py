"""Records as a version before the limits kept them: written past the door, with their digests."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from benchtest.records.backup import DATABASE_FILE
from benchtest.records.integrity import design_checksum, event_checksum

AT = "2026-11-25T18:00:00.000+00:00"
DEEP = '{"text": ' + "[" * 600 + "]" * 600 + "}"


def hold_session(
    folder: Path, tag: str, design_name: str, design_text: str, started_at: str, placed_ms: int
) -> str:
    """Put a session with this start and place onto a bench; return its id."""
    id_ = f"held-{tag}-{placed_ms}"
    digest = design_checksum(design_text)
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection, connection:
        connection.execute(
            "INSERT OR IGNORE INTO design VALUES (?, ?, ?)", (digest, design_name, design_text)
        )
        connection.execute("INSERT OR IGNORE INTO unit VALUES (?, ?, 'bare')", (tag, design_name))
        connection.execute(
            "INSERT INTO session VALUES (?, ?, ?, ?, '0.5%+3/6000', ?)",
            (id_, tag, digest, started_at, placed_ms),
        )
    return id_


def hold_event(folder: Path, session: str, kind: str, data: str, at: str = AT) -> None:
    """Put an event with any content onto a bench."""
    with closing(sqlite3.connect(folder / DATABASE_FILE)) as connection, connection:
        key = connection.execute(
            "SELECT id, tag, design, started_at, meter, placed_ms FROM session WHERE id = ?",
            (session,),
        ).fetchone()
        (last,) = connection.execute(
            "SELECT COALESCE(MAX(seq), 0) FROM event WHERE session = ?", (session,)
        ).fetchone()
        row = (last + 1, at, kind, data)
        connection.execute(
            "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)", (session, *row, event_checksum(key, row))
        )
