"""The terminal program: the shelf, and one unit at a time on the bench.

Modules that only the bench needs are imported when a unit is opened, after the shelf is painted.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from textual import events, work
from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType
from textual.command import Provider
from textual.driver import Driver
from textual.notifications import SeverityLevel
from textual.screen import Screen
from textual.scrollbar import ScrollBar, ScrollBarRender
from textual.theme import Theme

from benchtest.drive.signals import exit_within, hold_lights
from benchtest.drive.target import DriveSettings
from benchtest.errors import BenchError
from benchtest.formatting import spoken_text
from benchtest.input_files import printable
from benchtest.operating_system import Voice, share_one_arena, voice_command
from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import LaunchOptions
from benchtest.tui.browser import in_browser
from benchtest.tui.close_once import CloseOnceScreen, Palette
from benchtest.tui.dialogs import ConfirmDialog, FormDialog, FormLine, MessageDialog
from benchtest.tui.glyphs import glyphs_for_terminal
from benchtest.tui.literal_text import Commands
from benchtest.tui.shelf_screen import ShelfScreen

if TYPE_CHECKING:
    from benchtest.comparison.gather import Gathered
    from benchtest.session.practice.reference_run import PracticeRun
    from benchtest.session.session import Session
    from benchtest.tui.bench_screen import Leaving
    from benchtest.tui.compare_screen import CompareScreen

LIGHT, DARK = "bench-light", "bench-dark"
THEMES = (
    Theme(
        DARK, dark=True, primary="#8ea6b8", secondary="#8ea6b8", accent="#f2b84b",
        foreground="#e6eaed", background="#121212", surface="#1a1e22", panel="#262d33",
        success="#7fd18c", warning="#f2b84b", error="#ff8d85",
        variables={
            "ask": "#f2b84b", "ask-text": "#17120a", "ask-field": "#d9a03a",
            "ask-focus": "#fff3d6", "structure": "#8ea6b8", "lead-text": "#ffffff",
            "red-lead": "#b3001b", "black-lead": "#000000", "text-muted": "#a9b4bd",
            "text-success": "#7fd18c", "text-error": "#ff8d85",
        },
    ),
    Theme(
        LIGHT, dark=False, primary="#46606f", secondary="#46606f", accent="#8a5a00",
        foreground="#15191c", background="#fafafa", surface="#eef1f3", panel="#dde3e7",
        success="#176b30", warning="#8a5a00", error="#a80f22",
        variables={
            "ask": "#ffcb57", "ask-text": "#17120a", "ask-field": "#e8b23f",
            "ask-focus": "#fff6df", "structure": "#46606f", "lead-text": "#ffffff",
            "red-lead": "#b3001b", "black-lead": "#000000", "text-muted": "#4c5760",
            "text-success": "#176b30", "text-error": "#a80f22",
        },
    ),
)  # fmt: skip
"""Few colours, each with one meaning: amber is asked now, green passed, red bad or the red lead,
blue-grey structure."""
PracticeAsked = tuple[int | None, int | None]
"""Grade and seed of a practice round, None for the program's choice."""
CHECKPOINT_S, IDLE_S = 2.0, 1.0
"""Interval at which the log of the records is merged into their file, and the time without a write
before that. [s]"""
SEED_COUNT = 100_000
"""Number of seeds that practice chooses from."""


class PlainScrollBar(ScrollBarRender):
    """Scroll bar of whole cells, since eighths of a cell are not ASCII."""

    VERTICAL_BARS: ClassVar[list[str]] = [" "] * len(ScrollBarRender.VERTICAL_BARS)
    HORIZONTAL_BARS: ClassVar[list[str]] = [" "] * len(ScrollBarRender.HORIZONTAL_BARS)


class BenchApp(App[None]):
    """Opens the shelf, puts units on the bench, and leaves the prop dark."""

    CSS_PATH = "app.tcss"
    TITLE = "benchtest"
    COMMAND_PALETTE_BINDING = "ctrl+p"
    COMMANDS: ClassVar[set[type[Provider] | Callable[[], type[Provider]]]] = {Commands}
    # works in any field and dialog: a user who presses Ctrl-C wants the prop dark
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "quit", "end", show=False, priority=True)
    ]

    def __init__(
        self,
        bench: LaunchOptions,
        first_tag: str | None = None,
        practice: PracticeAsked | None = None,
    ) -> None:
        """Make the program.

        Args:
            bench: folder, target, meter and other options.
            first_tag: unit to test at once, with the prop file of the options.
            practice: practice round to begin at once.
        """
        share_one_arena()  # findings run on ever other worker threads
        super().__init__()
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = DARK
        self.bench = bench
        self.first_tag = first_tag
        self.first_practice = practice
        self.glyphs = glyphs_for_terminal()
        self.shelf = Shelf(bench.folder)
        self.on_bench = ExitStack()
        self._session: Session | None = None
        self._ending = False
        self.ends_process = False
        """True if the process ends with this program, so that its exit time can be limited."""
        self._shelf_screen = ShelfScreen(self.shelf, bench.prop_file, self.glyphs)
        command = voice_command() if bench.speaks else None
        self.voice = None if command is None else Voice(command)
        self._answered: str | None = None
        """Target that the user gave for a unit; applies to the following ones."""

    def get_default_screen(self) -> Screen[Any]:
        """Return the shelf: another screen below it would be drawn first."""
        return self._shelf_screen

    def on_mount(self) -> None:
        ascii_only = self.glyphs.border == "ascii"
        self.set_class(ascii_only, "-ascii")
        ScrollBar.renderer = PlainScrollBar if ascii_only else ScrollBarRender
        self.set_interval(CHECKPOINT_S, lambda: self.shelf.checkpoint(IDLE_S))
        if self.bench.resume is not None:
            self.call_after_refresh(self._resume, self.bench.resume)
        if self.first_tag is not None:
            self.call_after_refresh(self._begin_first, self.first_tag)
        if self.first_practice is not None:
            self.call_after_refresh(self.practise, *self.first_practice)

    def _begin_first(self, tag: str) -> None:
        from benchtest.session.session import unfinished_sessions

        assert self.bench.prop_file is not None
        open_tags = {row.tag for row in unfinished_sessions(self.shelf)}
        if tag in open_tags:
            self._choose(tag)
        else:
            self._begin(tag, self.bench.prop_file)

    def _resume(self, session: str) -> None:
        """Resume a session that was on the bench a moment ago, if it is still open."""
        from benchtest.session.session import Session, unfinished_sessions

        try:
            if session not in {row.id for row in unfinished_sessions(self.shelf)}:
                return
            resumed = Session.resume(self.shelf, session)
        except BenchError as error:
            self._say(str(error))
            return
        words = f"{resumed.row.tag} is as you left it, but dark. Leads and fingers clear of it?"
        # a prop never lights without a key: the user may be soldering
        back = MessageDialog("Back at the bench", words, then="any key lights it again")
        self._send_session(session, self.bench.go_on_to)  # the page may be loaded again before that
        self.push_screen(back, lambda _: self._reopen(resumed))

    def _reopen(self, session: Session) -> None:
        """Open a unit at the target of a moment ago; ask for one if none is known."""
        from benchtest.session.log.unit_target import last_target

        # the record has a target only from the first event on that was driven there
        before = self.bench.go_on_to or last_target(self.shelf, session.tag)
        if before is None:
            self._ask_target(session)
        else:
            self._open(session, replace(self.bench, to=before))

    def _send_session(self, session: str = "", target: str | None = None) -> None:
        """Send the web server what is on the bench, in case the page is lost."""
        if in_browser():
            from benchtest.tui.browser.web_driver import BrowserDriver

            assert isinstance(self._driver, BrowserDriver)
            self._driver.send_session(session, target or "")

    def ask_aloud(self, question: str) -> None:
        """Speak a question: by the browser's voice, which may be off, or by the system's."""
        text = spoken_text(question)
        if in_browser():
            from benchtest.tui.browser.web_driver import BrowserDriver

            assert isinstance(self._driver, BrowserDriver)
            self._driver.send_question(text, is_wanted=self.bench.speaks)
        elif self.voice is not None:
            self.voice.speak(text)

    @property
    def _may_open(self) -> bool:
        """True while the shelf is on top; a second key may arrive after it was left."""
        return isinstance(self.screen, ShelfScreen)

    def on_shelf_screen_shown(self) -> None:
        """Make the prop dark whenever the shelf is shown."""
        if not any(isinstance(one, CloseOnceScreen) and one.HAS_UNIT for one in self.screen_stack):
            self.on_bench.close()

    def on_shelf_screen_chosen(self, message: ShelfScreen.Chosen) -> None:
        if self._may_open:
            self._choose(message.tag)

    def on_shelf_screen_new(self, message: ShelfScreen.New) -> None:
        if self._may_open:
            self._begin(message.tag, message.prop_file)

    def on_shelf_screen_compare(self, message: ShelfScreen.Compare) -> None:
        from benchtest.tui.compare_screen import CompareScreen

        if not self._may_open:
            return
        self.push_screen(CompareScreen(message.tag, message.design_name, self.glyphs))

    def on_compare_screen_requested(self, message: CompareScreen.Requested) -> None:
        from benchtest.comparison.gather import gather_tests, gather_units

        try:
            if message.whole_design:
                gathered = gather_units(self.shelf, message.design_name)
            else:
                gathered = gather_tests(self.shelf, message.tag)
        except BenchError as error:
            message.screen.say(str(error))
            return
        self._compare(message, gathered)

    @work(thread=True, exclusive=True, group="compare")
    def _compare(self, message: CompareScreen.Requested, gathered: Gathered) -> None:
        """Run the comparison in a worker and post the result."""
        from benchtest.comparison.gather import compare_batch, compare_unit

        compare = compare_batch if message.whole_design else compare_unit
        try:
            found = compare(gathered)
        except BenchError as error:
            self.call_from_thread(message.screen.say, str(error))
            return
        self.call_from_thread(message.screen.show, found, message.whole_design)

    def _begin(self, tag: str, prop_file: Path) -> None:
        from benchtest.session.workbench.setup import new_session

        try:
            session = new_session(self.shelf, self.bench, tag, prop_file)
        except BenchError as error:
            self._say(str(error))
            return
        self._ask_target(session)

    def _choose(self, tag: str) -> None:
        """Open the unit's unfinished session; ask before a new one of a unit signed off."""
        from benchtest.session.session import last_test, unfinished_sessions

        try:
            unit = self.shelf.unit(tag)
            last = last_test(self.shelf, tag)
            is_open = tag in {row.tag for row in unfinished_sessions(self.shelf)}
        except BenchError as error:
            self._say(str(error))
            return
        if unit.retired:
            self._say(f"{tag} is retired. Press x on the shelf to bring it back, then test it.")
        elif last is None or is_open:
            self._test(tag)
        else:
            signed = last[1].signed
            by = "" if signed is None else f" by {printable(signed.by)}"
            words = "Its record stays. A new test begins without marks and readings."
            ask = ConfirmDialog(f"{tag} was signed off{by}", words, "begin a new test")
            self.push_screen(ask, lambda again: self._test(tag) if again else None)

    def _test(self, tag: str) -> None:
        """Put a unit of the shelf on the bench."""
        from benchtest.session.workbench.setup import session_of

        try:
            session = session_of(self.shelf, tag, self.bench.meter)
        except BenchError as error:
            self._say(str(error))
            return
        self._ask_target(session)

    def _ask_target(self, session: Session) -> None:
        """Put a unit on the bench; ask for its target if that is not certain."""
        from benchtest.session.log.unit_target import target_question, with_last_settings

        wanted = self.bench.to or self._answered
        try:
            ask = target_question(self.shelf, session.tag, self.bench.to, self._answered)
            if wanted is not None:
                wanted = with_last_settings(self.shelf, session.tag, wanted)
        except BenchError as error:
            self._say(str(error))
            return
        if ask is None:
            self._open(session, replace(self.bench, to=wanted))
            return
        forms = "target: e131:ADDRESS, e131, artnet:ADDRESS, ddp:ADDRESS, serial:PORT or virtual"
        line = FormLine(forms, ask.offered)
        self.push_screen(
            FormDialog(ask.title, [line], ask.words),
            lambda lines: self._target_given(session, lines),
        )

    def _target_given(self, session: Session, lines: list[str] | None) -> None:
        from benchtest.session.log.unit_target import checked_target, has_no_place

        if lines is None:
            return
        try:
            target = checked_target(lines[0])
        except BenchError as error:
            self._say(str(error))
            return
        if self.bench.to is None and has_no_place(target):
            self._answered = target  # a place in a universe is of one unit
        self._open(session, replace(self.bench, to=target))

    def on_shelf_screen_practice(self) -> None:
        if self._may_open:
            self.practise()

    def practise(self, grade: int | None = None, seed: int | None = None) -> None:
        """Begin a practice round, by default at the next grade with a random seed."""
        from benchtest.session.practice.reference_run import PracticeRun
        from benchtest.session.practice.rounds import (
            begin_round,
            next_grade,
            open_practice,
            read_tallies,
        )

        try:
            shelf = self.on_bench.enter_context(open_practice(self.bench))
            grade = grade or next_grade(read_tallies(shelf))
            seed = random.randrange(SEED_COUNT) if seed is None else seed
            session, bench, round_ = begin_round(shelf, self.bench, grade, seed)
        except BenchError as error:
            self.on_bench.close()
            self._say(str(error))
            return
        practising = PracticeRun(session, round_)
        self.on_bench.callback(practising.stop)
        self._open(session, bench, practising)

    def _open(
        self,
        session: Session,
        bench: LaunchOptions | None = None,
        practice: PracticeRun | None = None,
    ) -> None:
        from benchtest.session.workbench.setup import collect_garbage, open_bench
        from benchtest.tui.bench_screen import BenchScreen

        self._session = None
        _forget_drawn_widgets()
        collect_garbage()
        try:
            workbench = self.on_bench.enter_context(open_bench(session, bench or self.bench))
        except BenchError as error:
            self.on_bench.close()
            self._say(str(error))
            return
        workbench.practice = practice
        self._session = None if practice is not None else session
        if practice is None:
            self._shelf_screen.at = session.tag
            self._send_session(session.row.id, session.target)
        else:
            self._send_session()
        self.push_screen(BenchScreen(workbench, self.glyphs), self._put_back)

    def _drive_again(self, session: Session, target: str) -> None:
        """Put the unit back on the bench at another target or with other settings."""
        from benchtest.session.session import Session

        bench = replace(self.bench, to=target, settings=DriveSettings())
        try:
            self._open(Session.resume(self.shelf, session.row.id), bench)
        except BenchError as error:
            self._say(str(error))

    def _put_back(self, leaving: Leaving | None) -> None:
        from benchtest.tui.bench_screen import DriveAgain

        self.on_bench.close()
        self._send_session()
        if isinstance(leaving, DriveAgain):
            if (session := self._session) is not None:
                self._drive_again(session, leaving.target)
        elif leaving == "next" and self._session is not None:
            self._open_next(self._session)
        elif leaving == "next":
            self.practise()

    def _open_next(self, session: Session) -> None:
        """Open the next unfinished unit of the design; ask before a new one."""
        from benchtest.session.workbench.setup import free_tag, next_unfinished_unit

        try:
            following = next_unfinished_unit(self.shelf, session.tag, session.design.name)
            new = free_tag(self.shelf, session.tag)
        except BenchError as error:
            self._say(str(error))
            return
        if following is not None:
            self._test(following)
            return
        words = "All others are signed off or retired. Enter begins a test of a new one."
        title = f"No other {session.design.name} to test"
        ask = FormDialog(title, [FormLine("tag of the new unit", new)], words)
        self.push_screen(ask, lambda lines: self._next_given(session, lines))

    def _next_given(self, session: Session, lines: list[str] | None) -> None:
        from benchtest.session.session import Session

        if lines is None:
            return
        text, meter = session.row.design_text, self.bench.meter
        try:
            following = Session.start(self.shelf, text, lines[0].strip(), meter)
        except BenchError as error:
            self._say(str(error))
            return
        self._ask_target(following)

    def action_command_palette(self) -> None:
        if not isinstance(self.screen, Palette):
            self.push_screen(Palette(id="--command-palette"))

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """Yield the actions available now, for the palette."""
        from benchtest.tui.bench_screen import BenchScreen

        if isinstance(screen, BenchScreen):
            for one in (*screen.actions_now(), *screen.actions_always()):
                if one.label and one.action != "palette":
                    act = partial(screen.run_action, one.action)
                    yield SystemCommand(_title(one.label), f"key {one.keys}", act)
        if isinstance(screen, ShelfScreen):
            yield SystemCommand("New test", "of a unit; key n", screen.action_new)
            yield SystemCommand("Practice", "on hidden faults; key p", screen.action_practice)
            yield SystemCommand("Test the unit at the cursor", "key Enter", screen.action_choose)
            yield SystemCommand("Compare its tests", "key c", screen.action_compare)
            yield SystemCommand("Rename the unit at the cursor", "key r", screen.action_rename)
            text = "or bring it back; key x"
            yield SystemCommand("Retire the unit at the cursor", text, screen.action_retire)
        yield SystemCommand("Switch light/dark theme", "light for daylight", self.toggle_theme)
        yield SystemCommand("End", "the prop goes dark; the record stays", self.action_quit)

    def toggle_theme(self) -> None:
        """Switch between the light theme, for daylight, and the dark one."""
        light = self.current_theme.dark
        self.theme = LIGHT if light else DARK

    def notify(
        self,
        message: str,
        *,
        title: str = "",
        severity: SeverityLevel = "information",
        timeout: float | None = None,
        markup: bool = False,
    ) -> None:
        """Show a notification with literal text."""
        super().notify(message, title=title, severity=severity, timeout=timeout, markup=False)

    def _say(self, words: str) -> None:
        """Show why something failed, in full: a prop file may have many faults."""
        self.push_screen(MessageDialog("That did not work", words))

    def get_driver_class(self) -> type[Driver]:
        """Return the driver for a browser or for this terminal."""
        if sys.platform != "win32" and not in_browser():
            from benchtest.tui.terminal_driver import TerminalDriver

            return TerminalDriver
        return super().get_driver_class()

    async def on_event(self, event: events.Event) -> None:
        """Ignore keys once the program is ending, since their screen may be gone."""
        if not (self._ending and isinstance(event, events.InputEvent)):
            await super().on_event(event)

    def exit(self, *words: Any, **named: Any) -> None:
        """End the program."""
        self._ending = True
        super().exit(*words, **named)

    def on_exit_app(self) -> None:
        """Make the prop dark first, since workers may take time to end."""
        self._ending = True
        hold_lights("the program is ending")
        if self.ends_process:
            exit_within(self._return_code or 0)

    async def run_async(self, *words: Any, **named: Any) -> None:
        """Run as the library does, and close everything before it waits for workers."""
        try:
            await super().run_async(*words, **named)
        finally:
            self.end()

    def _fatal_error(self) -> None:
        """End without the library's traceback: `run_app` raises the exception."""
        self._close_messages_no_wait()

    def end(self) -> None:
        """Make the prop dark and close the records."""
        if self.voice is not None:
            self.voice.stop()
        self.on_bench.close()
        self.shelf.close()


def _title(text: str) -> str:
    return text[:1].upper() + text[1:]


def _forget_drawn_widgets() -> None:
    """Let go of the rows that widgets of earlier screens have drawn.

    A cache of Textual's is kept for each method, not for each widget: it holds all that widgets
    drew, of up to a thousand of them, long after they are gone.
    """
    from textual._styles_cache import StylesCache

    forget = getattr(StylesCache.get_inner_outer, "cache_clear", None)
    if forget is not None:
        forget()


def run_app(
    bench: LaunchOptions, first_tag: str | None = None, practice: PracticeAsked | None = None
) -> None:
    """Run the terminal program until the user ends it.

    Raises:
        BenchError: the bench folder cannot be used.
        Exception: any unexpected error, after the prop is dark and the records are closed.
    """
    app = BenchApp(bench, first_tag, practice)
    app.ends_process = True
    try:
        app.run()
    finally:
        app.end()
    if app._exception is not None:  # the library would print it and return normally
        raise app._exception
