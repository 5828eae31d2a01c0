"""What a person must hear of driving: packets that do not arrive, and others who send as well."""

from __future__ import annotations

from dataclasses import dataclass

from benchtest.drive.driver import DriveStatus


@dataclass(frozen=True, slots=True)
class News:
    """Something that makes the light other than it should be."""

    short: str
    """For a line that has little room."""
    whole: str


def news_of(status: DriveStatus) -> News | None:
    """What stands in the way of the light; the worst first, None where nothing does."""
    if status.trouble is not None:
        return News(status.trouble, status.trouble)
    if status.other_sources:
        worst = max(status.other_sources, key=lambda other: other.priority)
        count = len(status.other_sources)
        who = "another source sends" if count == 1 else f"{count} other sources send"
        return News(f"{who}, priority {worst.priority}", str(worst))
    if status.refused is not None:
        return News("packets refused", status.refused)
    return None
