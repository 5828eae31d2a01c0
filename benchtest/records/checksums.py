"""Checksums that detect changes of designs and events on a failing disk."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

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
