"""Faults of the drive that the user must see: lost packets, and other sources that send."""

from __future__ import annotations

from dataclasses import dataclass

from benchtest.drive.driver import DriveStatus


@dataclass(frozen=True, slots=True)
class DriveNotice:
    """A reason that the light may differ from what is sent."""

    short: str
    """For a line with little room."""
    whole: str


def drive_notice(status: DriveStatus) -> DriveNotice | None:
    """Return the worst fault of the drive; None without one."""
    if status.trouble is not None:
        return DriveNotice(status.trouble, status.trouble)
    if status.other_sources:
        worst = max(status.other_sources, key=lambda other: other.priority)
        count = len(status.other_sources)
        who = "another source sends" if count == 1 else f"{count} other sources send"
        return DriveNotice(f"{who}, priority {worst.priority}", str(worst))
    if status.refused is not None:
        return DriveNotice("packets refused", status.refused)
    return None
