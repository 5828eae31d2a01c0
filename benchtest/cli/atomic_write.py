"""Atomic file writes: a file is replaced as a whole or not at all, and records never are."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path

from benchtest.errors import InputError, RecordsFault
from benchtest.operating_system import rename_to_new, replace_file

RECORDS = b"SQLite format 3\0"
"""First bytes of an SQLite file. Source: sqlite.org, "Database File Format", 1.3.1."""


def write_atomic(path: Path, octets: bytes, *, replace: bool = True) -> None:
    """Write a file; an existing one keeps its content until the new one is wholly on the disk.

    Args:
        path: file to write.
        octets: its content.
        replace: False refuses to replace an existing file.

    Raises:
        InputError: an existing file may not be replaced.
        RecordsFault: the disk cannot be written.
    """
    try:
        if not replace:
            _write_temporary(path, octets, replace=False)
            return
        real = Path(os.path.realpath(path))  # keeps a symbolic link, and writes its target
        _protect_records(path, real)
        if real.exists() and not (real.is_file() and os.access(real.parent, os.W_OK)):
            real.write_bytes(octets)  # a device, a pipe, or a folder without write permission
        else:
            _write_temporary(real, octets, replace=True)
    except FileExistsError:
        raise InputError(f"{path}: exists already; add --replace to overwrite it") from None
    except OSError as error:
        raise RecordsFault(f"{path}: cannot be written: {error.strerror}") from error


def _protect_records(path: Path, real: Path) -> None:
    if not real.is_file():
        return
    with real.open("rb") as existing:
        if existing.read(len(RECORDS)) == RECORDS:
            raise InputError(f"{path}: contains the records of a bench; give another file")


def _write_temporary(path: Path, octets: bytes, *, replace: bool) -> None:
    """Write a temporary file in the same folder and rename it."""
    import tempfile

    descriptor, name = tempfile.mkstemp(prefix=".benchtest-", dir=path.absolute().parent)
    try:
        with os.fdopen(descriptor, "wb") as temporary:
            temporary.write(octets)
            temporary.flush()
            os.fsync(temporary.fileno())
        os.chmod(name, _mode(path))
        (replace_file if replace else rename_to_new)(name, path)
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(name)


def _mode(path: Path) -> int:
    """Return the permissions of the file to replace, or of a new file under the user's mask."""
    with contextlib.suppress(FileNotFoundError):
        return stat.S_IMODE(path.stat().st_mode)
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
