"""What the shelf keeps, as it is handed round: units and their stages, sessions, events."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from benchtest.errors import InputError
from benchtest.input_files import printable

Stage = Literal["bare", "soldered", "sealed", "outdoors", "back"]
STAGES: tuple[Stage, ...] = get_args(Stage)

_TAG = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,39}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened in a session; never changed once it is here."""

    seq: int
    at: str
    kind: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Unit:
    """One built copy of a design."""

    tag: str
    design_name: str
    stage: Stage
    retired: bool = False
    """It was taken off the shelf; its record stays."""
    was: str | None = None
    """Tag that it was begun with and that its record is kept under, where it was renamed since."""

    @property
    def key(self) -> str:
        """Tag that its record is kept under, the same on every bench."""
        return self.was or self.tag


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One test session of a unit, without its events."""

    id: str
    tag: str
    design_text: str
    started_at: str
    meter: str
    placed_ms: int | None = None
    """Order among the unit's sessions; None takes it from the start. [ms]

    The start by the clock, since 1970, or just after the session before where the clock was
    behind it: a clock that was set back does not bring the sessions out of order.
    """


def tag_sort_key(tag: str) -> list[tuple[int, int, str]]:
    """Return a key that sorts tags as a person counts.

    >>> sorted(["GF-10", "GF-2", "AA"], key=tag_sort_key)
    ['AA', 'GF-2', 'GF-10']
    """
    parts = re.split(r"(\d+)", tag, flags=re.ASCII)
    return [(1, int(part), part) if part.isdigit() else (0, 0, part) for part in parts]


def is_valid_tag(text: object) -> bool:
    """Return whether something is a valid tag."""
    return isinstance(text, str) and _TAG.fullmatch(text) is not None


def check_tag(tag: str) -> str:
    """A unit's tag, if it is one.

    Raises:
        InputError: it is not 1 to 40 letters, digits, `-`, `_` or `.`, or begins with a sign.
    """
    if not _TAG.fullmatch(tag):  # match and $ would let a line end pass
        raise InputError(
            f'unit "{printable(tag)}": write 1 to 40 letters, digits, -, _ or ., beginning with a '
            "letter or digit, such as WF-03"
        )
    return tag


def encode_event_data(data: Mapping[str, Any]) -> str:
    """An event's data as text that every reader of JSON takes.

    Raises:
        InputError: it holds half a character, or a number that JSON has no word for.
    """
    try:
        text = json.dumps(data, allow_nan=False, ensure_ascii=False)
        text.encode()
    except UnicodeEncodeError:
        raise InputError("the text holds half a character; type it anew") from None
    except ValueError:
        raise InputError("a number in it is infinite or none; write it anew") from None
    return text
