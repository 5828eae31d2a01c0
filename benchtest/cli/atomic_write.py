"""Files that commands write: the whole of them or nothing, and never in place of records."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path

from benchtest.errors import InputError, RecordsFault

RECORDS = b"SQLite format 3\0"
"""How records begin. Source: sqlite.org, "Database File Format", 1.3.1."""


def write_atomic(path: Path, octets: bytes, *, replace: bool = True) -> None:
    """The whole file at once: what was there before stays until all of it is on the disk.

    Raises:
        InputError: what is there must stay.
        RecordsFault: the disk refuses.
    """
    try:
        if not replace:
            _write_beside(path, octets, replace=False)
            return
        real = Path(os.path.realpath(path))  # a link goes on leading where it led
        _spare_records(path, real)
        if real.exists() and not (real.is_file() and os.access(real.parent, os.W_OK)):
            real.write_bytes(octets)  # a device, a pipe, a file in somebody else's folder
        else:
            _write_beside(real, octets, replace=True)
    except FileExistsError:
        raise InputError(f"{path}: is there now; --replace writes over it") from None
    except OSError as error:
        raise RecordsFault(f"{path}: cannot be written: {error.strerror}") from error


def _spare_records(path: Path, real: Path) -> None:
    if not real.is_file():
        return
    with real.open("rb") as there:
        if there.read(len(RECORDS)) == RECORDS:
            raise InputError(f"{path}: holds the records of a bench; give another file")


def _write_beside(path: Path, octets: bytes, *, replace: bool) -> None:
    import tempfile

    descriptor, name = tempfile.mkstemp(prefix=".benchtest-", dir=path.absolute().parent)
    try:
        with os.fdopen(descriptor, "wb") as half:
            half.write(octets)
            half.flush()
            os.fsync(half.fileno())
        os.chmod(name, _rights(path))
        _put(name, path, replace=replace)
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(name)


def _rights(path: Path) -> int:
    """Those of the file that is replaced, or of any file that a person makes."""
    with contextlib.suppress(FileNotFoundError):
        return stat.S_IMODE(path.stat().st_mode)
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _put(name: str, path: Path, *, replace: bool) -> None:
    """Give a finished file its name; what came there in the meantime is not written over."""
    if replace:
        os.replace(name, path)
        return
    try:
        os.link(name, path)
    except FileExistsError:
        raise
    except OSError:  # a disk without hard links
        if os.path.lexists(path):
            raise FileExistsError from None
        os.rename(name, path)
