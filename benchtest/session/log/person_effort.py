"""Effort of the user in a recorded session: keys, looks, readings and seconds.

The times are those of `benchtest.diagnosis.planning.cost`, with their sources there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchtest.diagnosis.planning.cost import (
    USUAL_TIMES,
    Leads,
    PersonTimes,
    look_s,
    reading_cost,
    repair_s,
)
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, all_lit, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    ControllerSeen,
    FirstLight,
    MarkMade,
    NoteMade,
    PartSeen,
    PictureSeen,
    ReadingTaken,
    RepairDone,
    SessionEvent,
    SignedOff,
    Undone,
    VerdictGiven,
    Wiggled,
)
from benchtest.session.log.state import LoggedEvent


@dataclass(frozen=True, slots=True)
class PersonEffort:
    """Effort of the user in one session."""

    keys: int = 0
    looks: int = 0
    readings: int = 0
    lead_moves: int = 0
    seconds: float = 0.0
    """Time by the operators of the keystroke-level model, repairs included. [s]"""


def person_effort(
    design: Design,
    events: Sequence[SessionEvent | LoggedEvent],
    times: PersonTimes = USUAL_TIMES,
    *,
    signer: str = "",
) -> PersonEffort:
    """Return the effort of the user in a session.

    A failed strand whose marks follow without a recorded search counts the looks and keys of a
    search by halves, since the user has to find the node first.

    Args:
        design: the prop.
        events: events of the session, in order; logged ones count further events of one key once.
        times: time of each action.
        signer: name that the bench offers, so that one key signs off by it; empty for none.

    Raises:
        NameFault: the design has no strand or point of an event.
    """
    count = _Count(design, times, signer)
    for event in events:
        if not isinstance(event, LoggedEvent):
            count.add(event)
        elif event.same_key_as is None or not isinstance(event.what, CheckMade):
            count.add(event.what)
    return PersonEffort(count.keys, count.looks, count.readings, count.lead_moves, count.seconds)


class _Count:
    """Running sums over the events of a session."""

    def __init__(self, design: Design, times: PersonTimes, signer: str) -> None:
        self._signer = signer
        self._design = design
        self._times = times
        self._leads = Leads()
        self._searched: set[int] = set()
        self._in_parade = self._is_downstream = False
        self.keys = self.looks = self.readings = self.lead_moves = 0
        self.seconds = 0.0

    def add(self, what: SessionEvent) -> None:
        """Add the effort of one event."""
        if not isinstance(what, MarkMade) and not (
            isinstance(what, VerdictGiven) and what.way == "parade"
        ):
            self._in_parade = self._is_downstream = False
        match what:
            case CheckMade():
                self._check(what)
            case FirstLight():
                self._look(all_lit(self._design))
            case VerdictGiven(way="parade"):
                self._parade(what)
            case VerdictGiven():
                self._searched.discard(what.strand)
                self._look(LitSet(frozenset([what.strand])))
            case ColourSeen():
                lit = str(what.strand) if what.strand is not None else what.lit or "all"
                self._look(parse_lit_set(lit, self._design))
            case PictureSeen():
                turns_s = self._design.node.channels * self._times.picture_turn_s
                self._look(all_lit(self._design))
                self.seconds += max(0.0, turns_s - self._times.look_prop_s)
            case ControllerSeen():
                self._look(all_lit(self._design))
            case PartSeen():
                strands = [what.strand] if what.strand is not None else []
                self._searched.update(strands)
                self._look(LitSet(frozenset(strands)) if strands else all_lit(self._design))
            case MarkMade():
                self._mark(what)
            case Wiggled():
                self._look(all_lit(self._design))
            case ReadingTaken():
                self._read(what)
            case RepairDone():
                self.keys += 1
                self.seconds += repair_s(self._times)
            case NoteMade():
                self._type(what.text, 2)
            case SignedOff():
                known = what.by == self._signer and not what.comment
                self._type("" if known else what.by + what.comment, 1 if known else 2)
            case Undone():
                self._type("", 1)

    def _parade(self, what: VerdictGiven) -> None:
        """Count a parade once, with the keys that begin and end it, and the time of each strand.

        Strands that fail in one are those behind a dark strand: one look at them together.
        """
        self._searched.discard(what.strand)
        if not what.passed:
            if not self._is_downstream:
                self._look(all_lit(self._design))
            self._is_downstream = True
            return
        if not self._in_parade:
            self.looks += 1
            self._type("", 2)
        self._in_parade = True
        self.seconds += self._times.parade_strand_s

    def _look(self, lit: LitSet) -> None:
        self.keys += 1
        self.looks += 1
        self.seconds += look_s(lit, self._times)

    def _type(self, text: str, more_keys: int) -> None:
        """Count one decision and the keys of a text, with those that open and close its field."""
        keys = len(text) + more_keys
        self.keys += keys
        self.seconds += self._times.decision_s + keys * self._times.key_s

    def _check(self, what: CheckMade) -> None:
        shown = what.volts if what.volts is not None else what.ohm
        if shown is None or what.like is not None:
            self._type("", 1)
            return
        self.keys += len(f"{shown:.4g}") + 1
        self.seconds += (
            2 * self._times.lead_move_s + self._times.settling_s + self._times.typed_reading_s
        )

    def _mark(self, what: MarkMade) -> None:
        if what.nodes == f"1-{self._design.strand(what.strand).nodes}":
            return  # the key that fails a strand marks all of it
        if what.strand not in self._searched:
            self._searched.add(what.strand)
            for _ in range(math.ceil(math.log2(self._design.strand(what.strand).nodes))):
                self._look(LitSet(frozenset([what.strand])))
        self._type("", 1)

    def _read(self, what: ReadingTaken) -> None:
        probe = parse_probe(what.probe, self._design)
        lit = parse_lit_set(what.lit, self._design)
        effort = reading_cost(self._design, self._leads, lit, probe, times=self._times)
        self._leads = effort.leads
        self.readings += 1
        self.lead_moves += effort.lead_moves
        self.seconds += effort.seconds
        if what.source is None:
            self.keys += len(_typed(what)) + 1
        else:  # one key records it, and nothing is typed
            self.keys += 1
            self.seconds -= self._times.typed_reading_s - self._times.key_s


def _typed(what: ReadingTaken) -> str:
    """Return a reading as the user types it: rail readings in volts, others in millivolts."""
    if what.volts is None:
        return f"{what.amps:.2f}"
    return f"{what.volts * 1e3:.1f}" if ">" in what.probe else f"{what.volts:.3f}"
