"""Other sources that were heard while evidence was taken, and whether it counts then."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from benchtest.diagnosis.thresholds import MIN_DISTURBING_LEAD
from benchtest.drive.e131.decode import MAX_PRIORITY
from benchtest.drive.e131.other_sources import (
    OtherSource,
    describe_source,
    describe_universes,
)
from benchtest.input_files import strip_control_chars
from benchtest.prop.outputs import MAX_UNIVERSE

MAX_RECORDED_SOURCES = 4
"""Most sources that an event records: those of the highest priority."""
MAX_RECORDED_UNIVERSES = 64
_MAX_TEXT = 80


@dataclass(frozen=True, slots=True)
class HeardSource:
    """Another source on the prop's universes, at the time of an event."""

    name: str
    address: str
    universes: tuple[int, ...]
    priority: int | None
    """None if only its list of universes was received."""
    lead: int | None
    """Its priority less that of the test; None if it is not known, or has no effect on a prop."""

    @property
    def disturbs(self) -> bool:
        """True if the prop may have shown its frames instead of the test's."""
        return self.lead is not None and self.lead >= MIN_DISTURBING_LEAD

    def __str__(self) -> str:
        who = describe_source(self.name, self.address)
        which = describe_universes(self.universes)
        if self.priority is None:
            return f"{who}, which lists {which}"
        return f"{who} on {which} at priority {self.priority}"


def heard_sources(others: Iterable[OtherSource]) -> tuple[HeardSource, ...]:
    """Return the sources that an event records.

    Args:
        others: sources that are present, the highest priority first.
    """
    return tuple(
        HeardSource(
            other.name[:_MAX_TEXT],
            other.address[:_MAX_TEXT],
            other.universes[:MAX_RECORDED_UNIVERSES],
            other.priority,
            other.lead,
        )
        for other in list(others)[:MAX_RECORDED_SOURCES]
    )


def is_disturbed(sources: Iterable[HeardSource]) -> bool:
    """Return True if evidence that was taken while these sources were heard does not count."""
    return any(source.disturbs for source in sources)


def sources_to_data(sources: Iterable[HeardSource]) -> list[dict[str, Any]]:
    """Return the JSON form of sources."""
    return [{**asdict(source), "universes": list(source.universes)} for source in sources]


def sources_from_data(data: object) -> tuple[HeardSource, ...]:
    """Return the sources of a record; one that is invalid is left out."""
    if not isinstance(data, list):
        return ()
    found = (_from_data(one) for one in data[:MAX_RECORDED_SOURCES])
    return tuple(source for source in found if source is not None)


def _from_data(data: object) -> HeardSource | None:
    if not isinstance(data, Mapping):
        return None
    name, address, universes = data.get("name"), data.get("address"), data.get("universes")
    priority, lead = data.get("priority"), data.get("lead")
    if not (isinstance(name, str) and isinstance(address, str) and isinstance(universes, list)):
        return None
    numbers = universes[:MAX_RECORDED_UNIVERSES]
    if not numbers or any(not _is_whole(one, 1, MAX_UNIVERSE) for one in numbers):
        return None
    if not (priority is None or _is_whole(priority, 0, MAX_PRIORITY)):
        return None
    if not (lead is None or _is_whole(lead, -MAX_PRIORITY, MAX_PRIORITY)):
        return None
    name, address = (strip_control_chars(text[:_MAX_TEXT]) for text in (name, address))
    return HeardSource(name, address, tuple(numbers), priority, lead)


def _is_whole(value: object, low: int, high: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high
