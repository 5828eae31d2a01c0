"""State of a session: a fold over its events."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from benchtest.diagnosis import PreRepairEvidence, still_valid, strands_to_retest
from benchtest.errors import InputError
from benchtest.evidence.marks import Mark, check_seen, parse_node_range
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design, NodeName, Probe
from benchtest.prop.lit_set import LitSet, parse_lit_set
from benchtest.prop.notation import parse_end, parse_location, parse_place, parse_probe
from benchtest.records.models import Stage
from benchtest.session.log import soak as soaks
from benchtest.session.log.colour_checks import colour_of_channel, wrong_strands
from benchtest.session.log.controller_look import colour_orders, dark_marks
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    Concluded,
    ControllerSeen,
    FirstLight,
    MarkMade,
    NoteMade,
    NotTaken,
    PartSeen,
    PictureSeen,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    SoakBegun,
    SoakSeen,
    SoakStopped,
    StageSet,
    Struck,
    Undone,
    VerdictGiven,
    Wiggled,
)
from benchtest.session.log.heard_sources import HeardSource, is_disturbed
from benchtest.session.log.node_search import Search, next_search
from benchtest.session.log.power_checks import CheckKey, all_checks, checks_after
from benchtest.session.log.reading_list import (
    NumberedReading,
    Standing,
    counted_readings,
    discard,
)
from benchtest.session.log.soak import Soak

COLOUR_LEVEL = 0.25
"""Level at which colours are assumed to be looked at; their look hardly depends on it."""
EVIDENCE = (
    ColourSeen, PictureSeen, ControllerSeen, VerdictGiven, MarkMade, ReadingTaken, NotTaken, Struck,
    RepairDone,
)  # fmt: skip
"""Events that are evidence for the diagnosis; an earlier finding is no longer valid."""


SEEN_OR_MEASURED = (
    VerdictGiven, MarkMade, ReadingTaken, ColourSeen, PictureSeen, ControllerSeen, FirstLight,
    PartSeen, Wiggled, SoakSeen,
)  # fmt: skip
"""Events that are only valid while the prop shows what it is sent."""


@dataclass(frozen=True, slots=True)
class LoggedEvent:
    """An event with its number in the session and its time."""

    seq: int
    at: str
    what: SessionEvent
    same_key_as: int | None = field(default=None, kw_only=True)
    """Number of the first event of the same key; None for that first one."""
    target: str | None = field(default=None, kw_only=True)
    """Target driven at that time, as written for `--to`; None if the record has none."""
    others: tuple[HeardSource, ...] = field(default=(), kw_only=True)
    """Other sources that were heard at that time."""

    @property
    def is_disturbed(self) -> bool:
        """True for a look or reading that does not count: another source may have lit the prop."""
        return isinstance(self.what, SEEN_OR_MEASURED) and is_disturbed(self.others)


@dataclass(frozen=True)
class State:
    """State of a session.

    Attributes:
        design: the prop.
        verdicts: True for a strand that passed its last look, by strand; without strands that were
            repaired since.
        looked_level: level of the light at each of these looks.
        paraded: strands whose last look was in a parade.
        marks: marks that are still valid.
        taken: all readings of the session with their numbers, also those that no longer count.
        unreachable: readings that were asked for and cannot be taken.
        repairs: all repairs, in order.
        before: evidence before each of these repairs.
        notes: all notes, in order.
        stage: stage of the unit, if this session set one.
        tested_earlier: True if some tests are older than the present stage: from before the unit
            was sealed, opened, or out for a season.
        checks: the last check before power of each kind and feed.
        recheck: checks before power to repeat after a soldered repair.
        unshorted: number of checks of the ohms between the rails of each feed that showed no
            short, since the last soldering on its copper.
        first_light: True if everything glowed at the low level; None before that.
        colours: True for a right colour, by colour and strand, until the strand is repaired or
            seen dark. A strand with a dark node has no entry: that node showed no colour.
        apart: colours that were wrong somewhere, so that each strand is looked at by itself.
        picture: True if the last picture was as drawn; None before one, and after a repair.
        pictured: strands whose colours were last seen in a picture.
        controller: the last look at controller and prop file; None before one, and after a repair
            or another picture.
        search: the search for a node that fails; None without one in progress.
        wiggled: True for steady light while the joints were moved, by strand end.
        soak: the last soak.
        concluded: the last finding on record.
        signed: the sign-off; None again after any further test or repair.
        undoable: events that undo can take back, the last one last.
    """

    design: Design
    verdicts: dict[int, bool] = field(default_factory=dict)
    looked_level: dict[int, float] = field(default_factory=dict)
    paraded: frozenset[int] = frozenset()
    marks: tuple[Mark, ...] = ()
    taken: tuple[NumberedReading, ...] = ()
    unreachable: frozenset[tuple[LitSet, Probe]] = frozenset()
    repairs: tuple[RepairDone, ...] = ()
    before: tuple[PreRepairEvidence, ...] = ()
    notes: tuple[str, ...] = ()
    stage: Stage | None = None
    tested_earlier: bool = False
    checks: dict[CheckKey, CheckMade] = field(default_factory=dict)
    recheck: frozenset[CheckKey] = frozenset()
    unshorted: dict[str, int] = field(default_factory=dict)
    first_light: bool | None = None
    colours: dict[str, dict[int, bool]] = field(default_factory=dict)
    apart: frozenset[str] = frozenset()
    picture: bool | None = None
    pictured: frozenset[int] = frozenset()
    controller: ControllerSeen | None = None
    search: Search | None = None
    wiggled: dict[str, bool] = field(default_factory=dict)
    soak: Soak | None = None
    concluded: Concluded | None = None
    signed: SignedOff | None = None
    undoable: tuple[LoggedEvent, ...] = ()

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Readings that count as evidence."""
        return counted_readings(self.taken)

    @property
    def stale(self) -> tuple[Reading, ...]:
        """Readings that a repair made invalid; kept for the record."""
        return tuple(one.reading for one in self.taken if one.standing == "moved")

    @property
    def fresh(self) -> bool:
        """True before anything was lit and looked at."""
        return not (self.verdicts or self.taken or self.repairs)

    @property
    def untested(self) -> list[int]:
        """Strands not looked at since their last repair."""
        return [s.number for s in self.design.strands if s.number not in self.verdicts]

    @property
    def failed(self) -> list[int]:
        """Strands that failed and were not repaired since."""
        return [number for number, passed in sorted(self.verdicts.items()) if not passed]

    @property
    def unmarked(self) -> list[int]:
        """Failed strands without a mark."""
        marked = {mark.strand for mark in self.marks if mark.seen != "ok"}
        return [number for number in self.failed if number not in marked]

    @property
    def unlit(self) -> frozenset[int]:
        """Strands with a node that does not light, so that their colours cannot be judged yet."""
        dark = {mark.strand for mark in self.marks if mark.seen == "dark"}
        return frozenset(dark.union(self.unmarked))

    @property
    def dark_behind(self) -> frozenset[int]:
        """Strands that no data is likely to reach, and that were not looked at.

        They are behind a strand that is dark where data leaves it, unless one behind it lights.
        """
        dark = [mark for mark in self.marks if mark.seen == "dark"]
        for place, entry in enumerate(self.design.data_path):
            last = self.design.strand(entry.strand).nodes if entry.end == "A" else 1
            is_dark = any(mark.strand == entry.strand and mark.first < mark.last
                          and mark.first <= last <= mark.last for mark in dark)  # fmt: skip
            behind = [end.strand for end in self.design.data_path[place + 1 :]]
            if is_dark and not any(self.verdicts.get(number) for number in behind):
                return frozenset(behind).difference(self.verdicts)
        return frozenset()

    @property
    def last_key(self) -> tuple[LoggedEvent, ...]:
        """Events of the last key that still count, in order; empty without any."""
        if not self.undoable:
            return ()
        last = self.undoable[-1]
        first = last.same_key_as or last.seq
        return tuple(one for one in self.undoable if first in (one.seq, one.same_key_as))

    @property
    def evidence_marks(self) -> list[Mark]:
        """Marks for the diagnosis: all marks, and `ok` for the rest of each strand looked at."""
        rest = []
        for number, passed in self.verdicts.items():
            if passed or number not in self.unmarked:
                lit = LitSet(frozenset([number]), self.looked_level[number])
                rest.append(Mark(lit, number, 1, self.design.strand(number).nodes, "ok"))
        return [*rest, *self.marks, *self._colour_marks(), *self.controller_marks]

    @property
    def controller_marks(self) -> list[Mark]:
        """Marks of the look at the controller, if nodes were dark in it and nothing else wrong."""
        seen = self.controller
        return dark_marks(self.design, tuple(seen.settings)) if seen and seen.settings else []

    def _colour_marks(self) -> list[Mark]:
        """Return the colours as marks if any was wrong: an order shows in the pattern of all."""
        if not wrong_strands(self.colours):
            return []
        return [
            Mark(LitSet(frozenset([number]), COLOUR_LEVEL, colour_of_channel(colour)), number, 1,
                 self.design.strand(number).nodes, "ok" if right else "wrong-colour")
            for colour, row in self.colours.items() for number, right in row.items()
        ]  # fmt: skip


def fold(happened: Sequence[LoggedEvent], design: Design) -> State:
    """Return the state after some events; undone events have no effect.

    An event that does not fit the prop, as in a record of another bench, is ignored: one bad event
    must not make all others unreadable.
    """
    undone: set[int] = set()
    for event in happened:
        if isinstance(event.what, Undone):
            undone.update((event.what.seq, *event.what.also))
    counted = [event for event in happened if event.seq not in undone]
    gone = _discarded_readings(counted)
    state = State(design)
    # lists, since tuples that grow by 50 000 notes take time proportional to the square of that
    undoable: list[LoggedEvent] = []
    notes: list[str] = []
    for event in counted:
        with contextlib.suppress(InputError):
            if isinstance(event.what, NoteMade):
                notes.append(event.what.text)
            else:
                state = _applied(state, event)
            if _is_undoable(event.what):
                undoable.append(event)
            if (standing := gone.get(event.seq)) is not None:
                # before a repair, so that the evidence before it excludes the reading too
                taken = discard(state.taken, event.seq, standing)
                state = dataclasses.replace(state, taken=taken)
    return dataclasses.replace(state, notes=tuple(notes), undoable=tuple(undoable))


def _discarded_readings(counted: Sequence[LoggedEvent]) -> dict[int, Standing]:
    """Return the reason that readings no longer count, by event."""
    read, gone = set(), dict[int, Standing]()
    for event in counted:
        if event.is_disturbed:
            continue
        what = event.what
        if isinstance(what, Struck) and what.seq in read:
            gone[what.seq] = "struck"
        if isinstance(what, ReadingTaken):
            read.add(event.seq)
            if what.again in read and what.again != event.seq:
                gone[what.again] = "retaken"
    return gone


def changes_earlier(what: SessionEvent) -> bool:
    """Return True for an event that changes the effect of earlier ones; the fold is repeated."""
    return isinstance(what, Undone | Struck) or (
        isinstance(what, ReadingTaken) and what.again is not None
    )


def apply_event(state: State, event: LoggedEvent) -> State:
    """Return the state after one more event.

    Raises:
        InputError: the event does not fit the prop.
    """
    after = _applied(state, event)
    if not _is_undoable(event.what):
        return after
    return dataclasses.replace(after, undoable=(*state.undoable, event))


def _is_undoable(what: SessionEvent) -> bool:
    return type(what) in _APPLY


def _applied(state: State, event: LoggedEvent) -> State:
    """Return the state after an event, with `undoable` unchanged.

    Raises:
        InputError: the event does not fit the prop.
    """
    what = event.what
    if isinstance(what, Undone | Concluded):  # an undone event makes the finding invalid
        return dataclasses.replace(state, concluded=_finding_of(what))
    apply = _APPLY.get(type(what))
    if apply is None or (event.is_disturbed and not isinstance(what, ReadingTaken)):
        return state
    if event.is_disturbed and isinstance(what, ReadingTaken):  # it replaces no other
        what = dataclasses.replace(what, again=None)
    after = apply(state, what)
    if isinstance(what, ReadingTaken):
        *before, last = after.taken
        timed = dataclasses.replace(last.reading, at=event.at or None)
        after = dataclasses.replace(
            after,
            taken=(
                *before,
                dataclasses.replace(
                    last,
                    seq=event.seq,
                    reading=timed,
                    standing="disturbed" if event.is_disturbed else last.standing,
                ),
            ),
        )
    # a note or another stage does not make a sign-off invalid
    keeps = isinstance(what, NoteMade | StageSet)
    signed = what if isinstance(what, SignedOff) else state.signed if keeps else None
    concluded = None if is_evidence(what) else state.concluded
    return dataclasses.replace(after, signed=signed, concluded=concluded)


def is_evidence(what: SessionEvent) -> bool:
    """Return True for an event that makes an earlier finding invalid."""
    supply = isinstance(what, CheckMade) and what.check == "supply"
    return supply or isinstance(what, EVIDENCE)


def _finding_of(what: Undone | Concluded) -> Concluded | None:
    if isinstance(what, Undone):
        return None
    for row in what.suspects:
        if not (isinstance(row.get("where"), str) and type(row.get("probability")) in (int, float)):
            raise InputError("a suspect of a finding has no place or no probability")
    return what


def _verdict(state: State, what: VerdictGiven) -> State:
    parse_lit_set(str(what.strand), state.design, what.level)
    marks = state.marks
    if what.passed:  # earlier marks of a strand that passes are no longer valid
        marks = tuple(mark for mark in marks if mark.strand != what.strand)
    return dataclasses.replace(
        state,
        verdicts={**state.verdicts, what.strand: what.passed},
        looked_level={**state.looked_level, what.strand: what.level},
        paraded=(state.paraded - {what.strand})
        | ({what.strand} if what.way == "parade" else set()),
        marks=marks,
        search=_without(state.search, what.strand),
    )


def _without(search: Search | None, strand: int) -> Search | None:
    """Return a search that continues; one of the whole prop ends at the first strand it names."""
    return None if search is None or search.strand in (None, strand) else search


def _mark(state: State, what: MarkMade) -> State:
    lit = parse_lit_set(what.lit, state.design, what.level, what.colour)
    parse_lit_set(str(what.strand), state.design)  # it is a strand of this prop
    first, last = parse_node_range(what.nodes, state.design.strand(what.strand).nodes)
    mark = Mark(lit, what.strand, first, last, what.seen)
    check_seen(mark, state.design)
    search = _without(state.search, what.strand)
    colours = state.colours
    if what.seen == "dark":  # a node that did not light showed no colour
        colours = {
            colour: {n: ok for n, ok in row.items() if n != what.strand}
            for colour, row in colours.items()
        }
    marks = (*state.marks, mark)
    return dataclasses.replace(state, marks=marks, search=search, colours=colours)


def _reading(state: State, what: ReadingTaken) -> State:
    lit = parse_lit_set(what.lit, state.design, what.level, what.colour)
    if what.volts is None and what.amps is None:
        raise InputError(f"probe {what.probe}: neither volts nor amperes")
    meter = Meter.parse(what.meter) if what.meter else None
    probe = parse_probe(what.probe, state.design)
    reading = Reading(
        lit, probe, what.volts, what.amps, meter, decimals=what.decimals, beyond=what.beyond
    )
    before = state.taken
    if what.again is not None and any(one.seq == what.again and one.counts for one in before):
        before = discard(before, what.again, "retaken")
    new = NumberedReading(len(before) + 1, 0, reading, again=what.again)
    return dataclasses.replace(state, taken=(*before, new))


def _struck(state: State, what: Struck) -> State:
    if any(one.seq == what.seq and one.standing == "struck" for one in state.taken):
        return state  # the fold has struck it out already
    return dataclasses.replace(state, taken=discard(state.taken, what.seq, "struck"))


def _not_taken(state: State, what: NotTaken) -> State:
    asked = (parse_lit_set(what.lit, state.design), parse_probe(what.probe, state.design))
    return dataclasses.replace(state, unreachable=state.unreachable | {asked})


def _repair(state: State, what: RepairDone) -> State:
    """Make invalid what the repair may have changed."""
    failed = {mark.strand for mark in state.marks if mark.seen != "ok"}
    failed |= {number for number, passed in state.verdicts.items() if not passed}
    touched = strands_to_retest(state.design, what.where, failed)
    valid = still_valid(state.design, what.where, state.readings)
    moved = iter(valid)
    taken = tuple(
        dataclasses.replace(one, standing="moved") if one.counts and not next(moved) else one
        for one in state.taken
    )
    again = checks_after(state.design, what.where)
    after = dataclasses.replace(
        state,
        verdicts={n: passed for n, passed in state.verdicts.items() if n not in touched},
        paraded=state.paraded - frozenset(touched),
        marks=tuple(mark for mark in state.marks if mark.strand not in touched),
        taken=taken,
        repairs=(*state.repairs, what),
        recheck=state.recheck | again,
        unshorted={
            feed: times for feed, times in state.unshorted.items() if ("rails", feed) not in again
        },
        colours=_colours_after(state, what.where, touched),
        picture=None,
        controller=None,
        wiggled={e: ok for e, ok in state.wiggled.items() if parse_end(e).strand not in touched},
        search=None,
    )
    then = state.readings, tuple(state.evidence_marks)
    before = PreRepairEvidence(what.where, *then, after.readings, tuple(after.evidence_marks))
    return dataclasses.replace(after, before=(*state.before, before))


def _colours_after(state: State, where: str, touched: frozenset[int]) -> dict[str, dict[int, bool]]:
    """Return the colours still valid: a new node may be of another kind, a wrong colour right."""
    location = parse_location(where, state.design)
    new = location.strand if isinstance(location, NodeName) else None
    return {
        colour: {n: ok for n, ok in row.items() if n != new and (ok or n not in touched)}
        for colour, row in state.colours.items()
    }


def _check(state: State, what: CheckMade) -> State:
    key = (what.check, what.feed)
    if key not in all_checks(state.design):
        raise InputError(f'feed "{what.feed[:40]}": the prop has no feed of that name')
    checks, unshorted = {**state.checks, key: what}, dict(state.unshorted)
    if what.check == "rails":
        unshorted[what.feed] = unshorted.get(what.feed, 0) + 1 if what.passed else 0
    return dataclasses.replace(
        state, checks=checks, recheck=state.recheck - {key}, unshorted=unshorted
    )


def _first_light(state: State, what: FirstLight) -> State:
    return dataclasses.replace(state, first_light=what.passed)


def _colour(state: State, what: ColourSeen) -> State:
    lit = parse_lit_set(
        what.lit or "all", state.design, what.level, colour_of_channel(what.colour)
    ).strands
    seen = state.colours.get(what.colour, {})
    looked_at = lit if what.strand is None else {what.strand}
    state = dataclasses.replace(state, pictured=state.pictured - looked_at)
    if what.strand is not None:
        parse_lit_set(str(what.strand), state.design)
        row = {**seen, what.strand: what.right}
    elif what.right:
        row = {**seen, **dict.fromkeys(sorted(lit - state.unlit), True)}
    else:
        apart = state.apart | {what.colour}
        row = {number: right for number, right in seen.items() if number not in lit}
        return dataclasses.replace(state, colours={**state.colours, what.colour: row}, apart=apart)
    return dataclasses.replace(state, colours={**state.colours, what.colour: row})


def _picture(state: State, what: PictureSeen) -> State:
    """Count every colour as right; a picture unlike the drawing leaves them to be asked."""
    lit = parse_lit_set(what.lit or "all", state.design).strands - state.unlit
    state = dataclasses.replace(state, controller=None)
    if not what.as_drawn:
        return dataclasses.replace(state, picture=False)
    right = dict.fromkeys(sorted(lit), True)
    colours = {
        colour: {**state.colours.get(colour, {}), **right} for colour in state.design.node.colours
    }
    pictured = state.pictured | lit
    return dataclasses.replace(state, picture=True, pictured=pictured, colours=colours)


def _controller(state: State, what: ControllerSeen) -> State:
    if not (orders := colour_orders(what.settings)):
        for where in what.settings:
            parse_location(where, state.design)
    elif any(sorted(order) != sorted(state.design.node.colour_order) for order in orders):
        raise InputError("a colour order has other letters than the prop's nodes")
    return dataclasses.replace(state, controller=what)


def _part(state: State, what: PartSeen) -> State:
    return dataclasses.replace(state, search=next_search(state.search, state.design, what))


def _wiggle(state: State, what: Wiggled) -> State:
    parse_place(str(parse_end(what.end)), state.design)
    return dataclasses.replace(state, wiggled={**state.wiggled, what.end: what.steady})


def _soak_begun(state: State, what: SoakBegun) -> State:
    parse_lit_set("all", state.design, what.level)
    return dataclasses.replace(state, soak=soaks.new_soak(what))


def _soak_next(state: State, what: SoakSeen | SoakStopped) -> State:
    return dataclasses.replace(state, soak=soaks.next_soak(state.soak, what))


def _note(state: State, what: NoteMade) -> State:
    return dataclasses.replace(state, notes=(*state.notes, what.text))


def _stage(state: State, what: StageSet) -> State:
    before = state.stage or what.was
    # carrying a sealed unit out changes nothing on it; what was tested still holds
    if what.stage == before or (before, what.stage) == ("sealed", "outdoors"):
        earlier = state.tested_earlier
    else:
        earlier = bool(state.verdicts or state.readings)
    return dataclasses.replace(state, stage=what.stage, tested_earlier=earlier)


def _signed(state: State, what: SignedOff) -> State:
    return state


_APPLY: dict[type, Callable[..., State]] = {
    VerdictGiven: _verdict,
    MarkMade: _mark,
    ReadingTaken: _reading,
    Struck: _struck,
    NotTaken: _not_taken,
    RepairDone: _repair,
    CheckMade: _check,
    FirstLight: _first_light,
    ColourSeen: _colour,
    PictureSeen: _picture,
    ControllerSeen: _controller,
    PartSeen: _part,
    Wiggled: _wiggle,
    SoakBegun: _soak_begun,
    SoakSeen: _soak_next,
    SoakStopped: _soak_next,
    NoteMade: _note,
    StageSet: _stage,
    SignedOff: _signed,
}
