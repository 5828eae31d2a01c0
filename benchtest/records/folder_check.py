"""Whether a bench folder can keep records: rights, room, kind of disk, soundness. Makes nothing."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

import psutil

from benchtest.errors import RecordsFault
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.database import DatabaseContents, inspect_database

_MB = 1_000_000
_LOW_SPACE_OCTETS, _MIN_FREE_OCTETS = 200 * _MB, 10 * _MB
"""Free space that is worth a word, and that is not enough; an evening takes less than one MB."""

_NETWORK_KINDS = frozenset(
    ["nfs", "nfs4", "cifs", "smb3", "smbfs", "afs", "9p", "ceph", "fuse.sshfs", "fuse.glusterfs"]
)
_MEMORY_KINDS = frozenset(["tmpfs", "ramfs"])


@dataclass(frozen=True, slots=True)
class FolderCheck:
    """What a look at a bench folder found."""

    folder: Path
    exists: bool
    trouble: str | None
    """Why nothing can be kept there, and what to do; None where it can."""
    free_octets: int | None
    filesystem: str | None
    """Kind of its file system, where the system tells."""
    contents: DatabaseContents | None
    """What its database holds; None where there is none yet or it cannot be read."""

    @property
    def warning(self) -> str | None:
        """What may go wrong with the records one day; None where nothing is to be said."""
        if self.filesystem in _NETWORK_KINDS:
            # sqlite.org, "Write-Ahead Logging": WAL does not work over a network file system
            return "it is a network disk: open it from one machine at a time, or use a local folder"
        if self.filesystem in _MEMORY_KINDS:
            return "it is memory, gone at the next start: give another folder with --bench"
        if self.filesystem == "overlay":
            return "it belongs to a container and may go with it: mount a folder of the machine"
        if self.free_octets is not None and self.free_octets < _LOW_SPACE_OCTETS:
            return f"only {self.free_octets / _MB:.0f} MB are free: make room"
        return None


def check_folder(folder: Path) -> FolderCheck:
    """Look at a bench folder, whether it is there yet or not."""
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
    """The folder, or the nearest above it that is there."""
    place = folder.absolute()
    # a link that leads nowhere is there as well: no folder can be made in its place
    while not os.path.lexists(place) and place != place.parent:
        place = place.parent
    return place


def _write_trouble(folder: Path, there: Path) -> str | None:
    if not there.is_dir():
        return f"{there}: is no folder; give another with --bench"
    if not os.access(there, os.W_OK | os.X_OK):
        return f"{there}: may not be written; look at its rights, or give --bench"
    if there != folder.absolute():
        return None  # where no bench is yet, none is begun
    try:
        with tempfile.NamedTemporaryFile(dir=there, prefix=".doctor-") as trial:
            trial.write(bytes(4096))
            os.fsync(trial.fileno())
    except OSError as error:
        return f"{there}: cannot be written ({error.strerror}); make room, or give --bench"
    file = there / DATABASE_FILE
    if file.exists() and not os.access(file, os.R_OK | os.W_OK):
        return f"{file}: may not be written; look at its rights, or give --bench"
    return None


def filesystem_kind(place: Path) -> str | None:
    """Kind of file system that a path is on, such as `ext4`; None where nobody tells."""
    real = Path(os.path.realpath(place))
    best: tuple[int, str] | None = None
    for disk in psutil.disk_partitions(all=True):
        mount = Path(disk.mountpoint)
        # what was mounted later lies on top of what was mounted there before
        if real.is_relative_to(mount) and (best is None or len(mount.parts) >= best[0]):
            best = len(mount.parts), disk.fstype
    return best[1] if best else None
