"""Migration of the records from each version to the next, in the caller's transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from benchtest.formatting import epoch_ms
from benchtest.records.checksums import event_checksum

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
