"""One unit under test, at the keys, the mouse and a presentation clicker."""

from __future__ import annotations

from typing import ClassVar

from textual import events, work
from textual.binding import BindingType

from benchtest.errors import BenchError
from benchtest.evidence.marks import Seen
from benchtest.session.display.finding_details import why_words
from benchtest.session.display.map_model import node_of_cell
from benchtest.session.guidance.steps import StepName, steps
from benchtest.session.practice.reference_run import PracticeRun
from benchtest.tui.actions import ACTIONS, bindings, name_of
from benchtest.tui.bench_view import BenchView
from benchtest.tui.dialogs import AskFor, Confirm, KeysNow, Question, Tell
from benchtest.tui.map_panel import MapBox
from benchtest.tui.panels import Ask
from benchtest.tui.prop_map import PropMap
from benchtest.tui.readings_menu import Choice as ReadingChoice
from benchtest.tui.readings_menu import ReadingsMenu
from benchtest.tui.steps_menu import StepsMenu
from benchtest.tui.words import TASKS


class BenchScreen(BenchView):
    """Asks for what the workbench advises; knows how to ask, not what answers mean."""

    AUTO_FOCUS = ""  # keys are for the bench until a digit opens the field
    BINDINGS: ClassVar[list[BindingType]] = [*bindings()]

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only what can be done now is done, whether by key, by mouse or from the palette."""
        if action not in ACTIONS:
            return True
        if not self.is_on_top:  # a key that was typed together with the one that left it
            return False
        if not self.is_complete and action != "dark":  # or with the one that opened it
            return False
        if self.workbench.clock.held is not None:  # a window is about to ask for a key
            return False
        return action in {name_of(d.action) for d in (*self.deeds_now(), *self.deeds_always())} or (
            action == "repair" and self.workbench.finding is not None
        )

    def on_key(self, event: events.Key) -> None:
        """Typed digits begin a reading, or choose a suspect."""
        if not (self.is_on_top and self.is_complete):  # it bubbles to the window on top
            return
        if self.workbench.clock.held is not None:
            event.stop()
            return
        sign, task = event.character or "", self.workbench.advice.task
        if not sign:
            return
        if self.workbench.entry.unit and sign in "0123456789-.":
            event.stop()
            event.prevent_default()
            self.workbench.active.note_entry(begun=True)
            self.query_one(Ask).type(sign)
        elif self.query_one(Ask).is_open:
            return
        elif task in ("repair", "sign-off") and sign in "123456789":
            event.stop()
            self.action_repair(int(sign) - 1)

    def on_ask_typing(self, message: Ask.Typing) -> None:
        self.workbench.active.note_entry(begun=bool(message.text))
        self._draw_typed(message.text)

    def on_ask_doubted(self, message: Ask.Doubted) -> None:
        text = self.workbench.entry.meant(message.text)
        self.query_one(Ask).open_entry(text)
        self._draw_typed(text)

    def action_keep_typed(self) -> None:
        """A click on what Enter does."""
        ask = self.query_one(Ask)
        ask.post_message(Ask.Entered(ask.entry.value))

    def on_ask_entered(self, message: Ask.Entered) -> None:
        self.said = ""
        if self._tried(lambda: self._say_if(self.workbench.enter(message.text))):
            self.query_one(Ask).close_entry()
            self.go()
        else:
            self.draw()

    def on_prop_map_picked(self, message: PropMap.Picked) -> None:
        """A click on the map: the strand to look at or, in a walk, the node to light."""
        workbench = self.workbench
        walking = workbench.active.overrides.walking
        if walking is not None and walking.strand == message.strand:
            nodes = workbench.design.strand(message.strand).nodes
            width = self.query_one(MapBox).map.cells_across
            node = node_of_cell(nodes, message.cell, width)
            self._do(lambda: workbench.walk.move_to(node))
        else:
            self._do(lambda: workbench.walk.choose_strand(message.strand))

    # -- one key a decision --------------------------------------------------------------------

    def action_yes(self) -> None:
        if (
            self.workbench.advice.task == "read"
        ):  # a clicker takes a reading while both hands hold leads
            self.action_meter()
        else:
            self._do(self.workbench.yes)

    def action_no(self) -> None:
        self._do(self.workbench.no)

    def action_back(self) -> None:
        """A step back: the node before in a walk, else the last decision undone."""
        if (
            self.workbench.active.overrides.walking is not None
            and self.workbench.advice.task == "walk"
        ):
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
        if self.workbench.advice.task == "walk":
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
        self.said = ""
        self._tried(self.workbench.light_only)
        self.draw()

    def action_ruler(self) -> None:
        self.said = ""
        self._tried(self.workbench.light.light_ruler)
        self.draw()

    def action_dark(self) -> None:
        self.said = ""
        self._tried(self.workbench.toggle_dark)
        self.draw()

    def action_end_soak(self) -> None:
        self._do(self.workbench.end_soak)

    def action_go_on(self) -> None:
        """Enter: what stands in the field, done with a walk, begin a soak, sign off."""
        task = self.workbench.advice.task
        ask = self.query_one(Ask)
        if ask.is_open:
            self.post_message(Ask.Entered(ask.entry.value))
        elif task == "walk":
            self._do(self.workbench.walk.end)
        elif task == "soak":
            self._do(self.workbench.begin_soak)
        elif task == "sign-off":
            self.app.push_screen(
                AskFor("Sign off", [Question("your name"), Question("comment")]), self._signed
            )

    def _signed(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.sign_off(lines[0], lines[1]))

    # -- readings ------------------------------------------------------------------------------

    def action_type(self) -> None:
        """A click on the digits: the field opens."""
        self.query_one(Ask).open_entry()

    def action_meter(self) -> None:
        self.workbench.active.note_entry(begun=True)
        self.say(f"reading the {self.workbench.source.name} …")
        self.draw()
        self.read_meter()

    @work(thread=True, exclusive=True, group="meter", exit_on_error=False)
    def read_meter(self) -> None:
        """Wait for the light, then read; away from the keys."""
        try:
            self.post_message(self.MeterRead(self.workbench.source.read()))
        except BenchError as error:
            self.post_message(self.Failed(str(error)))

    def on_bench_view_meter_read(self, message: BenchView.MeterRead) -> None:
        """Keep it, or put it into the field where somebody should look at it first."""
        read, self.said = message.read, ""
        if self.workbench.source.keeps_at_once:
            if self._tried(lambda: self._say_if(self.workbench.entry.take(read))):
                self.go()
                return
        elif not self._tried(lambda: self.workbench.entry.hold(read)):
            self.draw()
            return
        self.draw()
        if self.workbench.entry.holds(read):
            self.query_one(Ask).open_entry(read.text)
            self._draw_typed(read.text)

    def action_own_reading(self) -> None:
        self.app.push_screen(
            AskFor(
                "A reading of your own choice",
                [
                    Question("lit strands", "all"),
                    Question(
                        "probe", self.workbench.source.suggested_probe, hint="4A, or foot:4+>4A+"
                    ),
                ],
                self.workbench.source.description,
            ),
            self._own_asked,
        )

    def _own_asked(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.entry.ask_for(lines[0], lines[1]))

    def action_readings(self, number: int = 0) -> None:
        """All readings, to take one again or to strike it out."""
        rows = self.workbench.readings.rows()
        self.app.push_screen(ReadingsMenu(rows, self.signs, number), self._reading_chosen)

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
        finding = self.workbench.finding
        if finding is None or place >= len(finding.suspects):
            return
        suspect = finding.suspects[place]
        self.app.push_screen(
            AskFor(
                f"Log a repair of {suspect.where}",
                [Question("what was done", "reflowed")],
                f"{suspect.repair}. Supply off, fan on, eyes protected.",
            ),
            lambda lines: self._repaired(suspect.where, lines),
        )

    def _repaired(self, where: str, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.repair(where, lines[0]))
            self._tell_practice()

    def _tell_practice(self) -> None:
        """Once all is mended in a round of practice, say how it went."""
        if self.workbench.practice is not None and self.workbench.practice.to_be_told:
            self.say("all mended; the tool itself is still at it …")
            self.draw()
            self.tally(self.workbench.practice)

    @work(thread=True, exclusive=True, group="tally", exit_on_error=False)
    def tally(self, practice: PracticeRun) -> None:
        """Wait for the tool's own go at the same unit."""
        try:
            self.post_message(self.Tallied(practice.own()))
        except BenchError as error:
            self.post_message(self.Failed(str(error)))

    def on_bench_view_tallied(self, message: BenchView.Tallied) -> None:
        practice = self.workbench.practice
        if practice is not None:
            self.said = ""
            self._tried(
                lambda: self.app.push_screen(Tell("Practice", practice.finish(message.own)))
            )
            self.draw()

    def action_replaced(self) -> None:
        strand = self.workbench.advice.strand
        self.app.push_screen(
            AskFor("A node was replaced", [Question("which", f"{strand}.1")]), self._node_replaced
        )

    def _node_replaced(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.repair(lines[0].strip(), "replaced"))
            self._tell_practice()

    def action_flicker(self) -> None:
        self.app.push_screen(
            AskFor("What flickered", [Question("strand, or node", hint="4, or 4.17")]),
            self._flickered,
        )

    def _flickered(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.flickered(lines[0]))

    def action_stray(self) -> None:
        questions = [
            Question("strand, or node", hint="4, or 4.17"), Question("stuck or flicker", "stuck")
        ]  # fmt: skip
        self.app.push_screen(AskFor("Light where none should be", questions), self._strayed)

    def _strayed(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.workbench.walk.mark_stray(lines[0], lines[1]))

    def action_note(self) -> None:
        self.app.push_screen(AskFor("A note", [Question("what is worth remembering")]), self._noted)

    def _noted(self, lines: list[str] | None) -> None:
        if lines and lines[0].strip():
            self._do(lambda: self.workbench.note(lines[0].strip()))

    def action_stage(self) -> None:
        stages = "bare, soldered, sealed, outdoors or back"
        self.app.push_screen(
            AskFor("Stage of this unit", [Question(stages, self.workbench.stage)]), self._staged
        )

    def _staged(self, lines: list[str] | None) -> None:
        if lines:
            self._do(lambda: self.workbench.set_stage(lines[0]))

    def action_why(self) -> None:
        """All that speaks for and against each suspect."""
        finding = self.workbench.finding
        if finding is not None:
            lines = why_words(finding, self.workbench.worker.details, self.workbench.session.state)
            self.app.push_screen(Tell("Why", self.signs.words("\n\n".join(lines))))

    def action_plot(self) -> None:
        """The plot instead of the map, or the map again."""
        self.turned = not self.turned
        self.draw()

    # -- where to ------------------------------------------------------------------------------

    def action_steps(self) -> None:
        lines = steps(self.workbench.session.state, self.workbench.finding)
        self.app.push_screen(StepsMenu(lines, self.signs), self._step_taken)

    def _step_taken(self, step: StepName | None) -> None:
        if step is not None:
            self._do(lambda: self.workbench.go_to(step))

    def action_leave(self) -> None:
        """Out of the field; else out of what was chosen; else back to the shelf."""
        if self.query_one(Ask).is_open:
            self.query_one(Ask).close_entry()
            self.workbench.active.note_entry(begun=False)
            self.draw() if self.workbench.light.put_out else self.go()
        elif self.workbench.active.overrides.any:
            self._do(self.workbench.drop_overrides)
        else:
            self._tried(self.workbench.leave)
            self.dismiss("shelf")

    def action_next_unit(self) -> None:
        """On to the next unit; a unit that nobody signed off is not left unasked."""
        if self.workbench.practice is not None or self.workbench.session.state.signed is not None:
            self._next(True)
            return
        tag = self.workbench.session.tag
        words = "It stays on the shelf as it is, and can be gone on with at any time."
        ask = Confirm(f"{tag} is not signed off", words, "goes to the next unit", f"stays at {tag}")
        self.app.push_screen(ask, self._next)

    def _next(self, wanted: bool | None) -> None:
        if wanted:
            self._tried(self.workbench.leave)
            self.dismiss("next")

    def action_palette(self) -> None:
        self.app.action_command_palette()

    def action_help(self) -> None:
        title = f"Keys that work right now, in {TASKS[self.workbench.advice.task]}"
        self.app.push_screen(KeysNow(title, self.deeds_now(), self.deeds_always()), self._picked)

    def _picked(self, action: str | None) -> None:
        if action is not None:
            self.call_later(self.run_action, action)
