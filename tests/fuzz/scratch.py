"""Where what is tried may write: in memory, where the machine has such a place."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from functools import cache
from pathlib import Path

SCRATCH = "FUZZ_SCRATCH"
"""Names the folder of a process that may end without cleaning up."""


def in_memory() -> Path | None:
    """Where a file is in memory; None where the machine has no such place."""
    shared = Path("/dev/shm")
    return shared if shared.is_dir() else None


@cache
def scratch() -> Path:
    """A folder in memory, where the machine has one: what is asked here is not of the disk."""
    if given := os.environ.get(SCRATCH):
        return Path(given)
    folder = Path(tempfile.mkdtemp(prefix="fuzz-", dir=in_memory()))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def fresh(name: str) -> Path:
    folder = scratch() / name
    shutil.rmtree(folder, ignore_errors=True)
    return folder
