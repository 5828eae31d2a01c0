"""The session on the bench: its events, the user's overrides and the finding, and the advice.

While a finding is worked out, an interim reading is asked for.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from benchtest.diagnosis import Finding
from benchtest.drive.frame_clock import FrameClock
from benchtest.prop.design import Design, Point, Probe
from benchtest.prop.enough import EnoughRule
from benchtest.prop.lit_set import LitSet
from benchtest.records.shelf import SessionConflict
from benchtest.session.display.event_text import describe_event
from benchtest.session.guidance.next_step import Advice, next_step
from benchtest.session.guidance.overrides import Overrides, read_advice
from benchtest.session.log.events import (
    CheckMade,
    NotTaken,
    ReadingTaken,
    SessionEvent,
)
from benchtest.session.log.heard_sources import HeardSource, heard_sources, is_disturbed
from benchtest.session.log.state import SEEN_OR_MEASURED, LoggedEvent, State, is_evidence
from benchtest.session.session import Session
from benchtest.session.workbench.prop_light import PropLight
from benchtest.session.workbench.soak_timer import SoakTimer


class InterimReading:
    """The best reading of the last plan that was not taken since.

    Attributes:
        asked: lit set and probe; None while none is asked.
        is_begun: True while the entry field has content for it. It then stays asked until the
            content is entered or dropped, even if the new finding plans another reading.
    """

    def __init__(self) -> None:
        self.asked: tuple[LitSet, Probe] | None = None
        self.is_begun = False
        self._last: Finding | None = None

    def recorded(self, what: SessionEvent, finding: Finding | None) -> None:
        """Note an event; the last plan stays valid after a reading, a check, or a reading left out.

        Of a drop that is left out before a repair, the repair follows.

        Args:
            what: the event.
            finding: finding of the evidence before it; None while it was being worked out.
        """
        if not is_evidence(what):
            return
        self._last = finding or self._last
        skips_to_repair = (
            isinstance(what, NotTaken) and self._last is not None and self._last.next.before_repair
        )
        if skips_to_repair or not isinstance(what, ReadingTaken | NotTaken | CheckMade):
            self.forget()
            return
        self.asked, self.is_begun = None, False

    def forget(self) -> None:
        """Ask for nothing until the next finding."""
        self.asked, self.is_begun, self._last = None, False, None

    def ask(self, state: State) -> bool:
        """Ask for the best reading of the last plan that was not taken since.

        Returns:
            True if there is one, which is asked from now on.
        """
        if self.asked is None and self._last is not None:
            gone = {_key(one.lit, one.probe) for one in state.readings}
            gone |= {_key(*one) for one in state.unreachable}
            self.asked = self._last.next.after(gone)
            return self.asked is not None
        return False

    def overtaken(
        self, events: Sequence[LoggedEvent], now: Sequence[LoggedEvent], late: Finding
    ) -> None:
        """Take the plan of a finding that is late because readings were taken meanwhile."""
        since = now[len(events) :]
        only_readings = all(isinstance(one.what, ReadingTaken) for one in since)
        if only_readings and tuple(now[: len(events)]) == tuple(events):
            self._last = late

    def keeps(self, finding: Finding) -> bool:
        """Return True if the reading stays asked after a new finding.

        It stays if the entry field has content for it, or if the new plan contains it: the user may
        be moving the leads already.
        """
        ask = self.asked
        planned = ask is not None and not finding.next.settled and ask in finding.next.planned
        if not self.is_begun and not planned:
            self.asked = None
        return self.asked is not None


def _key(lit: LitSet, probe: Probe) -> tuple[LitSet, frozenset[Point]]:
    return lit, probe.points


_Basis = tuple[State, Overrides, Finding | None, tuple[LitSet, Probe] | None]


class ActiveSession:
    """One session on the bench: records events, and advises on the next step.

    Attributes:
        session: the session on record.
        light: the light of the unit.
        soak: the soak timer.
        overrides: what the user chose to do, in place of the guidance.
        finding: the finding of the present evidence; None until it is known.
        interim: the reading that is asked for while a finding is worked out.
        uncounted: reason that the last look or reading does not count; empty if it does.
    """

    def __init__(
        self, session: Session, clock: FrameClock, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.session = session
        self.light = PropLight(session.design, clock)
        self.soak = SoakTimer(self, now_s)
        self.overrides = Overrides(step="soak" if self.soak.soak is not None else None)
        self.finding: Finding | None = None
        self.interim = InterimReading()
        self.enough_rule: EnoughRule | None = None
        self.uncounted = ""
        self._advised: tuple[_Basis, Advice] | None = None
        self._guided: tuple[State, Finding | None, Advice] | None = None
        self._first_of_key: int | None = None

    @property
    def design(self) -> Design:
        """The prop."""
        return self.session.design

    @property
    def state(self) -> State:
        """The state of the session."""
        return self.session.state

    @property
    def advice(self) -> Advice:
        """The next thing for the user to do; worked out once for each state of the bench."""
        if self.overrides.step == "soak":
            return self.soak.advice
        basis = (self.session.state, self.overrides, self.finding, self.interim.asked)
        known = self._advised  # one look: a worker reads it too
        if known is not None and all(a is b for a, b in zip(known[0], basis, strict=True)):
            return known[1]
        state, overrides, finding, interim = basis
        advice = overrides.advice(state)
        if advice is None:
            advice = self._guidance(state, finding)
            if interim is not None and (finding is not None or advice.task == "think"):
                advice = read_advice(self.state, *interim)
        self._advised = basis, advice
        return advice

    def _guidance(self, state: State, finding: Finding | None) -> Advice:
        """Return the step that the guidance asks for; worked out once for state and finding."""
        known = self._guided
        if known is not None and known[0] is state and known[1] is finding:
            return known[2]
        advice = next_step(state, finding, self.enough_rule)
        self._guided = state, finding, advice
        return advice

    @property
    def awaits_finding(self) -> bool:
        """True if the next step depends on a finding that is not known yet."""
        state = self.session.state
        if self.finding is not None or self.overrides.advice(state) is not None:
            return False
        return self.overrides.step != "soak" and self._guidance(state, None).task == "think"

    def ask_meanwhile(self) -> bool:
        """Ask for a reading of the last plan before the finding; return True if there is one."""
        return self.awaits_finding and self.interim.ask(self.session.state)

    def note_entry(self, *, begun: bool) -> None:
        """Note that the entry field has content, or no longer has."""
        if self.interim.asked is not None:
            self.interim.is_begun = begun
            if not begun and self.finding is not None:
                self.interim.keeps(self.finding)

    def accept(
        self, events: Sequence[LoggedEvent], finding: Finding, lowest_v: float | None = None
    ) -> bool:
        """Take a finding unless there are other events by now; return True if it was taken.

        Args:
            events: the evidence of the finding.
            finding: the finding.
            lowest_v: lowest volts along the strands at full white by it; None if not known. [V]
        """
        if tuple(events) != self.state.undoable:
            self.interim.overtaken(events, self.state.undoable, finding)
            return False
        self.session.conclude(finding, lowest_v)
        self.finding = finding
        self.interim.keeps(finding)
        return True

    def record(self, what: SessionEvent) -> None:
        """Record an event, and drop a finding that it makes invalid.

        Raises:
            InputError: the event needs light that does not reach the prop.
            SessionConflict: another program has continued this session.
            RecordsFault: the event could not be saved.
        """
        others: tuple[HeardSource, ...] = ()
        if isinstance(what, SEEN_OR_MEASURED):
            self.light.require_visible()
            others = heard_sources(self.light.clock.status().other_sources)
        first = self._first_of_key
        with self.restart_if_overtaken():
            same = first if first is not None and first < self.session.next_seq else None
            self.session.record(what, same, others)
        if is_disturbed(others):
            worst = next(other for other in others if other.disturbs)
            self.uncounted = (
                f"not counted: {worst} may light the prop; end it, or press i and raise priority"
            )
        self.interim.recorded(what, self.finding)
        if is_evidence(what):
            self.finding = None

    def answer(self, what: SessionEvent) -> str:
        """Record the answer to a question; return it in a few words."""
        self.record(what)
        self.overrides = self.overrides.after_answer()
        return describe_event(what, self.design)

    @contextmanager
    def one_key(self) -> Iterator[None]:
        """Make all events recorded meanwhile one step for undo."""
        self._first_of_key = self.session.next_seq
        try:
            yield
        finally:
            self._first_of_key = None

    def undo(self) -> str:
        """Undo the last key; return what was undone. A parade, which recorded nothing, ends."""
        if self.overrides.parade is not None:
            self.drop_overrides()
            return "the parade is stopped"
        self.overrides = self.overrides.after_undo()
        with self.restart_if_overtaken():
            undone = self.session.undo()
        if not undone:
            return "nothing to take back"
        self.finding = None
        self.interim.forget()
        return f"took back: {'; '.join(describe_event(what, self.design) for what in undone)}"

    def drop_overrides(self) -> None:
        """Return to the questions of the guidance."""
        self.overrides = Overrides()

    @contextmanager
    def restart_if_overtaken(self) -> Iterator[None]:
        """Drop overrides and finding if another program has continued the session."""
        try:
            yield
        except SessionConflict:
            self.overrides = Overrides()
            self.finding = None
            self.interim.forget()
            raise
