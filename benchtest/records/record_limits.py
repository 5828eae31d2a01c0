"""Limits of records: nesting, length, values and times.

A record may come from any bench. `json_lines.py` rejects records outside these limits. A bench that
imported such an event with an earlier version keeps it; `shelf.py` reads its data as
`OMITTED_DATA`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from benchtest.formatting import epoch_ms

MAX_DEPTH = 16
"""Deepest nesting of lists and objects; our own events have at most three levels."""
MAX_TEXT = 100_000
"""Characters of an event's data as JSON."""
MAX_VOLTS = 1000.0
"""Highest rated voltage of hand-held meters (from memory). [V]"""
MAX_AMPS = 1000.0
MAX_DECIMALS = 12
"""Most decimals of typed volts; laboratory meters show nine (from memory)."""
MAX_OHM = 1e9
MAX_S = 1e8
"""Three years. [s]"""
MAX_STAMP_MS = 7_258_118_399_999
"""End of the year 2199, since 1970. [ms]"""
MAX_PLACED_MS = MAX_STAMP_MS + 10**9
"""Latest place of a session: each is at least one after the previous one. [ms]"""
EPOCH = "1970-01-01T00:00:00.000+00:00"
OMITTED_DATA: Mapping[str, Any] = {"left_out": True}
"""Data of an event outside the limits: it keeps its number and has no effect."""

Range = tuple[float, float]
_LEVEL: dict[str, Range] = {"level": (0.0, 1.0)}
_DECIMALS: dict[str, Range] = {"decimals": (0.0, MAX_DECIMALS)}
_VOLTS: Range = (-MAX_VOLTS, MAX_VOLTS)
_DONE: dict[str, Range] = {"done_s": (0.0, MAX_S)}
VALUE_RANGES: dict[str, dict[str, Range]] = {
    "verdict": _LEVEL,
    "mark": _LEVEL,
    "reading": {"volts": _VOLTS, "amps": (-MAX_AMPS, MAX_AMPS), **_LEVEL, **_DECIMALS},
    "finding": {"healthy": (0.0, 1.0), "cleared_ohm": (0.0, MAX_OHM)},
    "check": {"ohm": (0.0, MAX_OHM), "volts": _VOLTS},
    "first-light": _LEVEL,
    "colour": _LEVEL,
    "soak-begun": {"planned_s": (0.0, MAX_S), "every_s": (0.0, MAX_S), **_LEVEL},
    "soak-seen": _DONE,
    "soak-stopped": _DONE,
}
"""Lowest and highest value of each field, by the kind of the event."""
SUSPECT_RANGES: dict[str, Range] = {"probability": (0.0, 1.0), "ohms": (0.0, MAX_OHM)}
"""Lowest and highest value of each field of a finding's suspects."""


def find_data_fault(kind: str, data: Mapping[str, Any]) -> str | None:
    """Return the first limit that an event's data break; None if there is none.

    >>> find_data_fault("reading", {"lit": "all", "probe": "4A", "volts": 1e150})
    'volts is 1e+150; give -1000 to 1000'
    >>> find_data_fault("reading", {"lit": "all", "probe": "4A", "volts": 4.871})
    """
    if is_too_deep(data):
        return f"nested more than {MAX_DEPTH} deep"
    if len(json.dumps(data, ensure_ascii=False)) > MAX_TEXT:
        return f"longer than {MAX_TEXT} characters"
    return _find_value_fault(kind, data)


def decode_data(kind: str, text: str) -> tuple[Mapping[str, Any], str | None]:
    """Return an event's data and None; or `OMITTED_DATA` and the limit that it breaks.

    Args:
        kind: kind of the event.
        text: its data as JSON.
    """
    try:
        data: Mapping[str, Any] = json.loads(text)
    except RecursionError:
        return OMITTED_DATA, f"nested more than {MAX_DEPTH} deep"
    if text.count("[") + text.count("{") > MAX_DEPTH and is_too_deep(data):
        return OMITTED_DATA, f"nested more than {MAX_DEPTH} deep"
    if len(text) > MAX_TEXT:
        return OMITTED_DATA, f"longer than {MAX_TEXT} characters"
    if (fault := _find_value_fault(kind, data)) is not None:
        return OMITTED_DATA, fault
    return data, None


def is_too_deep(value: object, most: int = MAX_DEPTH) -> bool:
    """Return True where lists and objects are nested deeper than `most`.

    >>> is_too_deep([[[]]], 3), is_too_deep({"a": [{}]}, 2)
    (False, True)
    """
    level = [value]
    for _ in range(most):
        inner: list[object] = []
        for one in level:
            if isinstance(one, Mapping):
                inner += one.values()
            elif isinstance(one, list):
                inner += one
        level = [one for one in inner if isinstance(one, Mapping | list)]
        if not level:
            return False
    return True


def find_time_fault(stamp: str) -> str | None:
    """Return why a time is outside the limits; None if it is inside.

    >>> find_time_fault("0001-01-01T00:00:00Z")
    'is not between the years 1970 and 2199'
    >>> find_time_fault("2026-11-25T18:00:00.000+00:00")
    """
    moment = epoch_ms(stamp)
    if moment is None or not 0 <= moment <= MAX_STAMP_MS:
        return "is not between the years 1970 and 2199"
    return None


def _find_value_fault(kind: str, data: Mapping[str, Any]) -> str | None:
    rows = [(data, VALUE_RANGES.get(kind, {}))]
    suspects = data.get("suspects") if kind == "finding" else None
    if isinstance(suspects, list):
        rows += [(row, SUSPECT_RANGES) for row in suspects if isinstance(row, Mapping)]
    for row, ranges in rows:
        for name, (low, high) in ranges.items():
            value = row.get(name)
            if isinstance(value, bool) or not isinstance(value, int | float):
                continue
            if not low <= value <= high:
                shown = f"{value:g}" if _is_short(value) else "a number of many digits"
                return f"{name} is {shown}; give {low:g} to {high:g}"
    return None


def _is_short(value: float) -> bool:
    """Return True where a number can be written in a few characters."""
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False
