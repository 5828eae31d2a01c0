"""Check of a bench folder: permissions, free space, file system, damage. Creates nothing."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from benchtest.errors import RecordsFault
from benchtest.operating_system import NETWORK_KINDS, filesystem_kind
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.database import DatabaseContents, inspect_database

_MB = 1_000_000
_LOW_SPACE_OCTETS, _MIN_FREE_OCTETS = 200 * _MB, 10 * _MB
"""Free space that causes a warning, and that is too little; an evening takes less than one MB."""

_MEMORY_KINDS = frozenset(["tmpfs", "ramfs"])


@dataclass(frozen=True, slots=True)
class FolderCheck:
    """Result of a folder check."""

    folder: Path
    exists: bool
    trouble: str | None
    """Reason that no records can be kept there, with the remedy; None if they can."""
    free_octets: int | None
    filesystem: str | None
    """Kind of its file system; None if the system hides it."""
    contents: DatabaseContents | None
    """Contents of its database; None without one, or if it cannot be read."""

    @property
    def warning(self) -> str | None:
        """Risk for the records; None without one."""
        if self.filesystem in NETWORK_KINDS or self.filesystem == "9p":
            # sqlite.org, "Write-Ahead Logging": WAL does not work over a network file system
            return "it is a network disk: open it from one machine at a time, or use a local folder"
        if self.filesystem in _MEMORY_KINDS:
            return "it is in memory, lost at the next start: give another folder with --bench"
        if self.filesystem == "overlay":
            return "it belongs to a container and is lost with it: mount a folder of the machine"
        if self.free_octets is not None and self.free_octets < _LOW_SPACE_OCTETS:
            return f"only {self.free_octets / _MB:.0f} MB are free: make room"
        return None


def check_folder(folder: Path) -> FolderCheck:
    """Check a bench folder, existing or not."""
    there = _nearest_existing(folder)
    free = None
    with contextlib.suppress(OSError):
        free = shutil.disk_usage(there).free
    trouble, contents = _write_trouble(folder, there), None
    if trouble is None and free is not None and free < _MIN_FREE_OCTETS:
        trouble = f"{there}: only {free / _MB:.1f} MB are free; make room, or give --bench"
    try:
        contents = inspect_database(folder)
    except RecordsFault as fault:
        trouble = str(fault)
    return FolderCheck(folder, folder.is_dir(), trouble, free, filesystem_kind(there), contents)


def _nearest_existing(folder: Path) -> Path:
    """Return the folder, or the nearest existing one above it."""
    place = folder.absolute()
    # a broken link counts as existing: no folder can be created in its place
    while not os.path.lexists(place) and place != place.parent:
        place = place.parent
    return place


def _write_trouble(folder: Path, there: Path) -> str | None:
    if not there.is_dir():
        return f"{there}: is not a folder; give another with --bench"
    if not os.access(there, os.W_OK | os.X_OK):
        return f"{there}: may not be written; check its permissions, or give --bench"
    if there != folder.absolute():
        return None  # no bench exists there, and the check creates none
    try:
        with tempfile.NamedTemporaryFile(dir=there, prefix=".doctor-") as trial:
            trial.write(bytes(4096))
            os.fsync(trial.fileno())
    except OSError as error:
        return f"{there}: cannot be written ({error.strerror}); make room, or give --bench"
    file = there / DATABASE_FILE
    if file.exists() and not os.access(file, os.R_OK | os.W_OK):
        return f"{file}: may not be written; check its permissions, or give --bench"
    return None
