"""The bench as the screen sees it: one session, one prop that is lit, one finding.

Whatever a key means is decided here; a screen only asks and shows.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property, lru_cache

import numpy as np

from benchtest.circuit.network import Circuit
from benchtest.diagnosis import Finding
from benchtest.drive.clock import RAMP_S, FrameClock
from benchtest.drive.layout import Frame
from benchtest.drive.safe import level_that_fits
from benchtest.errors import InputError, NameFault, nearest
from benchtest.evidence.marks import Seen
from benchtest.evidence.reading import check_volts
from benchtest.pattern import frame_of, load_patterns
from benchtest.prop.design import Design, NodeName, Probe, StrandEnd
from benchtest.prop.lit import Lit, parse_lit
from benchtest.prop.names import parse_probe
from benchtest.records.shelf import STAGES, Overtaken, Stage
from benchtest.session.events import (
    Happening,
    MarkMade,
    NoteMade,
    ReadingTaken,
    RepairDone,
    SignedOff,
    StageSet,
    VerdictGiven,
)
from benchtest.session.guidance import Advice, what_next
from benchtest.session.live import Session
from benchtest.session.state import Happened
from benchtest.session.typed import Typed, judge_typed, volts_of
from benchtest.virtual.observe import Sight
from benchtest.virtual.process import RunningProp

LOOK_LEVEL = 0.25
"""Level at which strands are looked at: bright enough to see, easy on eyes and wires."""
WALK_LEVEL = 0.5
STEADY_S = 0.15
"""From the last frame of a change until a meter may be read. [s]"""
MANY_STRANDS = 3
"""From so many strands at full on, light comes up by a ramp."""


class Stand:
    """One unit on the bench."""

    def __init__(
        self, session: Session, clock: FrameClock, virtual: RunningProp | None = None
    ) -> None:
        self.session = session
        self.clock = clock
        self.virtual = virtual
        self.finding: Finding | None = None
        self.walking: NodeName | None = None
        self.chosen: int | None = None
        self.own_reading: tuple[Lit, Probe] | None = None
        self.lit_words = "dark"
        self.is_dark = True  # so every clock begins
        self._thinking = threading.Lock()
        self._steady_s = 0.0
        self._expected = lru_cache(maxsize=256)(session.expect)
        self._fits: dict[Lit, str | None] = {}

    @property
    def design(self) -> Design:
        return self.session.design

    # -- what to do now ------------------------------------------------------------------------

    @property
    def advice(self) -> Advice:
        """What the person should do now."""
        state = self.session.state
        if self.walking is not None:
            words = f"Which node of strand {self.walking.strand} fails?"
            return Advice("walk", words, strand=self.walking.strand)
        if self.own_reading is not None:
            lit, probe = self.own_reading
            words = f"Volts at {probe} with {lit.text(self.design)} lit?"
            return Advice("read", words, lit=lit, probe=probe)
        if self.chosen is not None and state.signed is None:
            words = f"Does every node of strand {self.chosen} light?"
            return Advice("look", words, strand=self.chosen)
        return what_next(state, self.finding)

    def light_advice(self) -> None:
        """Light what the advice needs.

        Raises:
            InputError: fuse or supply cannot carry it.
        """
        advice = self.advice
        if advice.task == "look" and advice.strand is not None:
            self.light(Lit(frozenset([advice.strand]), LOOK_LEVEL))
        elif advice.task == "walk" and advice.strand is not None:
            if self.walking is None:
                self.walking = self.first_on(advice.strand)
            self.light_node(self.walking)
        elif advice.task == "read" and advice.lit is not None:
            self.light(advice.lit)
        elif advice.task != "think":
            self.dark()

    # -- light ---------------------------------------------------------------------------------

    def light(self, lit: Lit) -> None:
        """Light a set of strands.

        Raises:
            InputError: fuse or supply cannot carry it; says the highest level that fits.
        """
        if (why := self._too_much(lit)) is not None:
            raise InputError(why)
        much = len(lit.strands) >= MANY_STRANDS and lit.level > WALK_LEVEL
        level = "" if lit.level == 1.0 else f" at {lit.level:.0%}"
        self._show(frame_of(lit.duty(self.design)), f"{lit.text(self.design)}{level}", much)

    def light_node(self, node: NodeName) -> None:
        """Light one node."""
        duty = np.zeros((self.design.node_count, self.design.node.channels))
        duty[self.design.index(node.strand, node.node)] = WALK_LEVEL
        self._show(frame_of(duty), f"node {node}")

    def light_ruler(self) -> None:
        """Light the ruler on every strand."""
        step = load_patterns()["ruler"].steps(self.design)[0]
        self._show(frame_of(step.duty), "ruler: blue 5s, white 10s, red 50s")

    def dark(self) -> None:
        """Everything off."""
        self._show(np.zeros((self.design.node_count, self.design.node.channels), np.uint8), "dark")

    def toggle_dark(self) -> None:
        """Everything off at once, or back to what the advice needs."""
        if self.is_dark:
            self.light_advice()
        else:
            self.dark()

    def _show(self, frame: Frame, words: str, ramp: bool = False) -> None:
        ramp_s = RAMP_S if ramp else 0.0
        self._steady_s = time.monotonic() + ramp_s + STEADY_S
        self.clock.show(frame, ramp_s)
        self.lit_words = words
        self.is_dark = not frame.any()

    @cached_property
    def _circuit(self) -> Circuit:
        """Kept: to factor it anew at each key would make light late by tens of milliseconds."""
        return Circuit(self.design)

    @cached_property
    def _dark_a(self) -> dict[str, float]:
        return self._circuit.solve(Lit(frozenset()).duty(self.design)).feed_a

    def _too_much(self, lit: Lit) -> str | None:
        if lit not in self._fits:
            lit_a = self._circuit.solve(lit.duty(self.design)).feed_a
            limit = level_that_fits(self.design, lit.level, lit_a, self._dark_a)
            words = None if limit is None else f"{limit.why}; {limit.level:.0%} fits"
            self._fits[lit] = words
        return self._fits[lit]

    # -- strands and nodes ---------------------------------------------------------------------

    def judge(self, passed: bool) -> None:
        """Pass or fail the strand that is lit."""
        advice = self.advice
        if advice.task != "look" or advice.strand is None:
            raise InputError("no strand is being looked at; up and down choose one")
        self.record(VerdictGiven(advice.strand, passed, LOOK_LEVEL))
        self.chosen = None

    def judge_all_dark(self) -> None:
        """Fail the strand that is lit, all of it being dark."""
        strand = self.advice.strand
        self.judge(passed=False)
        assert strand is not None
        nodes = self.design.strand(strand).nodes
        self.record(MarkMade(str(strand), strand, f"1-{nodes}", "dark", LOOK_LEVEL))

    def choose(self, step: int) -> None:
        """Look at the strand before or after this one, whatever the advice is."""
        count = len(self.design.strands)
        self.own_reading = None
        here = self.advice.strand or (1 if step < 0 else count)
        self.walking = None
        self.chosen = (here - 1 + step) % count + 1

    def drop_choices(self) -> None:
        """Back to what the guidance says."""
        self.walking = self.chosen = self.own_reading = None

    def first_on(self, strand: int) -> NodeName:
        """The node of a strand that data reaches first."""
        entry = next(end for end in self.design.data_path if end.strand == strand)
        return NodeName(strand, 1 if entry.end == "A" else self.design.strand(strand).nodes)

    def walk(self, step: int) -> None:
        """Move the lit node along its strand, as it stands: right is towards end B."""
        if self.walking is None:
            raise InputError("no strand is being walked")
        node = self.walking.node + step
        last = self.design.strand(self.walking.strand).nodes
        self.walking = NodeName(self.walking.strand, max(1, min(last, node)))
        self.light_node(self.walking)

    def mark(self, seen: Seen, onwards: bool) -> str:
        """Mark the lit node, or it and all after it on its strand, the way data runs; says so."""
        if self.walking is None:
            raise InputError("no strand is being walked")
        strand, node = self.walking.strand, self.walking.node
        first = last = node
        if onwards:
            forwards = StrandEnd(strand, "A") in self.design.data_path
            first, last = (node, self.design.strand(strand).nodes) if forwards else (1, node)
        nodes = str(first) if first == last else f"{first}-{last}"
        self.record(MarkMade(str(strand), strand, nodes, seen, LOOK_LEVEL))
        return f"marked strand {strand}, node {nodes} {seen}"

    def end_walk(self) -> None:
        """Done with this strand."""
        if self.walking is not None and self.walking.strand in self.session.state.unmarked:
            raise InputError("mark the node that fails first: d dark, w warm, c wrong colour …")
        self.walking = None

    # -- readings ------------------------------------------------------------------------------

    def typed(self, text: str) -> Typed | None:
        """A reading being typed, beside what a healthy unit shows; None when none is asked."""
        advice = self.advice
        if advice.task != "read" or advice.lit is None or advice.probe is None:
            return None
        expected_v, sd_v = self._expected(advice.lit, advice.probe)
        return judge_typed(text, expected_v, sd_v, self.session.meter)

    def ask_for(self, lit_text: str, probe_text: str) -> None:
        """Ask for a reading of the person's own choice next.

        Raises:
            InputError: the prop has no such strand or point.
        """
        lit = parse_lit(lit_text, self.design)
        self.own_reading = (lit, parse_probe(probe_text, self.design))

    def take_reading(self, text: str) -> None:
        """Keep the reading that was asked for.

        Raises:
            InputError: it is no number, or beyond the meter's range.
        """
        advice = self.advice
        if advice.task != "read" or advice.lit is None or advice.probe is None:
            raise InputError("no reading is asked for just now")
        volts = check_volts(volts_of(text), self.session.meter)
        lit = advice.lit
        self.record(
            ReadingTaken(
                lit.text(self.design), str(advice.probe), volts, None, lit.level, lit.colour
            )
        )
        self.own_reading = None

    def meter_reading(self) -> str:
        """What the virtual prop's meter shows at the probe asked for; waits for the light.

        Raises:
            InputError: the prop is real, or no reading is asked for.
        """
        if self.virtual is None:
            raise InputError("type what your meter shows; only a virtual prop is read for you")
        if self.advice.probe is None:
            raise InputError("no reading is asked for just now")
        probe = str(self.advice.probe)
        time.sleep(max(0.0, self._steady_s - time.monotonic()))
        return f"{self.virtual.measure(probe):.4f}"

    def sights(self) -> list[Sight]:
        """How the nodes of a virtual prop that should be lit look; none of a real one."""
        return [] if self.virtual is None else self.virtual.look()

    # -- repairs and the end -------------------------------------------------------------------

    def repair(self, where: str, what: str = "") -> None:
        """Log that a joint or node was worked on; on a virtual prop, do it."""
        self.dark()
        self.record(RepairDone(where, what))
        if self.virtual is not None:
            self.virtual.repair(where)

    def note(self, text: str) -> None:
        """Keep a note."""
        with self._overtaking_shown():
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
            raise NameFault(f'stage "{word[:20]}": give one of {known}{nearest(word, STAGES)}')
        with self._overtaking_shown():
            self.session.record(StageSet(stage))

    def sign_off(self, by: str, comment: str = "") -> None:
        """Somebody answers for the unit."""
        if not by.strip():
            raise InputError("a sign-off needs a name")
        self.record(SignedOff(by.strip(), comment.strip()))
        self.dark()

    def undo(self) -> str:
        """Take back the last step; says which."""
        with self._overtaking_shown():
            what = self.session.undo()
        if what is None:
            return "nothing to take back"
        self._changed()
        return f"took back: {said(what)}"

    def record(self, what: Happening) -> None:
        """Keep an event; the finding no longer holds."""
        with self._overtaking_shown():
            self.session.record(what)
        self._changed()

    @contextmanager
    def _overtaking_shown(self) -> Iterator[None]:
        """Where another program has gone on with the session, begin from what is there now."""
        try:
            yield
        except Overtaken:
            self.drop_choices()
            self._changed()
            raise

    def _changed(self) -> None:
        self.finding = None

    # -- thinking ------------------------------------------------------------------------------

    def think(self) -> tuple[Sequence[Happened], Finding]:
        """What the evidence says; takes a while, call it from a worker.

        Returns:
            The events it is about, to be given to `concluded`, and the finding.
        """
        with self._thinking:
            state = self.session.state
            finding = self.session.diagnose(state)
            return state.undoable, finding

    def concluded(self, about: Sequence[Happened], finding: Finding) -> bool:
        """Take a finding, unless things have moved on since. True where it was taken."""
        if tuple(about) != self.session.state.undoable:
            return False
        self.session.conclude(finding)
        self.finding = finding
        return True


def said(what: Happening) -> str:
    """An event in a few words."""
    match what:
        case VerdictGiven(strand, passed):
            return f"strand {strand} {'passed' if passed else 'failed'}"
        case MarkMade(_, strand, nodes, seen):
            return f"strand {strand}, node {nodes} {seen}"
        case ReadingTaken(_, probe, volts, amps):
            return f"{probe} = {amps} A" if volts is None else f"{probe} = {volts} V"
        case RepairDone(where):
            return f"repair of {where}"
        case SignedOff(by):
            return f"sign-off by {by}"
    return what.kind


def probe_words(probe: Probe) -> str:
    """Where the leads go."""
    return f"red on {probe.red}, black on {probe.black}"
