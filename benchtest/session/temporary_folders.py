"""Temporary folders, and removal of those left behind by killed programs."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchtest.errors import temp_file_errors
from benchtest.operating_system import is_own_folder, lock_file, open_own_file

PREFIX = "benchtest-work-"
LOCK = ".in-use"
"""File that a running program keeps locked; the system unlocks it at its end."""
UNLOCKED_S = 60.0
"""Age of a folder without that file from which it counts as left behind. [s]"""


@contextmanager
def temporary_folder() -> Iterator[Path]:
    """Yield a folder that is removed afterwards; also remove those of killed programs.

    Raises:
        BenchError: there is no space for temporary files.
    """
    with temp_file_errors():
        _sweep(Path(tempfile.gettempdir()))
        made = tempfile.TemporaryDirectory(prefix=PREFIX)
    with made as folder, contextlib.ExitStack() as stack:
        with temp_file_errors():
            lock = stack.enter_context(Path(folder, LOCK).open("wb"))
            lock_file(lock.fileno())
        yield Path(folder)


def _sweep(there: Path) -> None:
    """Remove folders of this user that no running program uses."""
    with contextlib.suppress(OSError):
        for folder in there.glob(f"{PREFIX}*"):
            with contextlib.suppress(OSError):  # another program may be removing it too
                if _is_left(folder):
                    shutil.rmtree(folder)


def _is_left(folder: Path) -> bool:
    if not is_own_folder(folder):
        return False
    try:
        lock = open_own_file(folder / LOCK)
    except FileNotFoundError:
        return time.time() - folder.lstat().st_mtime > UNLOCKED_S
    try:
        return lock_file(lock)
    finally:
        os.close(lock)
