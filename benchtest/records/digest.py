"""Short digests that tell what was kept from what a failing disk made of it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime

SessionKey = tuple[str, str, str, str, str, int]
"""A session's id, tag, design digest, start, meter and place."""


def design_digest(text: str) -> str:
    """SHA-256 of a prop file's text."""
    return hashlib.sha256(text.encode()).hexdigest()


def event_digest(session: SessionKey, event: Sequence[object]) -> str:
    """Digest of an event and of the session that it belongs to.

    SQLite's own check reads the shape of its pages; a figure that changed inside an event's text
    still has that shape.

    Args:
        session: the session's row.
        event: number, time, kind and data as text.
    """
    text = "\x1f".join(map(str, (*session, *event)))
    return hashlib.blake2b(text.encode(), digest_size=12).hexdigest()


def moment_ms(stamp: str) -> int | None:
    """A record's time since 1970 [ms]; None where it is no time with its offset.

    >>> moment_ms("1970-01-01T01:00:01.500+01:00")
    1500
    >>> moment_ms("this evening"), moment_ms("2026-11-25T18:00:00")
    (None, None)
    """
    try:
        moment = datetime.fromisoformat(stamp)
    except ValueError:
        return None
    if moment.utcoffset() is None:
        return None
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return round(since.total_seconds() * 1e3)
