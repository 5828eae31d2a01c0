"""What a folder lies on: records need a disk of this machine."""

from __future__ import annotations

import re
from pathlib import Path, PurePosixPath

MOUNTS = Path("/proc/self/mountinfo")
NETWORK = {
    "afs", "ceph", "cifs", "davfs", "fuse.davfs2", "fuse.glusterfs", "fuse.rclone", "fuse.s3fs",
    "fuse.sshfs", "lustre", "ncpfs", "nfs", "nfs4", "smb3", "smbfs",
}  # fmt: skip
"""File systems that lie on another machine, as Linux names them; from memory."""


def disk_kind(folder: Path) -> str | None:
    """The kind of file system that a folder lies on, `nfs4`; None where the system does not say.

    Only Linux says.
    """
    try:
        mounts = MOUNTS.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    return kind_in(mounts, PurePosixPath(folder.resolve()))


def kind_in(mounts: str, folder: PurePosixPath) -> str | None:
    """The kind of the mount that a path lies in; of two on one folder, the one on top.

    Source: proc(5), /proc/pid/mountinfo: field 5 is the mount point, the kind follows ` - `.

    >>> line = "36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw"
    >>> kind_in(line, PurePosixPath("/mnt2/bench"))
    'ext3'
    """
    best, kind = -1, None
    for line in mounts.splitlines():
        before, dash, after = line.partition(" - ")
        fields = before.split(" ")
        if not dash or len(fields) < 5:
            continue
        point = PurePosixPath(_plain(fields[4]))
        if folder.is_relative_to(point) and len(point.parts) >= best:
            best, kind = len(point.parts), after.split(" ")[0]
    return kind


def _plain(point: str) -> str:
    """A mount point without its escapes: a space is written in octal, behind a backslash."""
    return re.sub(r"\\(\d{3})", lambda found: chr(int(found[1], 8)), point)
