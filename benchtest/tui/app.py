"""The terminal program: the shelf, and one unit at a time on the bench.

What only the bench needs is imported where a unit is brought onto it: the shelf is painted before.
"""

from __future__ import annotations

import secrets
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

from benchtest.drive.signals import exit_within, hold_lights
from benchtest.errors import BenchError
from benchtest.input_files import printable
from benchtest.records.shelf import Shelf
from benchtest.session.launch_options import Bench
from benchtest.tui.browser import in_browser
from benchtest.tui.close_once import OnceScreen, Palette
from benchtest.tui.dialogs import AskFor, Confirm, Question, Tell
from benchtest.tui.glyphs import signs_for_terminal
from benchtest.tui.literal_text import Commands
from benchtest.tui.shelf_screen import ShelfScreen

if TYPE_CHECKING:
    from benchtest.session.comparison import Gathered
    from benchtest.session.practice.reference_run import PracticeRun
    from benchtest.session.session import Session
    from benchtest.tui.bench_screen import Leaving
    from benchtest.tui.compare_screen import CompareScreen

PracticeAsked = tuple[int | None, int | None]
"""Grade and seed of a round of practice, where they are asked for."""
REST_S, QUIET_S = 2.0, 1.0
"""Interval at which the records are brought up to date, and how long they must have been at rest.
[s]"""
SEEDS = 100_000
"""Units that practice chooses from."""


class PlainScrollBar(ScrollBarRender):
    """Whole cells alone: the eighths of a cell are no ASCII."""

    VERTICAL_BARS: ClassVar[list[str]] = [" "] * len(ScrollBarRender.VERTICAL_BARS)
    HORIZONTAL_BARS: ClassVar[list[str]] = [" "] * len(ScrollBarRender.HORIZONTAL_BARS)


class BenchApp(App[None]):
    """Opens the shelf, brings units onto the bench, and leaves the prop dark."""

    CSS_PATH = "bench.tcss"
    TITLE = "benchtest"
    COMMAND_PALETTE_BINDING = "ctrl+p"
    COMMANDS: ClassVar[set[type[Provider] | Callable[[], type[Provider]]]] = {Commands}
    # from any field and dialog: a hand that reaches for Ctrl-C wants the prop dark
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "quit", "end", show=False, priority=True)
    ]

    def __init__(
        self,
        bench: Bench,
        first_tag: str | None = None,
        practice: PracticeAsked | None = None,
    ) -> None:
        """Make the program.

        Args:
            bench: what it was started with.
            first_tag: unit to begin or go on with at once, where its prop file is named.
            practice: a round of practice to begin with at once.
        """
        super().__init__()
        self.bench = bench
        self.first_tag = first_tag
        self.first_practice = practice
        self.signs = signs_for_terminal()
        self.shelf = Shelf(bench.folder)
        self.on_bench = ExitStack()
        self._session: Session | None = None
        self._ending = False
        self.ends_process = False
        """The process ends with this program, so that its end can be bounded in time."""
        self._shelf_screen = ShelfScreen(self.shelf, bench.prop_file)
        self._answered: str | None = None
        """Target that was answered for a unit; holds for the next ones."""

    def on_mount(self) -> None:
        ascii_only = self.signs.border == "ascii"
        self.set_class(ascii_only, "-ascii")
        ScrollBar.renderer = PlainScrollBar if ascii_only else ScrollBarRender
        self.set_interval(REST_S, lambda: self.shelf.checkpoint(QUIET_S))
        self.push_screen(self._shelf_screen)
        if self.bench.go_on is not None:
            self.call_after_refresh(self._go_on_with, self.bench.go_on)
        if self.first_tag is not None:
            self.call_after_refresh(self._begin_first, self.first_tag)
        if self.first_practice is not None:
            self.call_after_refresh(self.practise, *self.first_practice)

    def _begin_first(self, tag: str) -> None:
        from benchtest.session.session import unfinished

        assert self.bench.prop_file is not None
        open_tags = {row.tag for row in unfinished(self.shelf)}
        if tag in open_tags:
            self._go_on(tag)
        else:
            self._begin(tag, self.bench.prop_file)

    def _go_on_with(self, session: str) -> None:
        """A session that was on the bench a moment ago, where it is still open."""
        from benchtest.session.session import Session, unfinished

        try:
            if session not in {row.id for row in unfinished(self.shelf)}:
                return
            resumed = Session.resume(self.shelf, session)
        except BenchError as error:
            self._say(str(error))
            return
        words = f"{resumed.row.tag} is as you left it, and dark. Are leads and fingers clear of it?"
        # nothing ever lights by itself: whoever comes back may hold an iron
        back = Tell("Back at the bench", words, then="any key lights it again")
        self.push_screen(back, lambda _: self._open_again(resumed))

    def _open_again(self, session: Session) -> None:
        """Light a unit where it was driven a moment ago; ask where the record does not say."""
        from benchtest.session.log.unit_target import last_target

        before = last_target(self.shelf, session.tag)
        if before is None:
            self._ask_target(session)
        else:
            self._open(session, replace(self.bench, to=before))

    def _tell_browser(self, session: str) -> None:
        """Which session is on the bench, should this page be lost."""
        if in_browser():
            from benchtest.tui.browser.web_driver import BrowserDriver

            assert isinstance(self._driver, BrowserDriver)
            self._driver.tell_session(session)

    @property
    def _takes_a_unit(self) -> bool:
        """Return True while the shelf is on top; a second key may arrive after it was left."""
        return isinstance(self.screen, ShelfScreen)

    def on_shelf_screen_shown(self) -> None:
        """Take the prop dark, however the shelf came to be shown."""
        if not any(isinstance(one, OnceScreen) and one.HAS_UNIT for one in self.screen_stack):
            self.on_bench.close()

    def on_shelf_screen_chosen(self, message: ShelfScreen.Chosen) -> None:
        if self._takes_a_unit:
            self._go_on(message.tag)

    def on_shelf_screen_new(self, message: ShelfScreen.New) -> None:
        if self._takes_a_unit:
            self._begin(message.tag, message.prop_file)

    def on_shelf_screen_compare(self, message: ShelfScreen.Compare) -> None:
        from benchtest.tui.compare_screen import CompareScreen

        if not self._takes_a_unit:
            return
        self.push_screen(CompareScreen(message.tag, message.design_name, self.signs))

    def on_compare_screen_asked(self, message: CompareScreen.Asked) -> None:
        from benchtest.session.comparison import gather_tests, gather_units

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
    def _compare(self, message: CompareScreen.Asked, gathered: Gathered) -> None:
        """Weigh it beside the screen, and hand over what came of it."""
        from benchtest.session.comparison import compare_batch, compare_unit

        weigh = compare_batch if message.whole_design else compare_unit
        try:
            found = weigh(gathered)
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

    def _go_on(self, tag: str) -> None:
        """The unit's open session; a new one of a unit that was signed off only once asked."""
        from benchtest.session.session import last_test, unfinished

        try:
            unit = self.shelf.unit(tag)
            last = last_test(self.shelf, tag)
            is_open = tag in {row.tag for row in unfinished(self.shelf)}
        except BenchError as error:
            self._say(str(error))
            return
        if unit.retired:
            self._say(f"{tag} is retired. Press x on the shelf to bring it back, then test it.")
        elif last is None or is_open:
            self._take(tag)
        else:
            signed = last[1].signed
            by = "" if signed is None else f" by {printable(signed.by)}"
            words = "Its record stays. A new test begins with nothing seen and nothing read."
            ask = Confirm(f"{tag} was signed off{by}", words, "begins a new test of it")
            self.push_screen(ask, lambda again: self._take(tag) if again else None)

    def _take(self, tag: str) -> None:
        """Bring a unit of the shelf onto the bench."""
        from benchtest.session.workbench.setup import session_of

        try:
            session = session_of(self.shelf, tag, self.bench.meter)
        except BenchError as error:
            self._say(str(error))
            return
        self._ask_target(session)

    def _ask_target(self, session: Session) -> None:
        """Bring a unit onto the bench once it is beyond doubt where it is driven."""
        from benchtest.session.log.unit_target import target_question

        try:
            ask = target_question(self.shelf, session.tag, self.bench.to, self._answered)
        except BenchError as error:
            self._say(str(error))
            return
        if ask is None:
            self._open(session, replace(self.bench, to=self.bench.to or self._answered))
            return
        line = Question("target: e131:ADDRESS, e131, serial:PORT or virtual", ask.offered)
        self.push_screen(
            AskFor(ask.title, [line], ask.words), lambda lines: self._target_given(session, lines)
        )

    def _target_given(self, session: Session, lines: list[str] | None) -> None:
        from benchtest.session.log.unit_target import checked_target

        if lines is None:
            return
        try:
            target = checked_target(lines[0])
        except BenchError as error:
            self._say(str(error))
            return
        if self.bench.to is None:
            self._answered = target
        self._open(session, replace(self.bench, to=target))

    def on_shelf_screen_practice(self) -> None:
        if self._takes_a_unit:
            self.practise()

    def practise(self, grade: int | None = None, seed: int | None = None) -> None:
        """A round of practice, apart from all units; the grade after those mastered unless told."""
        from benchtest.session.practice.reference_run import PracticeRun
        from benchtest.session.practice.rounds import begin, next_grade, open_practice, tallies

        try:
            shelf = self.on_bench.enter_context(open_practice(self.bench))
            grade = grade or next_grade(tallies(shelf))
            seed = secrets.randbelow(SEEDS) if seed is None else seed
            session, bench, round_ = begin(shelf, self.bench, grade, seed)
        except BenchError as error:
            self.on_bench.close()
            self._say(str(error))
            return
        practising = PracticeRun(session, round_)
        self.on_bench.callback(practising.stop)
        self._open(session, bench, practising)

    def _open(
        self, session: Session, bench: Bench | None = None, practice: PracticeRun | None = None
    ) -> None:
        from benchtest.session.workbench.setup import open_bench, sweep
        from benchtest.tui.bench_screen import BenchScreen

        self._session = None
        sweep()
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
        self._tell_browser("" if practice is not None else session.row.id)
        self.push_screen(BenchScreen(workbench, self.signs), self._put_back)

    def _put_back(self, leaving: Leaving | None) -> None:
        self.on_bench.close()
        self._tell_browser("")
        if leaving == "next" and self._session is not None:
            self._go_to_next(self._session)
        elif leaving == "next":
            self.practise()

    def _go_to_next(self, session: Session) -> None:
        """The next unit of the design that waits; a new one only once asked."""
        from benchtest.session.workbench.setup import free_tag, next_waiting

        try:
            following = next_waiting(self.shelf, session.tag, session.design.name)
            new = free_tag(self.shelf, session.tag)
        except BenchError as error:
            self._say(str(error))
            return
        if following is not None:
            self._take(following)
            return
        words = "All others are signed off or retired. Enter begins a test of a new one."
        ask = AskFor(
            f"No other {session.design.name} waits", [Question("tag of the new unit", new)], words
        )
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
        """Everything that can be done now, by name."""
        from benchtest.tui.bench_screen import BenchScreen

        if isinstance(screen, BenchScreen):
            for deed in (*screen.deeds_now(), *screen.deeds_always()):
                if deed.says and deed.action != "palette":
                    act = partial(screen.run_action, deed.action)
                    yield SystemCommand(_title(deed.says), f"key {deed.keys}", act)
        if isinstance(screen, ShelfScreen):
            yield SystemCommand("New test", "of a unit; key n", screen.action_new)
            yield SystemCommand("Practice", "on hidden faults; key p", screen.action_practice)
            yield SystemCommand("Test the unit at the cursor", "key Enter", screen.action_choose)
            yield SystemCommand("Compare its tests", "key c", screen.action_compare)
            yield SystemCommand("Rename the unit at the cursor", "key r", screen.action_rename)
            words = "or bring it back; key x"
            yield SystemCommand("Retire the unit at the cursor", words, screen.action_retire)
        yield SystemCommand("Light or dark screen", "the other of the two", self.toggle_theme)
        yield SystemCommand("End", "the prop goes dark; the record stays", self.action_quit)

    def toggle_theme(self) -> None:
        """The light screen for daylight, the dark one for a dark room."""
        light = self.current_theme.dark
        self.theme = "textual-light" if light else "textual-dark"

    def notify(
        self,
        message: str,
        *,
        title: str = "",
        severity: SeverityLevel = "information",
        timeout: float | None = None,
        markup: bool = False,
    ) -> None:
        """Show a notification; its text is literal, whoever sends it."""
        super().notify(message, title=title, severity=severity, timeout=timeout, markup=False)

    def _say(self, words: str) -> None:
        """Why something was not done, whole: a prop file may have many faults."""
        self.push_screen(Tell("That did not work", words))

    def get_driver_class(self) -> type[Driver]:
        """Return how the program draws: for a browser, or at a terminal."""
        if in_browser() or sys.platform == "win32":
            return super().get_driver_class()
        from benchtest.tui.terminal_driver import TerminalDriver

        return TerminalDriver

    async def on_event(self, event: events.Event) -> None:
        """Take no key once the end has begun: there may be no screen for it any more."""
        if not (self._ending and isinstance(event, events.InputEvent)):
            await super().on_event(event)

    def exit(self, *words: Any, **named: Any) -> None:
        """End the program."""
        self._ending = True
        super().exit(*words, **named)

    def on_exit_app(self) -> None:
        """Go dark first: what is under way elsewhere may take its time to end."""
        self._ending = True
        hold_lights("the program ends")
        if self.ends_process:
            exit_within(self._return_code or 0)

    async def run_async(self, *words: Any, **named: Any) -> None:
        """Run as the library does; dark and closed before it waits for work that goes on."""
        try:
            await super().run_async(*words, **named)
        finally:
            self.end()

    def _fatal_error(self) -> None:
        """End as the library does, but without its pages of code: `run_app` says what happened."""
        self._close_messages_no_wait()

    def end(self) -> None:
        """Take the prop dark and close the records."""
        self.on_bench.close()
        self.shelf.close()


def _title(says: str) -> str:
    return says[:1].upper() + says[1:]


def run_app(
    bench: Bench, first_tag: str | None = None, practice: PracticeAsked | None = None
) -> None:
    """Run the terminal program until its user leaves.

    Raises:
        BenchError: the bench folder cannot be used.
        Exception: what nobody foresaw, once the prop is dark and the records are closed.
    """
    app = BenchApp(bench, first_tag, practice)
    app.ends_process = True
    try:
        app.run()
    finally:
        app.end()
    if app._exception is not None:  # else the library would print it, and this end well
        raise app._exception
