"""Permission of this user to open a serial port, and the remedy without it.

Opens no port: many boards restart when their port is opened.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PortPermission:
    """Access of this user to a device."""

    may_open: bool
    group: str | None = None
    """Group of the device; None on a system without groups."""
    group_may_open: bool = False
    """True if the device's group may read and write."""
    added_since_login: bool = False
    """True if the user joined the group after this login began."""


def port_permission(device: str) -> PortPermission:
    """Return whether this user may read and write a device, and its group."""
    may_open = os.access(device, os.R_OK | os.W_OK)
    try:
        import grp
        import pwd
    except ImportError:  # not every system has groups
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
    """Return the remedy for a port that may not be opened; None if it may."""
    if rights.may_open:
        return None
    if rights.group is None:
        return "ask the administrator of this machine for access to it"
    if rights.added_since_login:
        return f"you are in group {rights.group} now: log out and in again"
    if not rights.group_may_open or rights.group in ("root", "nogroup"):
        return f"only its owner may: sudo chgrp dialout {device} && sudo chmod g+rw {device}"
    return f"sudo usermod -aG {rights.group} $USER, then log out and in again"
