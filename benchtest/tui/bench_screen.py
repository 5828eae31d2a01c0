"""The screen of one unit on the bench: keys, mouse and presentation clicker."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import ClassVar, Literal, Protocol, TypeVar, runtime_checkable

from textual import events, work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.message import Message

from benchtest.diagnosis import Finding
from benchtest.errors import BenchError
from benchtest.evidence.marks import Seen
from benchtest.session.autopilot import Outcome
from benchtest.session.display.bench_model import BenchModel
from benchtest.session.display.finding_details import FindingDetails, explain_finding
from benchtest.session.guidance.steps import StepName, list_steps
from benchtest.session.log.soak import Progress
from benchtest.session.log.state import LoggedEvent
from benchtest.session.log.unit_target import as_controller, checked_settings
from benchtest.session.practice.reference_run import PracticeRun
from benchtest.session.workbench.prop_light import DriveNotice, drive_notice
from benchtest.session.workbench.reading_entry import PendingReading
from benchtest.session.workbench.source_reader import HeardReading
from benchtest.session.workbench.workbench import NOT_LIT_YET, Workbench
from benchtest.tui.actions import (
    ACTIONS,
    TASKS,
    KeyAction,
    action_name,
    actions_always,
    actions_now,
    bindings,
)
from benchtest.tui.bench_view import BenchView, Driving
from benchtest.tui.close_once import CloseOnceScreen
from benchtest.tui.dialogs import ConfirmDialog, FormDialog, FormLine, KeysDialog, MessageDialog
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.map_panel import PropMap
from benchtest.tui.menus import Choice as ReadingChoice
from benchtest.tui.menus import ReadingsMenu, StepsMenu
from benchtest.tui.prompt_panel import PromptPanel
from benchtest.virtual.observer import Observation
from benchtest.wording import repair_text

REDRAW_S = 0.1
INTERIM_S = 0.15
"""Time that a finding may take before the next reading is asked for without it. After a finding
that took longer, the next reading is asked for at once. [s]"""
LOOK_S = 0.3
DEAF_S = 0.7
"""Keys typed while the program was suspended all come at once, and are no answer. [s]"""
NUMBER_GAP_S = 1.0
"""Longest time between two keys of one number: 0.28 s a key and 1.35 s a decision (Card, Moran,
Newell, Communications of the ACM 23(7), 1980). [s]"""
HEAR_AGAIN_S = 1.0
"""Time until a source without a reading is heard again. [s]"""
BOARD_KEYS = {1: "pagedown", 2: "f5", 3: "pageup"}
"""Keys of a presentation clicker that the program presses for a bridge's yes, no and back."""
WATCH_S = 0.7
"""Interval of looks at the source of readings: unplugged, it is noticed within a second. [s]"""


@dataclass(frozen=True, slots=True)
class DriveAgain:
    """The unit goes dark, and comes back onto the bench at another target or other settings."""

    target: str


Leaving = Literal["shelf", "next"] | DriveAgain
T = TypeVar("T")


@runtime_checkable
class AsksAloud(Protocol):
    """The program, which may speak each question."""

    def ask_aloud(self, question: str) -> None:
        """Speak a question, if the user wants it spoken."""
        ...


class BenchScreen(CloseOnceScreen[Leaving]):
    """Asks what the workbench advises, and shows its model; decides nothing."""

    HAS_UNIT = True
    CSS_PATH = "bench.tcss"
    AUTO_FOCUS = ""  # keys are for the bench until a digit opens the field
    BINDINGS: ClassVar[list[BindingType]] = [*bindings()]

    class WorkDone(Message):
        """Posted by a worker: the step that continues with its result on the screen's thread."""

        def __init__(self, proceed: Callable[[], object]) -> None:
            super().__init__()
            self.proceed = proceed

    def __init__(self, workbench: Workbench, glyphs: ScreenGlyphs) -> None:
        super().__init__()
        self.workbench = workbench
        self.glyphs = glyphs
        self.message = ""
        """Line near the bottom, until the next key."""
        self.thinking = False
        self._foresees = False
        """True while the finding after the looks is worked out, and after that has failed."""
        self._soaked: Progress | None = None
        self._hears = False
        """True while a worker waits for the source's next reading."""
        self._hear_from_s = float("-inf")
        self._unheard = ""
        """Reason that the source gave no reading, until it gives one."""
        self._notice: DriveNotice | None = None
        self._asks_to_light = False
        self._asked = ("", "")
        self._asked_at = self._early_until = float("-inf")
        """Time at which the question was drawn, and the end of the time in which keys belong to a
        number that was begun before it, on the clock of the events. [s]"""

    def compose(self) -> ComposeResult:
        yield BenchView(self.glyphs, id="bench")

    def on_mount(self) -> None:
        self.set_interval(REDRAW_S, self._tick)
        if self.model.is_virtual:
            self.set_interval(LOOK_S, self.look)
        if self.workbench.source.is_instrument:
            self.watch_source()
            self.set_interval(WATCH_S, self.watch_source)
        if left_out := self.workbench.session.left_out:
            self.say(f"Left out: {'; '.join(left_out)}.")
        self.call_after_refresh(self.go)  # a drawing needs to know how wide its panel is

    def on_resize(self) -> None:
        self.call_after_refresh(self.draw)

    @property
    def model(self) -> BenchModel:
        """Everything to show and offer."""
        return self.workbench.model

    @property
    def view(self) -> BenchView:
        """The panels."""
        return self.query_one(BenchView)

    @property
    def is_complete(self) -> bool:
        """True once all panels exist; earlier updates are drawn then."""
        return any(view.is_complete for view in self.query(BenchView))

    # -- drawing -------------------------------------------------------------------------------

    def draw(self) -> None:
        """Draw everything that an event may have changed."""
        if not self.is_complete:
            return
        typed = self.workbench.entry.typed(self.view.prompt.entry.value)
        self.view.show(self.model, typed, self.message, thinking=self.thinking)
        if (asked := (self.model.task, self.model.advice.text)) != self._asked:
            goes_on = asked[0] == self._asked[0] == "parade"  # a strand a second
            self._asked, self._asked_at = asked, Message().time
            if isinstance(self.app, AsksAloud) and not goes_on:
                self.app.ask_aloud(self.model.advice.text)
        self._draw_driving()

    def _draw_driving(self) -> None:
        """Draw what changes without an event; report a new notice of the drive once."""
        clock = self.workbench.clock
        notice = drive_notice(clock.status())
        where, unusual = (clock.info.where, clock.info.unusual) if clock.info else ("", "")
        driving = Driving(
            clock.showing(), where, unusual, notice, clock.held is not None, self.workbench.minutes
        )
        self.view.show_driving(self.model, driving)
        if notice != self._notice:
            self._notice = notice
            if notice is not None:
                self.say(notice.whole)
                self.view.show_message(self.model, self.message)

    def _draw_typed(self, text: str) -> None:
        self.view.show_typed(self.model, text, self.workbench.entry.typed(text))

    def _tick(self) -> None:
        if not self.is_complete:
            return
        self._ask_to_light()
        self._press_keys()
        self._hear_if_wanted()
        if self.workbench.advance_light():
            self.draw()
        self._draw_driving()
        self._draw_soak()

    def _draw_soak(self) -> None:
        """Draw the progress of a soak, and ring when a look is due and at its end."""
        words = ""
        try:
            words = self.workbench.tick()
        except BenchError as error:
            words = str(error)
        soak, before = self.model.soak, self._soaked
        if soak == before and not words:
            return
        self._soaked = soak
        is_due = soak is not None and soak.due and not (before is not None and before.due)
        if words:
            self.say(words)
        if words or is_due:
            self.app.bell()
        if self.model.task == "soak" or words:
            self.draw()

    def _ask_to_light(self) -> None:
        """Ask before lighting after the program was suspended: fingers may be at the prop."""
        why = self.workbench.hold_reason()
        if why is None or self._asks_to_light:
            return
        self._asks_to_light = True
        words = f"Dark: {why}. Are leads and fingers clear of the prop?"
        window = MessageDialog("The prop is dark", words, "any key lights it again", DEAF_S)
        self.app.push_screen(window, self._lit_again)

    def _lit_again(self, _: None) -> None:
        self._asks_to_light = False
        self.workbench.light_again()
        self.draw()

    def put_dark(self) -> None:
        if not self.workbench.light.is_dark:
            self._tried(self.workbench.toggle_dark)
            self.draw()

    def say(self, words: str) -> None:
        """Set the message line, until the next key."""
        self.message = f" {self.glyphs.text(words)}"

    def report(self, words: str) -> None:
        """Show a message line."""
        self.say(words)
        self.draw()

    # -- keys in general -----------------------------------------------------------------------

    def actions_now(self) -> list[KeyAction]:
        """Return the actions of the task at hand."""
        return actions_now(self.model)

    def actions_always(self) -> list[KeyAction]:
        """Return the actions of every task."""
        return actions_always(self.model)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Allow the available actions, by key, by mouse or from the palette."""
        if action not in ACTIONS:
            return True
        if not self.is_on_top:  # a key typed together with the one that left the screen
            return False
        if not self.is_complete and action != "dark":  # or with the one that opened it
            return False
        if self.workbench.clock.held is not None:  # a dialog is about to ask for a key
            return False
        allowed = {action_name(one.action) for one in (*self.actions_now(), *self.actions_always())}
        return action in allowed or (action == "repair" and self.model.finding is not None)

    def on_key(self, event: events.Key) -> None:
        """Begin a reading with a typed digit, or choose a suspect by it."""
        if not (self.is_on_top and self.is_complete):  # it bubbles to the window on top
            return
        if self.workbench.clock.held is not None:
            event.stop()
            return
        char, prompt = event.character or "", self.view.prompt
        if not char:
            return
        if prompt.is_open and (event.key == "enter" or prompt.may_type(char)):
            event.stop()  # it came close behind the key that opened the field
            event.prevent_default()
            prompt.type(char)
        elif self.model.unit and (prompt.may_type(char) or event.key == "enter"):
            if self.workbench.end_pointing():
                event.stop()
                event.prevent_default()
                self.report(NOT_LIT_YET)
            elif self._is_early(event):
                event.stop()
                event.prevent_default()
                self.say("typed before this was asked: look, and type it again")
                self.view.show_message(self.model, self.message)
            elif char in "0123456789-.":
                event.stop()
                event.prevent_default()
                self.workbench.active.note_entry(begun=True)
                prompt.type(char)
        elif prompt.is_open:
            return
        elif self.model.advice.choices and char in "123456789":
            event.stop()
            self.action_pick(int(char))
        elif self.model.task in ("repair", "sign-off") and char in "123456789":
            event.stop()
            self.action_repair(int(char) - 1)

    def _is_early(self, event: events.Key) -> bool:
        """Return True for the keys of a number that was begun before its question was drawn."""
        early = event.time < max(self._asked_at, self._early_until)
        if early:  # the rest of that number comes close behind
            self._early_until = event.time + NUMBER_GAP_S
        return early

    def go(self) -> None:
        """Light what is advised, begin a diagnosis if one is due, and draw."""
        workbench = self.workbench
        if workbench.worker.takes_s > INTERIM_S and self._may_ask_meanwhile:
            workbench.active.ask_meanwhile()
        workbench.touch.ask_wired()
        self._tried(workbench.light_advice)
        if workbench.active.awaits_finding:
            if not self.thinking:
                self.thinking = True
                self.call_after_refresh(self.diagnose)  # the question first: both need Python
            self.set_timer(INTERIM_S, self._ask_meanwhile)
        elif not self._foresees and workbench.worker.may_foresee:
            self._foresees = True
            self.call_after_refresh(self.foresee)
        self.draw()

    @property
    def _may_ask_meanwhile(self) -> bool:
        """False while no question may change by itself."""
        if self.workbench.touch.is_in_use:  # eyes are on the prop
            return False
        is_dark = self.workbench.light.put_out or self.workbench.clock.held is not None
        return self.is_complete and not is_dark  # dark: fingers may be on the prop

    def _ask_meanwhile(self) -> None:
        """Ask for the next reading of the last plan if a finding takes its time."""
        if self._may_ask_meanwhile and self.workbench.active.ask_meanwhile():
            self.go()

    def _do(self, act: Callable[[], object]) -> None:
        """Carry out a key, and show the line that it returns."""
        self.message = self.workbench.active.uncounted = ""
        if self._tried(lambda: self._say_if(act())) or not self.workbench.light.put_out:
            self.go()
        else:
            self.draw()  # a refused key must not light a prop that was made dark

    def _tried(self, act: Callable[[], object]) -> bool:
        """Do something that may be refused; show a refusal, and return False for one."""
        try:
            act()
        except BenchError as error:
            self.say(str(error).splitlines()[0])
            return False
        return True

    def _say_if(self, words: object) -> None:
        if uncounted := self.workbench.active.uncounted:
            self.say(uncounted)
        elif isinstance(words, str) and words:
            self.say(words)

    # -- the entry field -----------------------------------------------------------------------

    def on_prompt_panel_typing(self, message: PromptPanel.Typing) -> None:
        self.workbench.active.note_entry(begun=bool(message.text))
        self._draw_typed(message.text)

    def on_prompt_panel_doubted(self, message: PromptPanel.Doubted) -> None:
        text = self.workbench.entry.meant(message.text)
        self.view.prompt.open_entry(text)
        self._draw_typed(text)

    def action_keep_typed(self) -> None:
        """Enter the number in the field, at a click on its key."""
        prompt = self.view.prompt
        prompt.post_message(PromptPanel.Entered(prompt.entry.value))

    def on_prompt_panel_entered(self, message: PromptPanel.Entered) -> None:
        self.message = self.workbench.active.uncounted = ""
        if self._tried(lambda: self._say_if(self.workbench.enter(message.text))):
            self.view.prompt.close_entry()
            self.go()
        else:
            self.view.prompt.entry.open()
            self.draw()

    def on_prop_map_picked(self, message: PropMap.Picked) -> None:
        """Look at the strand that was clicked or, in a walk along it, light the node."""
        walk, walking = self.workbench.walk, self.model.walking
        if walking is not None and walking.strand == message.strand:
            nodes = self.model.design.strand(message.strand).nodes
            node = self.view.map_panel.scale.node(nodes, message.cell)
            self._do(lambda: walk.move_to(node))
        else:
            self._do(lambda: walk.choose_strand(message.strand))

    # -- decisions, one key each ---------------------------------------------------------------

    def action_yes(self) -> None:
        if self.model.task == "read":  # a clicker takes a reading while both hands hold leads
            self.action_meter()
        else:
            self._do(self.workbench.yes)

    def action_no(self) -> None:
        self._do(self.workbench.no)

    def action_pick(self, number: int) -> None:
        """Choose one of the things that the question lists."""
        if not self.workbench.is_counted(number):
            self._do(lambda: self.workbench.choose(number))
            return
        lines = [
            FormLine("dark nodes in a row at the start of the data", "0"),
            FormLine("dark nodes in a row at its end", "0"),
        ]
        self.app.push_screen(FormDialog("Count the dark nodes", lines), self._counted)

    def _counted(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.choose_counted(lines[0], lines[1]))

    def action_back(self) -> None:
        """Light the node before in a walk; else undo the last key."""
        if self.model.walking is not None and self.model.task == "walk":
            self._do(lambda: self.workbench.walk.follow_data(-1))
        else:
            self._do(self.workbench.undo)

    def action_undo(self) -> None:
        self._do(self.workbench.undo)

    def action_all_dark(self) -> None:
        self._do(self.workbench.walk.judge_all_dark)

    def action_choose(self, step: int) -> None:
        self._do(lambda: self.workbench.walk.choose(step))

    def action_walk(self, step: int) -> None:
        if self.model.task == "parade":
            self._do(lambda: self.workbench.parade.change_pace(step))
        elif self.model.task == "walk":
            self._do(lambda: self.workbench.walk.move(step))
        else:
            self._do(self.workbench.walk.begin_by_hand)

    def action_mark(self, seen: Seen, onwards: bool) -> None:
        self._do(lambda: self.workbench.walk.mark(seen, onwards))

    def action_leave_out(self) -> None:
        self._do(self.workbench.skip)

    def action_brighter(self, step: int) -> None:
        self._do(lambda: self.workbench.brighter(step))

    def action_only(self) -> None:
        self._do_light(self.workbench.light_only)

    def action_ruler(self) -> None:
        self._do_light(self.workbench.light.light_ruler)

    def action_dark(self) -> None:
        self._do_light(self.workbench.toggle_dark)

    def _do_light(self, act: Callable[[], None]) -> None:
        """Carry out a key that changes only the light."""
        self.message = ""
        self._tried(act)
        self.draw()

    def action_end_soak(self) -> None:
        self._do(self.workbench.end_soak)

    def action_pass_checks(self) -> None:
        self._do(self.workbench.pass_checks)

    def action_enough(self) -> None:
        self._do_light(self.workbench.accept_enough)

    def action_go_on(self) -> None:
        """Enter the number in the field, end a walk, begin a soak, or sign off."""
        prompt, task = self.view.prompt, self.model.task
        if prompt.is_open:
            self.post_message(PromptPanel.Entered(prompt.entry.value))
        elif task == "walk":
            self._do(self.workbench.walk.end)
        elif task == "look":
            self._do(self.workbench.parade.begin)
        elif task == "soak":
            self._do(self.workbench.begin_soak)
        elif task == "sign-off":
            signer = self.workbench.last_signer
            self.app.push_screen(
                FormDialog("Sign off", [FormLine("your name", signer), FormLine("comment")]),
                self._signed,
            )

    def action_sign_again(self) -> None:
        """Sign off by the name below the last sign-off of the bench."""
        self._do(lambda: self.workbench.sign_off(self.model.signer))

    def _signed(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.sign_off(lines[0], lines[1]))

    # -- readings ------------------------------------------------------------------------------

    def action_type(self) -> None:
        """Open the field at a click on the digits."""
        self.view.prompt.open_entry()

    def action_point(self) -> None:
        self._do_light(lambda: self._say_if(self.workbench.point()))

    def action_meter(self) -> None:
        self.workbench.end_pointing()
        self.workbench.active.note_entry(begun=True)
        self.report(f"reading the {self.model.source.name} …")
        self.read_meter()

    def _take_source_reading(self, pending: PendingReading) -> None:
        """Record a source's reading, or put it into the field if the user should see it first."""
        entry, self.message = self.workbench.entry, ""
        self.workbench.active.uncounted = ""
        if self.model.source.keeps_at_once:
            if self._tried(lambda: self._say_if(entry.take(pending))):
                self.go()
                return
        elif not self._tried(lambda: entry.hold(pending)):
            self.draw()
            return
        self.draw()
        if entry.holds(pending):
            self.view.prompt.open_entry(pending.text)
            self._draw_typed(pending.text)

    def _press_keys(self) -> None:
        """Press the keys of a presentation clicker for a pedal or button of a bridge."""
        for which in self.workbench.take_pressed():
            if (key := BOARD_KEYS.get(which)) is not None:
                self.app.simulate_key(key)

    def _hear_if_wanted(self) -> None:
        """Hear the source again, unless a window or the entry field is open."""
        is_free = self.is_on_top and not self.view.prompt.is_open and not self._hears
        if is_free and self.workbench.touch.wants_reading and Message().time >= self._hear_from_s:
            self._hears = True
            self.hear_source()

    def _take_heard(self, heard: HeardReading) -> None:
        """Judge what the source shows; ring if it was kept."""
        self._hears, self._unheard = False, ""
        if not (self.is_on_top and self.is_complete) or self.view.prompt.is_open:
            return
        news = self.workbench.touch.hear(heard)
        if news is None:
            return
        if news.words:
            self.say(news.words)
        if news.is_kept:
            self.app.bell()
            self.sound_board()
        self.go()

    def _hear_nothing(self, words: str) -> None:
        """Report once why the source gives no reading, and hear it again later."""
        self._hears, self._hear_from_s = False, Message().time + HEAR_AGAIN_S
        if self.is_complete and self.workbench.touch.skip_wired():
            self.say(words)
            self.go()
        elif words != self._unheard:
            self._unheard = words
            self.report(words)

    def action_own_reading(self) -> None:
        source = self.workbench.source
        questions = [
            FormLine("lit strands", "all"),
            FormLine("probe", source.suggested_probe, hint="4A, or foot:4+>4A+"),
        ]
        self.app.push_screen(
            FormDialog("Your own reading", questions, source.description),
            self._own_asked,
        )

    def _own_asked(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.entry.ask_for(lines[0], lines[1]))

    def action_readings(self, number: int = 0) -> None:
        """List all readings, to take one again or to strike it out."""
        rows = self.workbench.readings.rows()
        self.app.push_screen(ReadingsMenu(rows, self.glyphs, number), self._reading_chosen)

    def _reading_chosen(self, choice: ReadingChoice | None) -> None:
        if choice is None:
            return
        what, number = choice
        if what == "strike":
            self._do(lambda: self.workbench.readings.strike(number))
        else:
            self._do(lambda: self.workbench.readings.take_again(number))

    # -- repairs, notes, stages ----------------------------------------------------------------

    def action_repair(self, place: int) -> None:
        finding = self.model.finding
        if finding is None or place >= len(finding.suspects):
            return
        suspect = finding.suspects[place]
        repair = repair_text(suspect, self.workbench.design)
        done, caution = "reflowed", " Supply off, fan on, eyes protected."
        if suspect.fault == "mapping":
            done, caution = "set as in the prop file", ""
        self.app.push_screen(
            FormDialog(
                f"Log a repair of {suspect.where}",
                [FormLine("what was done", done)],
                f"{repair}.{caution}",
            ),
            lambda lines: self._repaired(suspect.where, lines),
        )

    def _repaired(self, where: str, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.repair(where, lines[0]))
            self._score_practice()

    def _score_practice(self) -> None:
        """Wait for the reference run once all hidden faults of a practice round are repaired."""
        practice = self.workbench.practice
        if practice is not None and practice.newly_finished:
            self.report("all repaired; the tool's own run is still in progress …")
            self.wait_for_reference(practice)

    def _finish_practice(self, practice: PracticeRun, reference: Outcome) -> None:
        self.message = ""
        self._tried(
            lambda: self.app.push_screen(MessageDialog("Practice", practice.finish(reference)))
        )
        self.draw()

    def action_replaced(self) -> None:
        strand = self.model.advice.strand
        self.app.push_screen(
            FormDialog("A node was replaced", [FormLine("node", f"{strand}.1")]),
            self._node_replaced,
        )

    def _node_replaced(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.repair(lines[0].strip(), "replaced"))
            self._score_practice()

    def action_flicker(self) -> None:
        self.app.push_screen(
            FormDialog("Flicker", [FormLine("strand or node", hint="4, or 4.17")]),
            self._flickered,
        )

    def _flickered(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.flickered(lines[0]))

    def action_stray(self) -> None:
        questions = [
            FormLine("strand or node", hint="4, or 4.17"), FormLine("stuck or flicker", "stuck")
        ]  # fmt: skip
        self.app.push_screen(FormDialog("Unwanted light", questions), self._strayed)

    def _strayed(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.walk.mark_stray(lines[0], lines[1]))

    def action_note(self) -> None:
        self.app.push_screen(FormDialog("Note", [FormLine("text")]), self._noted)

    def _noted(self, lines: list[str] | None) -> None:
        if lines and lines[0].strip():
            self._do(lambda: self.workbench.note(lines[0].strip()))

    def action_stage(self) -> None:
        stages = "bare, soldered, sealed, outdoors or back"
        self.app.push_screen(
            FormDialog("Stage of this unit", [FormLine(stages, self.workbench.stage)]), self._staged
        )

    def _staged(self, lines: list[str] | None) -> None:
        if lines:
            self._do(lambda: self.workbench.set_stage(lines[0]))

    def action_driving(self) -> None:
        """Ask for the target and its settings; the unit is driven there from now on."""
        now = self.workbench.session.target or "e131"
        suspect = self.model.advice.suspect
        offered = now if suspect is None else as_controller(now, suspect.where)
        words = (
            "Settings follow the target: universe=12 channel=340 slots=510 packed=true, and "
            "priority=150 sync fps=30 interface=192.0.2.5 keep-alive=0.5."
        )
        lines = [
            FormLine(
                "target: e131:ADDRESS, e131, artnet:ADDRESS, ddp:ADDRESS, serial:PORT", offered
            )
        ]
        self.app.push_screen(
            FormDialog(f"How {self.model.tag} is driven", lines, words), self._drive_again
        )

    def _drive_again(self, lines: list[str] | None) -> None:
        if lines is None:
            return
        advice = self.model.advice
        try:
            target = checked_settings(lines[0], self.workbench.design)
            if advice.suspect is not None and advice.suspect.fault == "mapping":
                self.workbench.repair(advice.suspect.where, f"driven at {target}")
            self.workbench.leave()
        except BenchError as error:
            self.app.push_screen(MessageDialog("That did not work", str(error)))
            return
        self.dismiss(DriveAgain(target))

    def action_why(self) -> None:
        """Show all evidence for and against each suspect."""
        model = self.model
        if model.finding is not None:
            lines = explain_finding(model.finding, model.details, model.state)
            self.app.push_screen(MessageDialog("Why", self.glyphs.text("\n\n".join(lines))))

    def action_plot(self) -> None:
        """Switch from the map to the plot, or back."""
        self.view.is_switched = not self.view.is_switched
        self.draw()

    # -- steps and the way out -----------------------------------------------------------------

    def action_steps(self) -> None:
        lines = list_steps(self.model.state, self.model.finding)
        self.app.push_screen(StepsMenu(lines, self.glyphs), self._step_taken)

    def _step_taken(self, step: StepName | None) -> None:
        if step is not None:
            self._do(lambda: self.workbench.go_to(step))

    def action_leave(self) -> None:
        """Leave the field, or else the user's override, or else the bench."""
        if self.view.prompt.is_open:
            self.view.prompt.close_entry()
            self.workbench.active.note_entry(begun=False)
            self.draw() if self.workbench.light.put_out else self.go()
        elif self.model.is_overridden:
            self._do(self.workbench.drop_overrides)
        else:
            self._tried(self.workbench.leave)
            self.dismiss("shelf")

    def action_next_unit(self) -> None:
        """Continue with the next unit; ask first if this one is not signed off."""
        if self.workbench.practice is not None or self.model.state.signed is not None:
            self._next(True)
            return
        tag = self.model.tag
        words = "It stays on the shelf as it is, and can be resumed at any time."
        ask = ConfirmDialog(
            f"{tag} is not signed off", words, "go to the next unit", f"stay at {tag}"
        )
        self.app.push_screen(ask, self._next)

    def _next(self, wanted: bool | None) -> None:
        if wanted:
            self._tried(self.workbench.leave)
            self.dismiss("next")

    def action_palette(self) -> None:
        self.app.action_command_palette()

    def action_help(self) -> None:
        title = f"Keys that work now, in {TASKS[self.model.task]}"
        self.app.push_screen(
            KeysDialog(title, self.actions_now(), self.actions_always()), self._picked
        )

    def _picked(self, action: str | None) -> None:
        if action is not None:
            self.call_later(self.run_action, action)

    # -- workers -------------------------------------------------------------------------------

    def on_bench_screen_work_done(self, message: WorkDone) -> None:
        message.proceed()

    def _proceed(self, work: Callable[[], T], proceed: Callable[[T], object]) -> None:
        """Do some work in a worker thread, and pass the result to the screen's thread.

        A failure is reported near the bottom of the screen.
        """
        try:
            result = work()
        except BenchError as error:
            self.post_message(self.WorkDone(partial(self._report_failure, str(error))))
        else:
            self.post_message(self.WorkDone(partial(proceed, result)))

    def _report_failure(self, words: str) -> None:
        is_open = self.is_complete and self.view.prompt.is_open
        self.workbench.active.note_entry(begun=is_open)
        self.report(words)

    @work(thread=True, exclusive=True, group="look", exit_on_error=False)
    def look(self) -> None:
        """Look at the virtual prop."""
        with contextlib.suppress(BenchError):  # one that has ended is reported by what needs it
            self.post_message(self.WorkDone(partial(self._show_seen, self.workbench.sights())))

    def _show_seen(self, seen: Sequence[Observation]) -> None:
        if self.is_complete:
            self.view.show_virtual_prop(seen)

    @work(thread=True, exclusive=True, group="source", exit_on_error=False)
    def watch_source(self) -> None:
        """Report a source of readings that was unplugged or plugged in, each once."""
        if words := self.workbench.source.poll():
            self.post_message(self.WorkDone(partial(self.report, words)))

    @work(thread=True, exclusive=True, group="meter", exit_on_error=False)
    def read_meter(self) -> None:
        """Wait for the light, then read the source."""
        self._proceed(self.workbench.source.read, self._take_source_reading)

    @work(thread=True, exclusive=True, group="sound", exit_on_error=False)
    def sound_board(self) -> None:
        """Sound a bridge's buzzer; one that is absent is reported elsewhere."""
        with contextlib.suppress(BenchError):
            self.workbench.sound()

    @work(thread=True, group="hear", exit_on_error=False)
    def hear_source(self) -> None:
        """Wait for what the source shows next."""
        proceed: Callable[[], object]
        try:
            proceed = partial(self._take_heard, self.workbench.source.hear())
        except BenchError as error:
            proceed = partial(self._hear_nothing, str(error).splitlines()[0])
        self.post_message(self.WorkDone(proceed))

    @work(thread=True, exclusive=True, group="tally", exit_on_error=False)
    def wait_for_reference(self, practice: PracticeRun) -> None:
        """Wait for the reference run of the same practice round."""
        self._proceed(practice.reference, partial(self._finish_practice, practice))

    @work(thread=True, exclusive=True, group="think", exit_on_error=False)
    def diagnose(self) -> None:
        """Diagnose the evidence."""
        proceed: Callable[[], object]
        try:
            proceed = partial(self.take_finding, self.workbench.worker.diagnose())
        except BenchError as error:
            proceed = partial(self._report_failure, str(error))
        except Exception as error:  # the bench and the record must survive any failure here
            words = f"the diagnosis failed: {type(error).__name__}: {error}"
            proceed = partial(self._report_failure, words)
        self.thinking = False  # first, so that the result can start the next diagnosis
        self.post_message(self.WorkDone(proceed))

    @work(thread=True, exclusive=True, group="foresee", exit_on_error=False)
    def foresee(self) -> None:
        """Diagnose ahead while the strands are looked at; a failure is reported when it is due."""
        self.workbench.worker.foresee()
        self._foresees = False

    def take_finding(self, diagnosed: tuple[Sequence[LoggedEvent], Finding]) -> None:
        """Take a finding, light what it advises, and have it explained."""
        events, finding = diagnosed
        self._tried(lambda: self.workbench.worker.accept(events, finding))
        if self.workbench.light.put_out:
            self.draw()  # the user may have fingers on the prop
        else:
            self.go()
        if self.model.finding is finding:
            self.explain(finding)

    @work(thread=True, exclusive=True, group="explain", exit_on_error=False)
    def explain(self, finding: Finding) -> None:
        """Work out the details of a finding."""
        with contextlib.suppress(BenchError):
            details = self.workbench.worker.explain(finding)
            self.post_message(self.WorkDone(partial(self._take_details, finding, details)))

    def _take_details(self, finding: Finding, details: FindingDetails) -> None:
        self.workbench.worker.accept_details(finding, details)
        if self.model.preview and not self.workbench.touch.holds_light:
            self.message = ""  # the last reading was saved; the preview is of more interest
        self.draw()
