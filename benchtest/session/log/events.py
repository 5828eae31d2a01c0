"""Events of a session as a record holds them: strings and numbers.

Places, lit sets and nodes use the notation of the prop file, so that a record can be read without
this program.
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
"""Checks before power, in their order."""


@dataclass(frozen=True, slots=True)
class VerdictGiven:
    """A strand, lit alone, passed or failed."""

    kind: ClassVar[str] = "verdict"
    strand: int
    passed: bool
    level: float = 1.0
    way: Literal["alone", "parade"] = "alone"
    """`parade` if it was lit for a moment, or with others, and judged with them by one key."""


@dataclass(frozen=True, slots=True)
class MarkMade:
    """Nodes of a strand were marked."""

    kind: ClassVar[str] = "mark"
    lit: str
    strand: int
    nodes: str
    seen: Seen
    level: float = 1.0
    colour: str = "white"


@dataclass(frozen=True, slots=True)
class ReadingTaken:
    """A reading was taken: volts at a probe, or the amperes of a feed."""

    kind: ClassVar[str] = "reading"
    lit: str
    probe: str
    volts: float | None
    amps: float | None = None
    level: float = 1.0
    colour: str = "white"
    source: str | None = None
    """Name of the source; None if it was typed."""
    meter: str | None = None
    """Accuracy class of the source; None for the session's meter."""
    again: int | None = None
    """Number of the event whose reading it replaces; None for none."""
    decimals: int | None = None
    """Decimals of the volts as typed; None for a source, and in older records."""
    beyond: bool = False
    """True if the volts are the end of the source's range, and the true ones are further from 0."""


@dataclass(frozen=True, slots=True)
class Struck:
    """A reading was struck out; it stays on record and no longer counts."""

    kind: ClassVar[str] = "struck"
    seq: int
    """Number of the reading's event."""


@dataclass(frozen=True, slots=True)
class NotTaken:
    """A reading cannot be taken because its points are out of reach."""

    kind: ClassVar[str] = "not-taken"
    lit: str
    probe: str


@dataclass(frozen=True, slots=True)
class RepairDone:
    """A joint was remade, or a node replaced."""

    kind: ClassVar[str] = "repair"
    where: str
    what: str = ""


@dataclass(frozen=True, slots=True)
class NoteMade:
    """A note was taken."""

    kind: ClassVar[str] = "note"
    text: str


@dataclass(frozen=True, slots=True)
class StageSet:
    """The unit moved to another stage of its life."""

    kind: ClassVar[str] = "stage"
    stage: Stage
    was: Stage | None = None
    """The stage before, for undo."""


@dataclass(frozen=True, slots=True)
class Concluded:
    """A finding of the evidence so far; on record as it was shown."""

    kind: ClassVar[str] = "finding"
    healthy: float
    settled: bool
    suspects: list[dict[str, Any]] = field(default_factory=list)
    cleared_ohm: float | None = None
    set_aside: list[int] = field(default_factory=list)
    """Numbers of the readings that were rejected because they disagree with all others."""
    lowest_v: float | None = None
    """Lowest volts between the rails along the strands at full white, by the readings; None without
    readings, before they settle the finding, and in older records. [V]"""


@dataclass(frozen=True, slots=True)
class CheckMade:
    """A check before power was made."""

    kind: ClassVar[str] = "check"
    check: Check
    feed: str
    passed: bool | None
    """None if the user skipped it."""
    ohm: float | None = None
    volts: float | None = None
    lit: str = ""
    """Lit set of a supply measured under load; empty before power."""
    like: str | None = None
    """Unit at which the volts of the same supply were measured; None if measured here."""


@dataclass(frozen=True, slots=True)
class FirstLight:
    """The whole prop was lit for the first time, at a low level."""

    kind: ClassVar[str] = "first-light"
    passed: bool
    level: float = 0.05


@dataclass(frozen=True, slots=True)
class ColourSeen:
    """One colour was looked at, on one strand or on several."""

    kind: ClassVar[str] = "colour"
    colour: str
    right: bool
    strand: int | None = None
    level: float = 1.0
    lit: str | None = None
    """Lit set; None for the one strand, or for all strands."""


@dataclass(frozen=True, slots=True)
class PictureSeen:
    """The whole prop, or some strands, showed every colour in turns, neighbours unlike."""

    kind: ClassVar[str] = "picture"
    as_drawn: bool
    """False if anything differed from the drawing; which strand is asked next."""
    lit: str | None = None
    """Lit set; None for all strands."""


@dataclass(frozen=True, slots=True)
class ControllerSeen:
    """The whole prop showed two colours in turn, to see whether controller and prop file agree."""

    kind: ClassVar[str] = "controller"
    agrees: bool | None
    """None if what was seen is like no known setting."""
    settings: list[str] = field(default_factory=list)
    """Settings of the controller that show what was seen: `controller slots=512,packed=true`."""


@dataclass(frozen=True, slots=True)
class PartSeen:
    """A part of a strand, or of the prop, was lit in a search for a node that fails."""

    kind: ClassVar[str] = "part"
    first: int
    """First place of the part, in the order of the data, from 1."""
    last: int
    """Last place of the part."""
    right: bool
    strand: int | None = None
    """None for a search of the whole prop."""


@dataclass(frozen=True, slots=True)
class Wiggled:
    """The joints of a strand end were moved while the strand was lit."""

    kind: ClassVar[str] = "wiggle"
    end: str
    steady: bool


@dataclass(frozen=True, slots=True)
class SoakBegun:
    """A soak began: the prop stays lit for hours."""

    kind: ClassVar[str] = "soak-begun"
    planned_s: float
    every_s: float
    """Interval of the looks. [s]"""
    level: float = 1.0


@dataclass(frozen=True, slots=True)
class SoakSeen:
    """The user looked at the prop during a soak."""

    kind: ClassVar[str] = "soak-seen"
    done_s: float
    steady: bool


@dataclass(frozen=True, slots=True)
class SoakStopped:
    """A soak ended, or paused."""

    kind: ClassVar[str] = "soak-stopped"
    done_s: float
    over: bool = True


@dataclass(frozen=True, slots=True)
class Renamed:
    """The unit got another tag; its record can be found under both."""

    kind: ClassVar[str] = "renamed"
    tag: str


@dataclass(frozen=True, slots=True)
class Retired:
    """The unit was retired, or brought back; its record stays."""

    kind: ClassVar[str] = "retired"
    retired: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class SignedOff:
    """A person signed the unit off."""

    kind: ClassVar[str] = "signed-off"
    by: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Undone:
    """An earlier event was undone and no longer counts."""

    kind: ClassVar[str] = "undone"
    seq: int
    also: list[int] = field(default_factory=list)
    """Other events of the same key."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """An event of a later version of the program; kept as it is."""

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
    | PictureSeen
    | ControllerSeen
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
        Concluded, CheckMade, FirstLight, ColourSeen, PictureSeen, ControllerSeen, PartSeen,
        Wiggled, SoakBegun, SoakSeen, SoakStopped, Renamed, Retired, SignedOff, Undone,
    )
}  # fmt: skip


def _hints(made: type[Any]) -> dict[str, Any]:
    """Return the type of each field of an event."""
    hints = get_type_hints(made)
    return {slot.name: hints[slot.name] for slot in dataclasses.fields(made)}


LARGE = 2**63
"""Limit of whole numbers; a larger one did not come from this program."""
_HINTS = {kind: _hints(made) for kind, made in _KINDS.items()}


def to_data(happening: SessionEvent) -> dict[str, Any]:
    """Return the JSON form of an event."""
    return dataclasses.asdict(happening)


def from_data(kind: str, data: Mapping[str, Any]) -> SessionEvent:
    """Return the event of a record; one that this version does not know becomes `Unknown`.

    >>> from_data("verdict", {"strand": 4, "passed": True})
    VerdictGiven(strand=4, passed=True, level=1.0, way='alone')
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
    """Return a value without control characters: records of another bench are shown on this one.

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
    """Return True if a JSON value has the type of a field; records may come from anywhere.

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
