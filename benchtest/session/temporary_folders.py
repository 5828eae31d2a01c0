"""Temporary folders, and removal of those left behind by killed programs."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchtest.errors import temp_file_errors

try:
    import fcntl
except ImportError:  # not on Windows: nothing is removed there
    fcntl = None  # type: ignore[assignment]

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
            if fcntl is not None:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield Path(folder)


def _sweep(there: Path) -> None:
    """Remove folders of this user that no running program uses."""
    if fcntl is None:
        return
    with contextlib.suppress(OSError):
        for folder in there.glob(f"{PREFIX}*"):
            with contextlib.suppress(OSError):  # another program may be removing it too
                if _is_left(folder):
                    shutil.rmtree(folder)


def _is_left(folder: Path) -> bool:
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid():
        return False
    try:
        # no link is followed: another user may have put one into a shared folder
        lock = os.open(folder / LOCK, os.O_RDONLY | os.O_NOFOLLOW)
    except FileNotFoundError:
        return time.time() - found.st_mtime > UNLOCKED_S
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    finally:
        os.close(lock)
    return True
