"""The bench as the screen sees it: one session, one prop that is lit, one finding.

Whatever a key means is decided here; a screen only asks and shows.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from benchtest.diagnosis import Finding
from benchtest.drive.frame_clock import FrameClock
from benchtest.errors import InputError, NameFault, did_you_mean
from benchtest.evidence.reading_source import ReadingSource
from benchtest.prop.lit_set import all_lit
from benchtest.records.models import STAGES, Stage
from benchtest.session.display.event_text import said, volts_text
from benchtest.session.display.finding_details import FindingDetails, finding_details, next_words
from benchtest.session.guidance.next_step import Advice, colour_advice, search_of
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    FirstLight,
    MarkMade,
    NoteMade,
    NotTaken,
    PartSeen,
    RepairDone,
    SessionEvent,
    SignedOff,
    StageSet,
    Wiggled,
)
from benchtest.session.log.soak import EVERY_S, PLANNED_S, seconds_of
from benchtest.session.log.state import LoggedEvent
from benchtest.session.practice.reference_run import PracticeRun
from benchtest.session.session import Session
from benchtest.session.workbench.node_walk import nodes_of
from benchtest.session.workbench.reading_entry import IMPOSSIBLE, Prober
from benchtest.virtual.observer import Observation
from benchtest.virtual.remote_prop import RemoteProp


class Stand(Prober):
    """One unit on the bench, with answers, readings, repairs and the finding."""

    def __init__(
        self,
        session: Session,
        clock: FrameClock,
        virtual: RemoteProp | None = None,
        now_s: Callable[[], float] = time.monotonic,
        source: ReadingSource | None = None,
    ) -> None:
        super().__init__(session, clock, virtual, now_s, source)
        self.practice: PracticeRun | None = None
        self._explained: tuple[Finding, FindingDetails] | None = None
        self._soak_unreached = False

    # -- one key a decision --------------------------------------------------------------------

    def yes(self) -> str:
        """It is as it should be; says what was kept, where that is not plain to see."""
        return self._answer(True)

    def no(self) -> str:
        """It is not as it should be."""
        return self._answer(False)

    def _answer(self, good: bool) -> str:
        advice = self.advice
        match advice.task:
            case "look":
                self.judge(good)
            case "walk":
                self.walk_on(1) if good else self.catch()
            case "caught":
                return self._after_caught(good)
            case "soak":
                self.require_light()
                with self.overtaking_shown():
                    return self.soaking.seen(good)
            case "recolour" if good and advice.strand is not None:
                self.choices.queue = [
                    colour_advice(self.design, c, [advice.strand]) for c in self.design.node.colours
                ]
            case _:
                return self._keep(self._asked_of(advice, good))
        return ""

    def _asked_of(self, advice: Advice, good: bool) -> SessionEvent:
        """The event that answers a question of a step.

        Raises:
            InputError: it wants a number, or cannot be answered so.
        """
        match advice.task:
            case "check" if advice.check is not None:
                if good and self.unit == "V":
                    raise InputError("type the volts that the meter shows, then Enter")
                return CheckMade(*advice.check, good)
            case "glow":
                return FirstLight(good, self.lamp.level)
            case "colour" if advice.colour is not None and advice.lit is not None:
                lit = advice.lit.text(self.design)
                shown = None if advice.strand is not None or lit == "all" else lit
                return ColourSeen(advice.colour, good, advice.strand, self.lamp.level, shown)
            case "search":
                low, high = search_of(self.session.state, advice.strand).half
                return PartSeen(low, high, good, advice.strand)
            case "wiggle":
                return Wiggled(advice.end, good)
        raise InputError("no such answer is asked for just now")

    def _keep(self, what: SessionEvent) -> str:
        self.record(what)
        self.choices.answered()
        return said(what)

    def _after_caught(self, good: bool) -> str:
        """What is after the node that fails lights, or not: one dark node, or a break."""
        node, *after = self.advice.nodes
        if not after and good:
            self.choices.drop()
            self.choices.walking = node
            return f"node {node} lights after all"
        return self.mark("dark", onwards=bool(after) and not good)

    def begin_soak(self, text: str = "") -> str:
        """Begin a soak of that time, or go on with one that pauses.

        Raises:
            InputError: the time is none, or the prop cannot be lit.
        """
        if self.soaking.soak is not None:
            self.soaking.resume()
            return "the soak goes on"
        planned_s = seconds_of(text) if text else PLANNED_S
        self.lamp.light(all_lit(self.design), lower=True)
        with self.overtaking_shown():
            self.soaking.begin(planned_s, min(EVERY_S, planned_s), self.lamp.level)
        return f"soaking at {self.lamp.level:.0%}"

    def end_soak(self) -> str:
        """Stop a soak; says how long it lasted."""
        with self.overtaking_shown():
            words = self.soaking.end()
        self.choices.drop()
        self.lamp.dark()
        return words

    def tick(self) -> str:
        """Changes of a soak by time alone: its end, or a pause while frames do not arrive.

        Says so, else nothing. To be called often.
        """
        if self.unreached is not None:
            if self.soaking.running:
                self._soak_unreached = True
                self.soaking.pause()
                return f"the soak pauses: frames do not reach the prop ({self.unreached})"
        elif self._soak_unreached:
            self._soak_unreached = False
            if not self.put_out and self.clock.held is None:
                self.soaking.resume()
                return "the soak goes on: frames reach the prop again"
        return self.end_soak() if self.soaking.is_over else ""

    def flickered(self, where: str) -> str:
        """Something flickered in a soak, and somebody saw where: a strand or a node.

        Raises:
            InputError: the prop has no such strand or node, or no soak is running.
        """
        strand, nodes = nodes_of(where, self.design)
        self.require_light()
        with self.one_key():
            with self.overtaking_shown():
                words = self.soaking.seen(steady=False)
            self.record(MarkMade("all", strand, nodes, "flicker", self.lamp.level or 1.0))
        return f"{words}, strand {strand}, node {nodes}"

    def drop_choices(self) -> None:
        """Back to what the guidance says; a soak pauses."""
        self.soaking.pause()
        self.choices.drop()

    def leave(self) -> None:
        """The unit leaves the bench: dark, and a soak pauses."""
        self.soaking.pause()
        self.lamp.dark()

    def leave_out(self) -> str:
        """Skip a check, or a reading whose points cannot be reached; the record has that.

        Raises:
            InputError: what is asked cannot be skipped.
        """
        lit, probe = self.advice.lit, self.advice.probe
        if self.advice.may_skip and lit is not None and probe is not None:
            return self._keep(NotTaken(lit.text(self.design), str(probe)))
        if self.advice.check is None:
            raise InputError("only a check before power can be left out")
        return self._keep(CheckMade(*self.advice.check, None))

    # -- readings ------------------------------------------------------------------------------

    def enter(self, text: str) -> str:
        """Take what stands in the field, a reading or a check's; says what was kept.

        A likely slip of the pen is asked about once; the same text again is kept.

        Raises:
            InputError: it is no number, beyond the meter's range, or a likely slip.
        """
        if self.advice.task == "check":
            return self._enter_check(text)
        if self.advice.task == "soak":
            return self.begin_soak(text)
        typed = self.typed(text, at_once=False)
        if typed is not None and typed.is_doubtful and text != self._doubted:
            self._doubted = text
            then = IMPOSSIBLE if typed.is_impossible else "Tab takes that;"
            raise InputError(f"{typed.hint} {then} Enter again keeps {text} as it is")
        read = self._read
        if read is not None and (read.text, read.asked) == (text, self.asked):
            return self._take(read)
        shown = volts_text(self.volts_of(text))
        return f"saved {shown}{self.take_reading(text)}"

    def sights(self) -> list[Observation]:
        """How the nodes of a virtual prop that should be lit look; none of a real one."""
        return [] if self.virtual is None else self.virtual.look()

    # -- repairs and the end -------------------------------------------------------------------

    def repair(self, where: str, what: str = "") -> None:
        """Log that a joint or node was worked on; on a virtual prop, do it."""
        self.lamp.dark()
        self.record(RepairDone(where, what))
        if self.virtual is not None:
            was_wrong = self.virtual.repair(where)
            if self.practice is not None:
                self.practice.repaired(where, was_wrong)

    def note(self, text: str) -> None:
        """Keep a note."""
        with self.overtaking_shown():
            self.session.record(NoteMade(text))

    @property
    def stage(self) -> Stage:
        """Where in its life the unit is."""
        return self.session.shelf.unit(self.session.tag).stage

    def set_stage(self, text: str) -> None:
        """Move the unit to another stage.

        Raises:
            NameFault: there is no such stage.
        """
        word = text.strip()
        stage = next((known for known in STAGES if known == word), None)
        if stage is None:
            known = ", ".join(STAGES)
            raise NameFault(f'stage "{word[:20]}": give one of {known}{did_you_mean(word, STAGES)}')
        with self.overtaking_shown():
            self.session.record(StageSet(stage))

    def sign_off(self, by: str, comment: str = "") -> None:
        """Somebody answers for the unit."""
        if not by.strip():
            raise InputError("a sign-off needs a name")
        self.record(SignedOff(by.strip(), comment.strip()))
        self.lamp.dark()

    # -- thinking ------------------------------------------------------------------------------

    def think(self) -> tuple[Sequence[LoggedEvent], Finding]:
        """What the evidence says; takes a while, call it from a worker.

        Returns:
            The events it is about, to be given to `concluded`, and the finding.
        """
        with self._thinking:
            state = self.session.state
            finding = self.session.diagnose(state)
            return state.undoable, finding

    def concluded(self, about: Sequence[LoggedEvent], finding: Finding) -> bool:
        """Take a finding, unless things have moved on since. True where it was taken."""
        if tuple(about) != self.session.state.undoable:
            return False
        self.session.conclude(finding)
        self.finding = finding
        return True

    def explain(self, finding: Finding) -> FindingDetails:
        """What stands behind a finding; takes a while, call it from a worker."""
        with self._thinking:
            return finding_details(self.session, finding)

    def explained(self, finding: Finding, grounds: FindingDetails) -> None:
        """Take what stands behind a finding."""
        self._explained = finding, grounds

    @property
    def grounds(self) -> FindingDetails | None:
        """What stands behind the finding; None while that is not known."""
        known = self._explained
        return known[1] if known is not None and known[0] is self.finding else None

    @property
    def would_show(self) -> str:
        """What the reading that is asked for would show under each likely fault."""
        advice, finding = self.advice, self.finding
        if advice.task != "read" or finding is None or finding.next.probe != advice.probe:
            return ""
        return next_words(finding, self.grounds)
