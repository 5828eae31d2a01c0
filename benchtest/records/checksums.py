"""Short digests that tell what was kept from what a failing disk made of it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

SessionKey = tuple[str, str, str, str, str, int]
"""A session's id, tag, design digest, start, meter and place."""
EventRow = tuple[int, str, str, str]
"""An event's number, time, kind and data as text."""


def design_checksum(text: str) -> str:
    """SHA-256 of a prop file's text."""
    return hashlib.sha256(text.encode()).hexdigest()


def event_checksum(session: SessionKey, event: EventRow) -> str:
    """Digest of an event and of the session that it belongs to.

    SQLite's own check reads the shape of its pages; a figure that changed inside an event's text
    still has that shape.
    """
    return session_checksum(session)(event)


def session_checksum(session: SessionKey) -> Callable[[EventRow], str]:
    """Digests of a session's events; what they share is worked out once."""
    shared = hashlib.blake2b("\x1f".join(map(str, session)).encode(), digest_size=12)

    def digest(event: EventRow) -> str:
        seq, at, kind, data = event
        own = shared.copy()
        own.update(f"\x1f{seq}\x1f{at}\x1f{kind}\x1f{data}".encode())
        return own.hexdigest()

    return digest
