"""Folder for the files of a target, in memory if possible."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from functools import cache
from pathlib import Path

SCRATCH = "FUZZ_SCRATCH"
"""Environment variable with the folder of a process that may end without cleaning up."""


def in_memory() -> Path | None:
    """Return a path in memory; None on a machine without such a place."""
    shared = Path("/dev/shm")
    return shared if shared.is_dir() else None


@cache
def scratch() -> Path:
    """Return a folder in memory if possible: the disk is not under test here."""
    if given := os.environ.get(SCRATCH):
        return Path(given)
    folder = Path(tempfile.mkdtemp(prefix="fuzz-", dir=in_memory()))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def fresh(name: str) -> Path:
    folder = scratch() / name
    shutil.rmtree(folder, ignore_errors=True)
    return folder
