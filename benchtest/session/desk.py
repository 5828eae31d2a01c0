"""What is asked at the bench now, and the light it needs; the record of what was answered."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from benchtest.diagnosis import Finding
from benchtest.drive.frame_clock import FrameClock
from benchtest.errors import InputError
from benchtest.prop.design import Design, NodeName
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import parse_probe
from benchtest.records.shelf import SessionConflict
from benchtest.session.display.event_text import said, strand_of
from benchtest.session.guidance.next_step import Advice, look_advice, next_step
from benchtest.session.guidance.overrides import Choices
from benchtest.session.guidance.steps import StepName, queue_of
from benchtest.session.log.events import (
    ColourSeen,
    FirstLight,
    MarkMade,
    PartSeen,
    ReadingTaken,
    SessionEvent,
    VerdictGiven,
    Wiggled,
)
from benchtest.session.log.node_search import search_nodes
from benchtest.session.log.state import is_evidence
from benchtest.session.session import Session
from benchtest.session.workbench.prop_light import Lamp
from benchtest.session.workbench.soak_timer import Soaking
from benchtest.virtual.remote_prop import RemoteProp

FIRST_LEVEL = 0.05
LOOK_LEVEL = 0.25
"""Level at which strands are looked at: bright enough to see, easy on eyes and wires."""
WALK_LEVEL = 0.5
LEVELS = (0.05, 0.1, 0.25, 0.5, 1.0)
"""What brighter and dimmer step through."""
OF_LIGHT = (VerdictGiven, MarkMade, ReadingTaken, ColourSeen, FirstLight, PartSeen, Wiggled)
"""Events that judge what the prop shows, or that are read while it shows it."""


class Desk:
    """One unit on the bench: what is asked and lit.

    Attributes:
        finding: what the evidence says; None while that is not known.
        lamp: the unit's light.
        choices: what the person chose, against the guidance.
        soaking: hours of light, while they last.
        put_out: the prop was taken dark by hand, whatever the advice needs.
    """

    def __init__(
        self,
        session: Session,
        clock: FrameClock,
        virtual: RemoteProp | None = None,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.session = session
        self.clock = clock
        self.virtual = virtual
        self.lamp = Lamp(session.design, clock)
        self.soaking = Soaking(session, now_s)
        self.choices = Choices(step="soak" if self.soaking.soak is not None else None)
        self.finding: Finding | None = None
        self._noticed = False
        self.look_level, self.walk_level = LOOK_LEVEL, WALK_LEVEL
        self._first_of_key: int | None = None
        self.put_out = False

    @property
    def design(self) -> Design:
        return self.session.design

    # -- what to do now ------------------------------------------------------------------------

    @property
    def advice(self) -> Advice:
        """What the person should do now."""
        state = self.session.state
        if self.choices.step == "soak":
            return self.soaking.advice
        return self.choices.advice(state) or next_step(state, self.finding)

    def light_advice(self) -> None:
        """Light what the advice needs.

        Raises:
            InputError: fuse or supply cannot carry it.
        """
        advice, every = self.advice, all_lit(self.design).strands
        self.put_out = False
        match advice.task:
            case "look" if advice.strand is not None:
                self.lamp.light(LitSet(frozenset([advice.strand]), self.look_level), lower=True)
            case "walk" if advice.strand is not None:
                chosen = self.choices
                chosen.walking = chosen.walking or self.first_on(advice.strand)
                self.lamp.light_nodes([chosen.walking], self.walk_level)
            case "search" | "caught":
                self.lamp.light_nodes(advice.nodes, self.look_level)
            case "glow":
                self.lamp.light(LitSet(every, FIRST_LEVEL), lower=True)
            case "colour" if advice.colour is not None and advice.lit is not None:
                lit = LitSet(advice.lit.strands, self.look_level, advice.lit.colour)
                self.lamp.light(lit, lower=True)
            case "wiggle":
                self.lamp.light(LitSet(every, self.look_level), lower=True)
            case "soak" if self.soaking.running and self.soaking.soak is not None:
                self.lamp.light(LitSet(every, self.soaking.soak.level), lower=True)
            case "read" if advice.lit is not None:
                self.lamp.light(advice.lit)
            case "check" if advice.lit is not None:
                self.lamp.light(advice.lit)
            case "think":
                pass
            case _:
                self.lamp.dark()

    def go_to(self, step: StepName) -> None:
        """Take a step now, whatever the guidance says."""
        self.choices.drop()
        if step == "readings":
            feed = self.design.feeds[0].name
            probe = parse_probe(feed, self.design)
            self.choices.own_reading = (all_lit(self.design), probe)
            return
        queue = queue_of(step, self.session.state)
        if step == "colours" and not queue:
            raise InputError("no strand lights wholly; repair the dark ones, then see its colours")
        self.choices.queue, self.choices.step = queue, step

    def choose_strand(self, number: int) -> None:
        """Look at a strand, whatever the advice is."""
        self.choices.drop()
        if self.session.state.signed is None:
            self.choices.queue = [look_advice(self.session.state, number)]

    def first_on(self, strand: int) -> NodeName:
        """The node of a strand that data reaches first."""
        return search_nodes(self.design, strand)[0]

    # -- light ---------------------------------------------------------------------------------

    def toggle_dark(self) -> None:
        """Everything off at once, or back to what the advice needs."""
        if self.lamp.is_dark:
            self.soaking.resume()
            self.light_advice()
        else:
            self.soaking.pause()
            self.lamp.dark()
            self.put_out = True

    def why_held(self) -> str | None:
        """Return why the prop is kept dark until `go_on`, and pause a soak then; else None."""
        why = self.clock.held
        if why is not None and not self._noticed:
            self._noticed = True
            self.soaking.pause(self.clock.dark_gap_s)
        return why

    def go_on(self) -> None:
        """Light the prop again: somebody is there, and chose to."""
        self._noticed = False
        self.clock.resume()
        self.soaking.resume()

    def brighter(self, step: int) -> None:
        """Look or walk with more light, or less."""
        if self.advice.task == "walk":
            self.walk_level = _stepped(self.walk_level, step)
        else:
            self.look_level = _stepped(self.look_level, step)
        self.light_advice()

    def only(self) -> None:
        """Light the strand that this is about, alone.

        Raises:
            InputError: it is about no one strand.
        """
        advice = self.advice
        strand = advice.strand
        if strand is None and advice.suspect is not None:
            strand = strand_of(advice.suspect.where)
        if strand is None and advice.probe is not None:
            strand = getattr(advice.probe.red.place, "strand", None)
        if strand is None:
            raise InputError("this is about no one strand; up and down choose one")
        self.lamp.light(LitSet(frozenset([strand]), self.look_level), lower=True)

    # -- the record ----------------------------------------------------------------------------

    def record(self, what: SessionEvent) -> None:
        """Keep an event; a finding that did not know of it no longer holds.

        Raises:
            InputError: it judges light that does not reach the prop.
        """
        if isinstance(what, OF_LIGHT):
            self.require_light()
        first = self._first_of_key
        with self.overtaking_shown():
            same = first if first is not None and first < self.session.next_seq else None
            self.session.record(what, same)
        if is_evidence(what):
            self.finding = None

    @property
    def unreached(self) -> str | None:
        """Why frames do not reach the prop; None while they do, as far as anybody knows."""
        status = self.clock.status()
        return status.trouble or status.refused

    def require_light(self) -> None:
        """Check that the prop shows what it is sent, so that it may be judged.

        Raises:
            InputError: frames do not arrive, or the prop was put out by hand.
        """
        if self.unreached is not None:
            raise InputError(f"not kept: frames do not reach the prop ({self.unreached})")
        if self.clock.held is not None:
            raise InputError(f"not kept: the prop is dark, {self.clock.held}")
        if self.put_out:
            raise InputError("not kept: the prop was put out; b lights it again")

    @contextmanager
    def one_key(self) -> Iterator[None]:
        """Everything recorded meanwhile is one step for undo."""
        self._first_of_key = self.session.next_seq
        try:
            yield
        finally:
            self._first_of_key = None

    def undo(self) -> str:
        """Take back the last step; says which."""
        self.choices.back()
        with self.overtaking_shown():
            taken = self.session.undo()
        if not taken:
            return "nothing to take back"
        self.finding = None
        return f"took back: {'; '.join(said(what) for what in taken)}"

    @contextmanager
    def overtaking_shown(self) -> Iterator[None]:
        """Where another program has gone on with the session, begin from what is there now."""
        try:
            yield
        except SessionConflict:
            self.choices.drop()
            self.finding = None
            raise


def _stepped(level: float, step: int) -> float:
    """The next level that is brighter, or dimmer."""
    beyond = [one for one in LEVELS if (one - level) * step > 1e-9]
    return (min(beyond) if step > 0 else max(beyond)) if beyond else level
