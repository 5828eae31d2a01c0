"""The CID of the bench as an E1.31 source, one for its life."""

from __future__ import annotations

import contextlib
from pathlib import Path
from uuid import UUID, uuid4

_FILE = "source-id"


def load_cid(folder: Path) -> UUID:
    """Return the bench's CID, made on first use. Source: ANSI E1.31-2018, clause 5.6.

    If the folder cannot be written, each run has another CID: driving matters more than being the
    same source tomorrow.
    """
    file = folder / _FILE
    with contextlib.suppress(OSError, ValueError):
        return UUID(file.read_text(encoding="ascii").strip())
    fresh = uuid4()
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        file.write_text(f"{fresh}\n", encoding="ascii")
    return fresh
