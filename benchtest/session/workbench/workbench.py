"""The bench as a screen uses it: one unit, its light, its record, its finding.

The meaning of every key is decided here and in the components; a screen only asks and shows.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from benchtest.diagnosis import Finding
from benchtest.drive.frame_clock import FrameClock
from benchtest.errors import InputError, NameFault, did_you_mean
from benchtest.evidence.reading_source import ReadingSource
from benchtest.input_files import strip_control_chars
from benchtest.pattern import alternating_colours, alternating_duty
from benchtest.prop.design import Design
from benchtest.prop.enough import EnoughRule
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.notation import location_strand, parse_location, parse_probe
from benchtest.records.models import STAGES, Stage
from benchtest.session.bench_supply import evening_supplies, passed_check
from benchtest.session.display.bench_model import BenchModel, SourceModel
from benchtest.session.display.finding_details import FindingDetails
from benchtest.session.guidance.next_step import (
    Advice,
    colour_advice,
    controller_advice,
    search_of,
    sign_off_advice,
)
from benchtest.session.guidance.overrides import Overrides
from benchtest.session.guidance.parade import MIN_PARADE_STRANDS
from benchtest.session.guidance.steps import StepName, step_questions
from benchtest.session.log.controller_look import (
    COUNTED,
    OTHER_COLOURS,
    ControllerLook,
    counted_looks,
    order_looks,
)
from benchtest.session.log.events import (
    CheckMade,
    ColourSeen,
    ControllerSeen,
    FirstLight,
    MarkMade,
    NoteMade,
    NotTaken,
    PartSeen,
    PictureSeen,
    RepairDone,
    SessionEvent,
    SignedOff,
    StageSet,
    Wiggled,
)
from benchtest.session.log.power_checks import name_checks
from benchtest.session.log.soak import DEFAULT_LOOK_INTERVAL_S, DEFAULT_SOAK_S, parse_duration_s
from benchtest.session.log.state import State
from benchtest.session.practice.reference_run import PracticeRun
from benchtest.session.session import Session
from benchtest.session.workbench.active_session import ActiveSession
from benchtest.session.workbench.diagnosis_worker import DiagnosisWorker
from benchtest.session.workbench.node_walk import NodeWalk, first_node, parse_strand_or_node
from benchtest.session.workbench.parade_run import ParadeRun
from benchtest.session.workbench.picture_run import PictureRun
from benchtest.session.workbench.pointing_run import PointingRun
from benchtest.session.workbench.prop_light import FIRST_LEVEL
from benchtest.session.workbench.reading_entry import ReadingEntry, RecordedReadings
from benchtest.session.workbench.reading_sources import BridgeBoard
from benchtest.session.workbench.source_reader import SourceReader
from benchtest.session.workbench.touch_run import TouchRun
from benchtest.virtual.observer import Observation
from benchtest.virtual.remote_prop import RemoteProp

NOT_LIT_YET = "lit only now: read the meter, then type"
"""Refusal of a number that was read before the lit set of its reading was on."""
_Basis = tuple[State, Overrides, Finding | None, FindingDetails | None, tuple[object, ...]]
"""All that a bench model depends on: four values that never change, then light, soak and more."""


class Workbench:
    """One unit on the bench.

    Attributes:
        session: its session on record.
        supplies: volts of the supplies as measured at other units this evening, by feed.
        clock: the frame clock that drives it.
        virtual: the virtual prop; None for a real one.
        practice: the practice round, in one.
        active: events, overrides, finding and advice.
        light: what is lit.
        soak: the soak timer.
        parade: the parade of strands.
        picture: the picture of all strands.
        pointing: the places that nodes show.
        worker: the diagnosis engine.
        walk: verdicts, walks along a strand, marks.
        readings: the readings on record.
        entry: the field for numbers.
        source: the source of readings.
        touch: readings of the source that are kept without a key.
    """

    def __init__(
        self,
        session: Session,
        clock: FrameClock,
        virtual: RemoteProp | None = None,
        now_s: Callable[[], float] = time.monotonic,
        source: ReadingSource | None = None,
        *,
        points: bool = False,
        hands_free: bool = False,
        enough: EnoughRule | None = None,
    ) -> None:
        self.session = session
        self.supplies = evening_supplies(session)
        self.clock = clock
        self.virtual = virtual
        self.practice: PracticeRun | None = None
        self.active = ActiveSession(session, clock, now_s)
        self.active.enough_rule = enough
        self.light = self.active.light
        self.soak = self.active.soak
        self.parade = ParadeRun(self.active, now_s)
        self.picture = PictureRun(session.design, self.light, now_s)
        self.pointing = PointingRun(self.active, now_s, is_automatic=points)
        self.worker = DiagnosisWorker(self.active)
        self.walk = NodeWalk(self.active)
        self.readings = RecordedReadings(self.active)
        self.entry = ReadingEntry(self.active, self.worker, self.readings)
        self.source = SourceReader(self.active, self.entry, source, virtual)
        self.touch = TouchRun(
            self.active, self.entry, self.source, self.pointing, now_s, is_on=hands_free
        )
        devices: tuple[object, ...] = (clock.driver, source)
        self._boards = [one for one in devices if isinstance(one, BridgeBoard)]
        self._model: tuple[_Basis, BenchModel] | None = None
        self._now_s, self._opened_s = now_s, now_s()
        self._unit_place = session.place_on_shelf()
        self._hold_noticed = False
        self._soak_unreached = False

    @property
    def design(self) -> Design:
        """The prop."""
        return self.session.design

    @property
    def advice(self) -> Advice:
        """The next thing for the user to do."""
        return self.active.advice

    @property
    def finding(self) -> Finding | None:
        """The finding of the present evidence; None until it is known."""
        return self.active.finding

    @property
    def model(self) -> BenchModel:
        """Everything that the screen shows and offers; built once for each event."""
        active, light, soak = self.active, self.light, self.soak
        state, overrides, finding = active.state, active.overrides, active.finding
        details = self.worker.details
        shown = (light.words, light.lit, soak.progress, soak.running, active.interim.asked)
        basis = (state, overrides, finding, details, shown)
        known = self._model
        if known is None or not _is_same(known[0], basis):
            self._model = known = basis, self._build_model(details)
        return known[1]

    def _build_model(self, details: FindingDetails | None) -> BenchModel:
        active, source = self.active, self.source
        return BenchModel(
            tag=self.session.tag,
            design=self.design,
            is_virtual=self.virtual is not None,
            state=active.state,
            advice=active.advice,
            finding=active.finding,
            details=details,
            walking=active.overrides.walking,
            is_overridden=active.overrides.any,
            lit_text=self.light.words,
            lit=self.light.lit,
            unit=self.entry.unit,
            soak=self.soak.progress,
            is_soaking=self.soak.running,
            due_checks=name_checks(active.advice.due_checks, self.supplies),
            signer=self.last_signer if active.advice.task == "sign-off" else "",
            may_parade=len(active.state.untested) >= MIN_PARADE_STRANDS,
            source=SourceModel(
                source.name, source.source is not None, source.can_read, source.keeps_at_once
            ),
            readings=self.worker.reading_lines,
            preview=self.worker.preview,
            unit_place=self._unit_place,
        )

    @property
    def minutes(self) -> int:
        """Whole minutes that the unit is on the bench. [min]"""
        return int((self._now_s() - self._opened_s) / 60.0)

    # -- light ---------------------------------------------------------------------------------

    def light_advice(self) -> None:
        """Light what the advice needs.

        Raises:
            InputError: fuse or supply cannot carry it.
        """
        advice, every = self.advice, all_lit(self.design).strands
        light = self.light
        if self.touch.holds_light and not light.put_out:
            return
        light.put_out = False
        match advice.task:
            case "look" | "parade" if advice.strand is not None:
                light.light(LitSet(frozenset([advice.strand]), light.look_level), lower=True)
            case "walk" if advice.strand is not None:
                if self.active.overrides.walking is None:
                    self.walk.begin(first_node(self.design, advice.strand))
                light.light_nodes([self.walk.node], light.walk_level)
            case "parade" if self.active.overrides.parade is not None:
                strands = frozenset(self.active.overrides.parade.strands)
                light.light(LitSet(strands, light.look_level), lower=True)
            case "search" | "caught":
                light.light_nodes(advice.nodes, light.look_level)
            case "glow":
                light.light(LitSet(every, FIRST_LEVEL), lower=True)
            case "downstream" if advice.lit is not None:
                light.light(LitSet(advice.lit.strands, light.look_level), lower=True)
            case "picture":
                self.picture.show(advice)
            case "controller":
                words = f"{' and '.join(alternating_colours(self.design, 0))} in turn"
                light.light_duty(alternating_duty(self.design), words)
            case "colour" if advice.colour is not None and advice.lit is not None:
                lit = LitSet(advice.lit.strands, light.look_level, advice.lit.colour)
                light.light(lit, lower=True)
            case "wiggle":
                light.light(LitSet(every, light.look_level), lower=True)
            case "soak" if self.soak.running and self.soak.soak is not None:
                light.light(LitSet(every, self.soak.soak.level), lower=True)
            case "read" | "check" if advice.lit is not None:
                if not self.pointing.show_before(advice):
                    light.light(advice.lit)
            case "repair" if self.pointing.show_repair(advice):
                pass
            case "think":
                pass
            case _:
                light.dark()

    def toggle_dark(self) -> None:
        """Switch everything off at once, or light again what the advice needs."""
        is_dark = self.light.is_dark and not (self.pointing.is_showing or self.touch.holds_light)
        if is_dark:  # what blinks is dark at times
            self.soak.resume()
            self.light_advice()
        else:
            self.soak.pause()
            self.pointing.stop()
            self.touch.stop()
            self.light.dark()
            self.light.put_out = True

    def hold_reason(self) -> str | None:
        """Return why the prop is kept dark until `light_again`, else None; pause a soak then."""
        reason = self.clock.held
        if reason is not None and not self._hold_noticed:
            self._hold_noticed = True
            self.soak.pause(self.clock.dark_gap_s)
        return reason

    def light_again(self) -> None:
        """Light the prop again after the user has confirmed that it is clear."""
        self._hold_noticed = False
        self.clock.resume()
        self.soak.resume()

    def point(self) -> str:
        """Show where leads, iron or eye go, or end that; return it in words.

        Raises:
            InputError: no node is near, or the question is about no place.
        """
        words = self.pointing.toggle()
        if not self.pointing.is_showing:
            self.light_advice()
        return words

    def end_pointing(self) -> bool:
        """Light what the question needs if other light was shown; return True if so."""
        was_pointing = self.pointing.stop()
        if not self.touch.stop() and not was_pointing:
            return False
        self.light_advice()
        return True

    def take_pressed(self) -> list[int]:
        """Return the keys that were pressed on a bridge: 1 yes, 2 no, 3 back; each once."""
        return [which for board in self._boards for which in board.take_pressed()]

    def sound(self) -> None:
        """Sound the buzzer of a bridge. Slow: call it from a worker thread.

        Raises:
            DriveFault: the board is absent.
        """
        for board in self._boards:
            board.sound()

    def brighter(self, step: int) -> None:
        """Look or walk at the next brighter level, or the next dimmer one."""
        self.pointing.stop()
        if self.advice.task == "walk":
            self.light.step_walk_level(step)
        else:
            self.light.step_look_level(step)
        self.light_advice()

    def light_only(self) -> None:
        """Light the strand of the present question alone.

        Raises:
            InputError: the question is not about one strand.
        """
        advice = self.advice
        strand = advice.strand
        if strand is None and advice.suspect is not None:
            strand = location_strand(parse_location(advice.suspect.where, self.design))
        if strand is None and advice.probe is not None:
            strand = getattr(advice.probe.red.place, "strand", None)
        if strand is None:
            raise InputError("this is about no one strand; up and down choose one")
        self.pointing.stop()
        self.light.light(LitSet(frozenset([strand]), self.light.look_level), lower=True)

    def sights(self) -> list[Observation]:
        """Return the look of the nodes of a virtual prop; empty for a real one."""
        return [] if self.virtual is None else self.virtual.look()

    # -- questions and answers -----------------------------------------------------------------

    def yes(self) -> str:
        """Answer that all is as it should be; return a line that confirms it, or nothing."""
        return self._answer(True)

    def no(self) -> str:
        """Answer that something is not as it should be."""
        return self._answer(False)

    def _answer(self, good: bool) -> str:
        advice = self.advice
        match advice.task:
            case "look":
                self.walk.judge(good)
            case "parade":
                return self.parade.answer(good)
            case "downstream":
                return self.walk.judge_downstream(good)
            case "walk":
                self.walk.follow_data(1) if good else self.walk.catch()
            case "caught":
                return self.walk.answer_caught(good)
            case "soak":
                self.light.require_visible()
                return self.soak.seen(good)
            case "recolour" if good and advice.strand is not None:
                colours = self.design.node.colours
                queue = tuple(colour_advice(self.design, c, [advice.strand]) for c in colours)
                self.active.overrides = replace(self.active.overrides, queue=queue)
            case "recolour" if good:
                self.go_to("picture")
            case _:
                return self.active.answer(self._event_of(advice, good))
        return ""

    def choose(self, number: int) -> str:
        """Answer that the prop shows one of the choices of the question, from 1.

        Raises:
            InputError: there is no such choice.
        """
        advice = self.advice
        if not 1 <= number <= len(advice.choices):
            raise InputError(f"choose 1 to {len(advice.choices)}, or x for none of these")
        looks = advice.looks
        look = looks[number - 1]
        if look is COUNTED:
            raise InputError("count the dark nodes at the start and at the end of the data")
        if look is OTHER_COLOURS:  # the same light, and another list
            self._list_looks(order_looks(self.design))
            return ""
        agrees = not look.settings
        return self.active.answer(ControllerSeen(agrees, list(look.settings)))

    def is_counted(self, number: int) -> bool:
        """Return True if dark nodes have to be counted for a choice, from 1."""
        looks = self.advice.looks
        return 1 <= number <= len(looks) and looks[number - 1] is COUNTED

    def choose_counted(self, at_start: str, at_end: str) -> None:
        """List the looks of controllers that leave so many nodes dark at the ends of the data.

        Raises:
            InputError: not two numbers, or no first channel leaves so many dark.
        """
        counts = [text.strip() or "0" for text in (at_start, at_end)]
        if not all(text.isascii() and text.isdigit() and len(text) < 7 for text in counts):
            raise InputError("give two numbers of nodes, such as 0 and 10")
        self._list_looks(counted_looks(self.design, int(counts[0]), int(counts[1])))

    def _list_looks(self, looks: tuple[ControllerLook, ...]) -> None:
        advice = controller_advice(self.design, looks)
        assert advice is not None
        self.active.overrides = Overrides(queue=(advice,))

    def _event_of(self, advice: Advice, good: bool) -> SessionEvent:
        """Return the event that answers the question of a step.

        Raises:
            InputError: the question wants a number, or has no such answer.
        """
        match advice.task:
            case "check" if advice.check is not None:
                if good and self.entry.unit == "V":
                    if advice.lit is None and advice.check[1] in self.supplies:
                        return passed_check(advice.check, self.supplies)
                    raise InputError("type the volts that the meter shows, then Enter")
                return CheckMade(*advice.check, good)
            case "glow":
                return FirstLight(good, self.light.level)
            case "colour" if advice.colour is not None and advice.lit is not None:
                lit = advice.lit.text(self.design)
                shown = None if advice.strand is not None or lit == "all" else lit
                return ColourSeen(advice.colour, good, advice.strand, self.light.level, shown)
            case "picture" if advice.lit is not None:
                if good:
                    self.picture.require_all_turns()
                lit = advice.lit.text(self.design)
                return PictureSeen(good, None if lit == "all" else lit)
            case "controller":
                return ControllerSeen(True if good else None)
            case "search":
                low, high = search_of(self.session.state, advice.strand).half
                return PartSeen(low, high, good, advice.strand)
            case "wiggle":
                return Wiggled(advice.end, good)
        raise InputError("the present question has no such answer; ? shows the keys")

    def pass_checks(self) -> str:
        """Record that all due checks before power are right; return a line that confirms it.

        Supply volts are those of the same supply at an earlier unit of the evening, if measured.
        No other figure is recorded: type ohms or volts at their check where they are wanted.

        Raises:
            InputError: no further check is due, or one has failed.
        """
        keys = self.advice.due_checks
        if len(keys) < 2:
            raise InputError("answer this check by itself")
        with self.active.one_key():
            for key in keys:
                self.active.answer(passed_check(key, self.supplies))
        return f"{len(keys)} checks OK"

    def skip(self) -> str:
        """Skip a check, or a reading that cannot be taken, and record that.

        Raises:
            InputError: the present question cannot be skipped.
        """
        advice = self.advice
        if advice.may_skip and advice.lit is not None and advice.probe is not None:
            return self.active.answer(NotTaken(advice.lit.text(self.design), str(advice.probe)))
        if advice.check is None:
            raise InputError("only a check before power can be left out")
        return self.active.answer(CheckMade(*advice.check, None))

    def enter(self, text: str) -> str:
        """Take the content of the entry field; return a line that confirms it.

        Raises:
            InputError: not what the field asks for, or a likely typo.
        """
        if self.advice.task == "soak":
            return self.begin_soak(text)
        if self.advice.task == "read" and self.end_pointing():
            raise InputError(NOT_LIT_YET)
        return self.entry.enter(text)

    def undo(self) -> str:
        """Undo the last key; return what was undone."""
        return self.active.undo()

    def go_to(self, step: StepName) -> None:
        """Take a step now, out of order.

        Raises:
            InputError: there is nothing to do in the step yet.
        """
        if step == "readings":
            probe = parse_probe(self.design.feeds[0].name, self.design)
            self.active.overrides = Overrides(own_reading=(all_lit(self.design), probe))
            return
        self.active.drop_overrides()
        queue = step_questions(step, self.session.state)
        if step == "picture" and not queue:
            raise InputError(
                "nothing to draw: no strand lights wholly, or its nodes have one colour"
            )
        if step == "colours" and not queue:
            raise InputError("no strand lights wholly; repair the dark ones, then see its colours")
        self.active.overrides = Overrides(step=step, queue=tuple(queue))

    def accept_enough(self) -> None:
        """Ask for the sign-off in place of further readings.

        Raises:
            InputError: the evidence is not enough yet.
        """
        if not (enough := self.advice.enough):
            raise InputError("not enough evidence to sign off yet; take the reading")
        self.active.overrides = Overrides(queue=(sign_off_advice(enough),))

    def drop_overrides(self) -> None:
        """Return to the questions of the guidance; pause a soak."""
        self.soak.pause()
        self.active.drop_overrides()

    # -- a soak --------------------------------------------------------------------------------

    def begin_soak(self, text: str = "") -> str:
        """Begin a soak of a given time, or resume a paused one.

        Raises:
            InputError: the time is invalid, or the prop cannot be lit.
        """
        if self.soak.soak is not None:
            self.soak.resume()
            return "the soak continues"
        planned_s = parse_duration_s(text) if text else DEFAULT_SOAK_S
        self.light.light(all_lit(self.design), lower=True)
        self.soak.begin(planned_s, min(DEFAULT_LOOK_INTERVAL_S, planned_s), self.light.level)
        return f"soaking at {self.light.level:.0%}"

    def end_soak(self) -> str:
        """End a soak; return its duration and looks in a line."""
        words = self.soak.end()
        self.active.drop_overrides()
        self.light.dark()
        return words

    def advance_light(self) -> bool:
        """Light the next strand of a parade or turn of a picture when due; return True if it was.

        To be called often.
        """
        is_due = (
            self.parade.advance()
            or self.picture.advance(self.advice)
            or self.touch.advance()
            or self.pointing.advance()
        )
        if is_due:
            self.light_advice()
        return is_due

    def tick(self) -> str:
        """End a soak whose time is over, and pause one while frames do not reach the prop.

        To be called often. Returns a line about the change, else an empty one.
        """
        unreached = self.light.unreached
        if unreached is not None:
            if self.soak.running:
                self._soak_unreached = True
                self.soak.pause()
                return f"the soak pauses: frames do not reach the prop ({unreached})"
        elif self._soak_unreached:
            self._soak_unreached = False
            if not self.light.put_out and self.clock.held is None:
                self.soak.resume()
                return "the soak continues: frames reach the prop again"
        return self.end_soak() if self.soak.is_over else ""

    def flickered(self, where: str) -> str:
        """Record that a strand or node flickered in a soak; return a line that confirms it.

        Raises:
            InputError: the prop has no such strand or node, or no soak is running.
        """
        strand, nodes = parse_strand_or_node(where, self.design)
        self.light.require_visible()
        with self.active.one_key():
            words = self.soak.seen(steady=False)
            self.active.record(MarkMade("all", strand, nodes, "flicker", self.light.level or 1.0))
        return f"{words}, strand {strand}, node {nodes}"

    # -- repairs, notes, the end ---------------------------------------------------------------

    def repair(self, where: str, what: str = "") -> None:
        """Record a repair of a joint or node; on a virtual prop, carry it out."""
        self.pointing.stop()
        self.light.dark()
        self.active.record(RepairDone(where, what))
        if self.virtual is not None:
            was_wrong = self.virtual.repair(where)
            if self.practice is not None:
                self.practice.repaired(where, was_wrong)

    def note(self, text: str) -> None:
        """Record a note."""
        self.active.record(NoteMade(text))

    @property
    def stage(self) -> Stage:
        """The stage of the unit's life."""
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
        self.active.record(StageSet(stage))

    @property
    def last_signer(self) -> str:
        """Name below the last sign-off of the bench, to be offered; empty without any."""
        return strip_control_chars(self.session.shelf.last_signer() or "")

    def sign_off(self, by: str, comment: str = "") -> None:
        """Record who signs the unit off, and take it dark.

        Raises:
            InputError: no name is given.
        """
        if not by.strip():
            raise InputError("a sign-off needs a name")
        self.active.drop_overrides()
        self.active.record(SignedOff(by.strip(), comment.strip()))
        self.light.dark()

    def leave(self) -> None:
        """Take the unit dark before it leaves the bench; pause a soak."""
        self.pointing.stop()
        self.touch.stop()
        self.soak.pause()
        self.light.dark()
        self.session.release_engine()


def _is_same(one: _Basis, other: _Basis) -> bool:
    """Return True if two models would be equal; states and findings are compared by identity."""
    return all(a is b for a, b in zip(one[:4], other[:4], strict=True)) and one[4] == other[4]
