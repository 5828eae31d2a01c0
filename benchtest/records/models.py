"""Values of the shelf: units with their stages, sessions, events."""

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
    """An event in a session; never changed once stored."""

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
    """True if it was taken off the shelf; its records stay."""
    was: str | None = None
    """Original tag, under which its records are stored, if it was renamed since; else None."""

    @property
    def key(self) -> str:
        """Tag under which its records are stored, the same on every bench."""
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
    """Order among the unit's sessions; None for its start time. [ms]

    Start by the clock, since 1970, or just after the previous session if the clock was behind it: a
    clock set back does not change the order of the sessions.
    """


def tag_sort_key(tag: str) -> list[tuple[int, int, str]]:
    """Return a key that sorts tags with their numbers as numbers."""
    parts = re.split(r"(\d+)", tag, flags=re.ASCII)
    return [(1, int(part), part) if part.isdigit() else (0, 0, part) for part in parts]


def is_valid_tag(text: object) -> bool:
    """Return True for a valid tag."""
    return isinstance(text, str) and _TAG.fullmatch(text) is not None


def check_tag(tag: str) -> str:
    """Return a tag if it is valid.

    Raises:
        InputError: the tag is not 1 to 40 letters, digits, `-`, `_` or `.`, or does not begin
            with a letter or digit.
    """
    if not _TAG.fullmatch(tag):  # match and $ would accept a line end
        raise InputError(
            f'unit "{printable(tag)}": write 1 to 40 letters, digits, -, _ or ., beginning with a '
            "letter or digit, such as WF-03"
        )
    return tag


def encode_event_data(data: Mapping[str, Any]) -> str:
    """Return an event's data as standard JSON text.

    Raises:
        InputError: the data contain an unpaired surrogate or a number outside JSON.
    """
    try:
        text = json.dumps(data, allow_nan=False, ensure_ascii=False)
        text.encode()
    except UnicodeEncodeError:
        raise InputError("the text contains half a character; type it again") from None
    except ValueError:
        raise InputError("a number is infinite or not a number; enter it again") from None
    return text
