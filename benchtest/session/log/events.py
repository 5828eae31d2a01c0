"""What happens in a session, as values that a record keeps: plain words and numbers.

Places, lit strands and nodes are written as the contract writes them, so that a record can be
read without this program.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import UnionType
from typing import Any, ClassVar, Literal, Union, get_args, get_origin, get_type_hints

from benchtest.evidence.marks import Seen
from benchtest.input_files import strip_control_chars
from benchtest.records.models import Stage

Check = Literal["rails", "polarity", "fuse", "supply"]
CHECKS: tuple[Check, ...] = get_args(Check)
"""What is made sure of before power, in this order."""


@dataclass(frozen=True, slots=True)
class VerdictGiven:
    """A strand was looked at, alone, and passed or failed."""

    kind: ClassVar[str] = "verdict"
    strand: int
    passed: bool
    level: float = 1.0


@dataclass(frozen=True, slots=True)
class MarkMade:
    """Something was seen at nodes of a strand."""

    kind: ClassVar[str] = "mark"
    lit: str
    strand: int
    nodes: str
    seen: Seen
    level: float = 1.0
    colour: str = "white"


@dataclass(frozen=True, slots=True)
class ReadingTaken:
    """Volts at a probe, or a feed's amperes."""

    kind: ClassVar[str] = "reading"
    lit: str
    probe: str
    volts: float | None
    amps: float | None = None
    level: float = 1.0
    colour: str = "white"
    source: str | None = None
    """What gave it; None where somebody typed it."""
    meter: str | None = None
    """Class of what it was read with; None for the session's meter."""
    again: int | None = None
    """Number of the event whose reading it replaces; None where it replaces none."""
    decimals: int | None = None
    """Decimals of the volts as typed; None where a source gave them, and in older records."""


@dataclass(frozen=True, slots=True)
class Struck:
    """A reading was struck out: it stays on record and no longer counts."""

    kind: ClassVar[str] = "struck"
    seq: int
    """Number of its event."""


@dataclass(frozen=True, slots=True)
class NotTaken:
    """A reading that was asked for cannot be taken: its points are out of reach."""

    kind: ClassVar[str] = "not-taken"
    lit: str
    probe: str


@dataclass(frozen=True, slots=True)
class RepairDone:
    """A joint was remade or a node replaced."""

    kind: ClassVar[str] = "repair"
    where: str
    what: str = ""


@dataclass(frozen=True, slots=True)
class NoteMade:
    """Something worth remembering."""

    kind: ClassVar[str] = "note"
    text: str


@dataclass(frozen=True, slots=True)
class StageSet:
    """The unit is at another stage of its life."""

    kind: ClassVar[str] = "stage"
    stage: Stage
    was: Stage | None = None
    """Where it was before, for undo."""


@dataclass(frozen=True, slots=True)
class Concluded:
    """What the tool said of the evidence up to here; kept so that a record shows it as it was."""

    kind: ClassVar[str] = "finding"
    healthy: float
    settled: bool
    suspects: list[dict[str, Any]] = field(default_factory=list)
    cleared_ohm: float | None = None
    set_aside: list[int] = field(default_factory=list)
    """Numbers of readings that disagree with all others and did not count."""


@dataclass(frozen=True, slots=True)
class CheckMade:
    """Something was made sure of before power."""

    kind: ClassVar[str] = "check"
    check: Check
    feed: str
    passed: bool | None
    """None where the person left it out."""
    ohm: float | None = None
    volts: float | None = None
    lit: str = ""
    """Strands that were lit; empty for a check before power."""


@dataclass(frozen=True, slots=True)
class FirstLight:
    """Everything was lit for the first time, at a low level."""

    kind: ClassVar[str] = "first-light"
    passed: bool
    level: float = 0.05


@dataclass(frozen=True, slots=True)
class ColourSeen:
    """One colour was looked at, on one strand or on all of them."""

    kind: ClassVar[str] = "colour"
    colour: str
    right: bool
    strand: int | None = None
    level: float = 1.0
    lit: str | None = None
    """Strands that were lit; None for the one strand, or for all of them."""


@dataclass(frozen=True, slots=True)
class PartSeen:
    """A part of a strand, or of the whole prop, was lit to find a node that fails."""

    kind: ClassVar[str] = "part"
    first: int
    """Places in the order that data reaches the nodes, from 1."""
    last: int
    right: bool
    strand: int | None = None
    """None where the whole prop is searched."""


@dataclass(frozen=True, slots=True)
class Wiggled:
    """The joints of a strand end were moved while lit."""

    kind: ClassVar[str] = "wiggle"
    end: str
    steady: bool


@dataclass(frozen=True, slots=True)
class SoakBegun:
    """The prop is to stay lit for a long time."""

    kind: ClassVar[str] = "soak-begun"
    planned_s: float
    every_s: float
    """Time between two looks. [s]"""
    level: float = 1.0


@dataclass(frozen=True, slots=True)
class SoakSeen:
    """Somebody looked at a prop that soaks."""

    kind: ClassVar[str] = "soak-seen"
    done_s: float
    steady: bool


@dataclass(frozen=True, slots=True)
class SoakStopped:
    """The soak is over, or pauses."""

    kind: ClassVar[str] = "soak-stopped"
    done_s: float
    over: bool = True


@dataclass(frozen=True, slots=True)
class Renamed:
    """The unit got another tag; its record is found under both."""

    kind: ClassVar[str] = "renamed"
    tag: str


@dataclass(frozen=True, slots=True)
class Retired:
    """The unit was taken off the shelf, or brought back; its record stays."""

    kind: ClassVar[str] = "retired"
    retired: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class SignedOff:
    """Somebody answers for the unit."""

    kind: ClassVar[str] = "signed-off"
    by: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Undone:
    """An earlier event no longer counts."""

    kind: ClassVar[str] = "undone"
    seq: int
    also: list[int] = field(default_factory=list)
    """Other events that the same key had added."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """An event of a later version: kept, not understood."""

    kind: ClassVar[str] = "unknown"
    data: Mapping[str, Any]


SessionEvent = (
    VerdictGiven
    | MarkMade
    | ReadingTaken
    | Struck
    | NotTaken
    | RepairDone
    | NoteMade
    | StageSet
    | Concluded
    | CheckMade
    | FirstLight
    | ColourSeen
    | PartSeen
    | Wiggled
    | SoakBegun
    | SoakSeen
    | SoakStopped
    | Renamed
    | Retired
    | SignedOff
    | Undone
    | Unknown
)

_KINDS: dict[str, type[Any]] = {
    made.kind: made
    for made in (
        VerdictGiven, MarkMade, ReadingTaken, Struck, NotTaken, RepairDone, NoteMade, StageSet,
        Concluded, CheckMade, FirstLight, ColourSeen, PartSeen, Wiggled, SoakBegun, SoakSeen,
        SoakStopped, Renamed, Retired, SignedOff, Undone,
    )
}  # fmt: skip


def _hints(made: type[Any]) -> dict[str, Any]:
    """What each field of an event holds."""
    hints = get_type_hints(made)
    return {slot.name: hints[slot.name] for slot in dataclasses.fields(made)}


LARGE = 2**63
"""A whole number from here on is none of ours, and may be too large to reckon with."""
_HINTS = {kind: _hints(made) for kind, made in _KINDS.items()}


def to_data(happening: SessionEvent) -> dict[str, Any]:
    """The event as JSON keeps it."""
    return dataclasses.asdict(happening)


def from_data(kind: str, data: Mapping[str, Any]) -> SessionEvent:
    """The event that a record keeps; one that this version does not know is `Unknown`.

    >>> from_data("verdict", {"strand": 4, "passed": True})
    VerdictGiven(strand=4, passed=True, level=1.0)
    """
    made = _KINDS.get(kind)
    if made is None:
        return Unknown(dict(data))
    known = {name: _plain(data[name]) for name in _HINTS[kind] if name in data}
    if not all(_fits(value, _HINTS[kind][name]) for name, value in known.items()):
        return Unknown(dict(data))
    try:
        happening: SessionEvent = made(**known)
    except TypeError:  # something is missing
        return Unknown(dict(data))
    return happening


def _plain(value: Any) -> Any:
    """A value without signs that a terminal obeys: what another bench wrote is shown on this one.

    >>> _plain({"text": "a" + chr(27) + "[2J"})
    {'text': 'a?[2J'}
    """
    if isinstance(value, str) and not value.isprintable():
        return strip_control_chars(value, keep="\n")
    if isinstance(value, dict):
        return {_plain(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return value


def _fits(value: object, hint: Any) -> bool:
    """Whether a value from JSON is what a field holds: a record may come from anywhere.

    >>> _fits(True, int), _fits(3, float), _fits("dim", Seen), _fits("dimm", Seen | None)
    (False, True, True, False)
    """
    if get_origin(hint) in (Union, UnionType):
        return any(_fits(value, one) for one in get_args(hint))
    if get_origin(hint) is Literal:
        return value in get_args(hint)
    if get_origin(hint) is list:
        return isinstance(value, list) and all(_fits(one, get_args(hint)[0]) for one in value)
    if hint in (int, float):
        whole = isinstance(value, int) and not isinstance(value, bool) and abs(value) < LARGE
        return whole or (hint is float and isinstance(value, float))
    return isinstance(value, get_origin(hint) or hint)
