"""Whether this machine's user may open a serial port, and what to do where not.

Opens none: many boards restart when their port is opened.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PortPermission:
    """What this user may do with a device."""

    may_open: bool
    group: str | None = None
    """Group that may, where the system has groups."""
    group_may_open: bool = False
    """True where the device lets its group read and write."""
    added_since_login: bool = False
    """True where the user was put into the group after this login began."""


def port_permission(device: str) -> PortPermission:
    """Whether this user may read and write a device, and if not, which group may."""
    may_open = os.access(device, os.R_OK | os.W_OK)
    try:
        import grp
        import pwd
    except ImportError:  # a system without groups
        return PortPermission(may_open)
    try:
        status = os.stat(device)
        group = grp.getgrgid(status.st_gid)
    except (OSError, KeyError):
        return PortPermission(may_open)
    try:
        user = pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        user = ""
    both = stat.S_IRGRP | stat.S_IWGRP
    return PortPermission(
        may_open,
        group.gr_name,
        status.st_mode & both == both,
        user in group.gr_mem and status.st_gid not in {os.getegid(), *os.getgroups()},
    )


def permission_remedy(device: str, rights: PortPermission) -> str | None:
    """What to do about a port that may not be opened; None where it may."""
    if rights.may_open:
        return None
    if rights.group is None:
        return "ask who administers this machine for rights to it"
    if rights.added_since_login:
        return f"you are in group {rights.group} by now: log out and in again"
    if not rights.group_may_open or rights.group in ("root", "nogroup"):
        return f"only its owner may: sudo chgrp dialout {device} && sudo chmod g+rw {device}"
    return f"sudo usermod -aG {rights.group} $USER, then log out and in again"
