"""Kind of the file system below a folder: records need a disk of this machine."""

from __future__ import annotations

import os
from pathlib import Path

NETWORK_KINDS = frozenset(
    [
        "afs", "ceph", "cifs", "davfs", "fuse.davfs2", "fuse.glusterfs", "fuse.rclone",
        "fuse.s3fs", "fuse.sshfs", "lustre", "ncpfs", "nfs", "nfs4", "smb3", "smbfs",
    ]
)  # fmt: skip
"""File systems on another machine, by their Linux names; from memory."""


def filesystem_kind(path: Path) -> str | None:
    """Return the kind of file system below a path, such as `ext4`; None if the system hides it."""
    import psutil  # 18 ms, which commands without records need not spend

    real = Path(os.path.realpath(path))
    best: tuple[int, str] | None = None
    for disk in psutil.disk_partitions(all=True):
        mount = Path(disk.mountpoint)
        # of two mounts on one folder, the later one is on top
        if real.is_relative_to(mount) and (best is None or len(mount.parts) >= best[0]):
            best = len(mount.parts), disk.fstype
    return best[1] if best else None
