"""One unit under test: the map, what is asked, suspects and readings."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import ClassVar

from textual import events, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Static

from benchtest.diagnosis import Finding
from benchtest.errors import BenchError
from benchtest.session.stand import Stand, probe_words
from benchtest.session.state import Happened
from benchtest.session.view import map_rows
from benchtest.tui.dialogs import AskFor, Question, Tell
from benchtest.tui.panels import Ask, Readings, Suspects, VirtualView, volts_text
from benchtest.tui.prop_map import PropMap
from benchtest.tui.signs import Signs
from benchtest.tui.words import HELP, KEYS, MARKS, TASKS
from benchtest.virtual.observe import Sight

REDRAW_S = 0.1
LOOK_S = 0.3


class BenchScreen(Screen[None]):
    """Asks for what the stand advises; knows how to ask, not what answers mean."""

    AUTO_FOCUS = ""  # keys are for the bench until a digit opens the field
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space,pagedown", "judge(True)", "lights", show=False),
        Binding("x", "judge(False)", "fails", show=False),
        Binding("X", "all_dark", show=False),
        Binding("up", "choose(-1)", show=False),
        Binding("down", "choose(1)", show=False),
        Binding("left", "walk(-1)", show=False),
        Binding("right", "walk(1)", show=False),
        Binding("home", "walk(-100000)", show=False),
        Binding("end", "walk(100000)", show=False),
        Binding("h", "ruler", show=False),
        Binding("v", "meter", show=False),
        Binding("o", "own_reading", show=False),
        Binding("r", "repair(0)", show=False),
        Binding("n", "note", "note"),
        Binding("g", "stage", show=False),
        Binding("u,pageup,ctrl+z", "undo", "undo"),
        Binding("b", "dark", "dark"),
        Binding("f9", "dark", show=False, priority=True),
        Binding("enter", "go_on", show=False),
        Binding("escape", "leave", "shelf"),
        Binding("question_mark,f1", "help", "help"),
    ]

    class Concluded(Message):
        """A finding is there."""

        def __init__(self, about: tuple[Happened, ...], finding: Finding) -> None:
            super().__init__()
            self.about = about
            self.finding = finding

    class Looked(Message):
        """What a virtual prop shows."""

        def __init__(self, sights: list[Sight]) -> None:
            super().__init__()
            self.sights = sights

    class MeterRead(Message):
        """What the virtual prop's meter shows."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    class Failed(Message):
        """Something done away from the keys failed."""

        def __init__(self, words: str) -> None:
            super().__init__()
            self.words = words

    def __init__(self, stand: Stand, signs: Signs) -> None:
        super().__init__()
        self.stand = stand
        self.signs = signs
        self.said = ""
        self.thinking = False

    # -- drawing -------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        yield Static(id="top")
        with Horizontal(id="upper"):
            with Vertical(id="map-box"):
                yield PropMap(self.signs, id="map")
            yield Ask(id="ask")
        with Horizontal(id="lower"):
            yield VirtualView(self.signs, id="seen")
            yield Readings(id="readings")
            yield Suspects(self.signs, id="suspects")
        yield Static(id="bottom")

    def on_mount(self) -> None:
        self.query_one("#map-box").border_title = "prop"
        self.query_one("#ask").border_title = "now"
        self.query_one("#seen").border_title = "what the virtual prop shows"
        self.query_one("#readings").border_title = "readings"
        self.query_one("#suspects").border_title = "suspects"
        self.set_interval(REDRAW_S, self._draw_live)
        if self.stand.virtual is not None:
            self.set_interval(LOOK_S, self.look)
        self.go()

    def on_resize(self) -> None:
        self.call_after_refresh(self._draw_live)

    def _draw_live(self) -> None:
        """What changes by itself: the map while light comes up, and how driving goes."""
        stand = self.stand
        prop_map = self.query_one("#map", PropMap)
        prop_map.show(
            map_rows(
                stand.session.state,
                stand.clock.showing(),
                stand.finding,
                stand.walking,
                prop_map.cells_across,
            )
        )
        status = stand.clock.status()
        where = stand.clock.abilities.where if stand.clock.abilities else ""
        trouble = f"  ! {status.trouble}" if status.trouble else f"  {where}"
        head = f" {stand.session.tag}  {stand.design.name}   lit: {stand.lit_words}"
        self.query_one("#top", Static).update(Content(f"{head}  {trouble}"))

    def draw(self) -> None:
        """Everything that a key may have changed."""
        stand = self.stand
        advice = stand.advice
        ask = self.query_one(Ask)
        leads = probe_words(advice.probe) if advice.probe is not None else ""
        keys = KEYS[advice.task]
        if advice.task == "read" and stand.virtual is not None:
            keys += "\nv reads the virtual meter"
        ask.ask(TASKS[advice.task], advice.says, leads, keys)
        ask.entry.display = advice.task == "read"
        looking = stand.virtual is not None and advice.task in ("look", "walk")
        self.query_one("#seen").display = looking
        self.query_one("#readings").display = not looking
        self._draw_beside("")
        finding = stand.finding
        self.query_one(Suspects).show(finding, self.thinking, self.query_one(Suspects).size.height)
        readings = finding.readings if finding else ()
        lits = [row.reading.lit.text(stand.design) for row in readings]
        if finding is not None or not stand.session.state.readings:
            box = self.query_one(Readings)
            box.show(readings, lits, box.size.height)
        self.query_one("#bottom", Static).update(
            Content(self.said or " ? help   n note   u undo   b dark   Escape shelf")
        )
        if advice.strand is not None:
            self.query_one("#map", PropMap).bring_into_view(advice.strand)
        self._draw_live()

    def _draw_beside(self, text: str) -> None:
        typed = self.stand.typed(text)
        if typed is None:
            self.query_one(Ask).beside("")
            return
        healthy = f"healthy {volts_text(typed.expected_v)} ± {volts_text(typed.sd_v)}"
        off = f"\n{typed.z:+.1f} sd off" if typed.z is not None else ""
        hint = f"  {typed.hint}" if typed.hint else ""
        self.query_one(Ask).beside(healthy + off + hint)

    @work(thread=True, exclusive=True, group="look", exit_on_error=False)
    def look(self) -> None:
        """See what a virtual prop shows, away from the keys."""
        with contextlib.suppress(BenchError):  # one that has ended is told of by what needs it
            self.post_message(self.Looked(self.stand.sights()))

    def on_bench_screen_looked(self, message: Looked) -> None:
        seen = self.query_one(VirtualView)
        seen.show(message.sights, max(2, seen.size.height))

    # -- going on ------------------------------------------------------------------------------

    def go(self) -> None:
        """Light what is advised, think where that is needed, and draw."""
        self._tried(self.stand.light_advice)
        if self.stand.advice.task == "think" and not self.thinking:
            self.thinking = True
            self.think()
        self.draw()

    @work(thread=True, exclusive=True, group="think", exit_on_error=False)
    def think(self) -> None:
        """Work out what the evidence says, away from the keys."""
        try:
            thought = self.stand.think()
        except BenchError as error:
            self.post_message(self.Failed(str(error)))
            return
        except Exception as error:  # whatever it is, the bench goes on and the record stands
            self.post_message(self.Failed(f"cannot work that out: {type(error).__name__}: {error}"))
            return
        finally:
            self.thinking = False
        about, finding = thought
        self.post_message(self.Concluded(tuple(about), finding))

    def on_bench_screen_concluded(self, message: Concluded) -> None:
        self._tried(lambda: self.stand.concluded(message.about, message.finding))
        self.go()

    def on_bench_screen_failed(self, message: Failed) -> None:
        self.say(message.words)
        self.draw()

    def say(self, words: str) -> None:
        """One line at the bottom, until the next key."""
        self.said = f" {words}"

    def _tried(self, act: Callable[[], object]) -> bool:
        """Do something that may be refused; a refusal is said, never thrown."""
        try:
            act()
        except BenchError as error:
            self.say(str(error).splitlines()[0])
            return False
        return True

    def _do(self, act: Callable[[], object]) -> None:
        self.said = ""
        self._tried(act)
        self.go()

    # -- keys ----------------------------------------------------------------------------------

    def on_key(self, event: events.Key) -> None:
        """Typed digits begin a reading; letters mark the walked node; digits choose a suspect."""
        sign, task = event.character or "", self.stand.advice.task
        if task == "read" and sign and sign in "0123456789-.":
            event.stop()
            event.prevent_default()
            self.query_one(Ask).open_entry(sign)
        elif task == "walk" and sign.lower() in MARKS and sign:
            event.stop()
            seen = MARKS[sign.lower()]
            self._do(lambda: self.say(self.stand.mark(seen, onwards=sign.isupper())))
        elif task in ("repair", "sign-off") and sign and sign in "123456789":
            event.stop()
            self.action_repair(int(sign) - 1)

    def on_ask_typing(self, message: Ask.Typing) -> None:
        self._draw_beside(message.text)

    def on_ask_entered(self, message: Ask.Entered) -> None:
        self.said = ""
        if self._tried(lambda: self.stand.take_reading(message.text)):
            self.query_one(Ask).close_entry()
            self.say(f"kept {message.text} V")
            self.go()
        else:
            self.draw()

    def action_judge(self, passed: bool) -> None:
        if self.stand.advice.task == "look":
            self._do(lambda: self.stand.judge(passed))

    def action_all_dark(self) -> None:
        if self.stand.advice.task == "look":
            self._do(self.stand.judge_all_dark)

    def action_choose(self, step: int) -> None:
        if self.stand.advice.task != "done":
            self._do(lambda: self.stand.choose(step))

    def action_walk(self, step: int) -> None:
        if self.stand.advice.task == "walk":
            self._do(lambda: self.stand.walk(step))

    def action_ruler(self) -> None:
        self.said = ""
        self._tried(self.stand.light_ruler)
        self.draw()

    def action_meter(self) -> None:
        self.said = ""
        self.read_meter()

    @work(thread=True, exclusive=True, group="meter", exit_on_error=False)
    def read_meter(self) -> None:
        """Wait for the light, then read; away from the keys."""
        try:
            self.post_message(self.MeterRead(self.stand.meter_reading()))
        except BenchError as error:
            self.post_message(self.Failed(str(error)))

    def on_bench_screen_meter_read(self, message: MeterRead) -> None:
        if self.stand.advice.task == "read":
            self.query_one(Ask).open_entry(message.text)
            self._draw_beside(message.text)

    def action_own_reading(self) -> None:
        if self.stand.advice.task in ("done", "walk"):
            return
        self.app.push_screen(
            AskFor(
                "A reading of your own choice",
                [Question("lit strands", "all"), Question("probe", hint="4A, or foot:4+>4A+")],
            ),
            self._own_asked,
        )

    def _own_asked(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.stand.ask_for(lines[0], lines[1]))

    def action_repair(self, place: int) -> None:
        finding = self.stand.finding
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
            self._do(lambda: self.stand.repair(where, lines[0]))

    def action_note(self) -> None:
        self.app.push_screen(AskFor("A note", [Question("what is worth remembering")]), self._noted)

    def _noted(self, lines: list[str] | None) -> None:
        if lines and lines[0].strip():
            self._do(lambda: self.stand.note(lines[0].strip()))

    def action_stage(self) -> None:
        stages = "bare, soldered, sealed, outdoors or back"
        self.app.push_screen(
            AskFor("Stage of this unit", [Question(stages, self.stand.stage)]), self._staged
        )

    def _staged(self, lines: list[str] | None) -> None:
        if lines:
            self._do(lambda: self.stand.set_stage(lines[0]))

    def action_undo(self) -> None:
        def undo() -> None:
            self.stand.drop_choices()
            self.say(self.stand.undo())

        self._do(undo)

    def action_dark(self) -> None:
        self.said = ""
        self._tried(self.stand.toggle_dark)
        self.draw()

    def action_go_on(self) -> None:
        task = self.stand.advice.task
        if task == "walk":
            self._do(self.stand.end_walk)
        elif task == "sign-off":
            self.app.push_screen(
                AskFor("Sign off", [Question("your name"), Question("comment")]), self._signed
            )

    def _signed(self, lines: list[str] | None) -> None:
        if lines is not None:
            self._do(lambda: self.stand.sign_off(lines[0], lines[1]))

    def action_leave(self) -> None:
        if self.query_one(Ask).entry.has_focus:
            self.query_one(Ask).close_entry()
            return
        if self.stand.own_reading is not None:
            self._do(self.stand.drop_choices)
            return
        self._tried(self.stand.dark)
        self.dismiss(None)

    def action_help(self) -> None:
        self.app.push_screen(Tell("Keys", HELP))
