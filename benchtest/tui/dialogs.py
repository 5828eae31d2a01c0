"""Small windows that ask for a few words."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from rich.style import Style as RichStyle
from rich.table import Table
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.widgets import Input

from benchtest.tui.actions import Deed, links
from benchtest.tui.close_once import Window
from benchtest.tui.literal_text import Literal


@dataclass(frozen=True, slots=True)
class Question:
    """One line to fill in."""

    label: str
    value: str = ""
    hint: str = ""
    known: bool = False
    """Filled in already as it mostly stays: Enter before it passes it over."""


class AskFor(Window[list[str] | None]):
    """Asks for one line or a few; gives them back, or None when left."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "leave")]

    def __init__(self, title: str, questions: Sequence[Question], words: str = "") -> None:
        super().__init__()
        self.title_words = title
        self.words = words
        self.questions = questions

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Literal(Content(self.title_words), classes="title")
            if self.words:
                yield Literal(Content(self.words))
            for number, question in enumerate(self.questions):
                yield Literal(Content(question.label), classes="label")
                yield Input(
                    question.value, placeholder=question.hint, id=f"line{number}", compact=True
                )
            yield Literal(links(_DIALOG), classes="soft")

    def on_mount(self) -> None:
        for line in self.query("#line0"):  # none where it was left at once
            line.focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self.action_go_on()

    def action_go_on(self) -> None:
        """To the next line that wants something or, after the last, back with all of them."""
        lines = list(self.query(Input))
        here = next((place for place, line in enumerate(lines) if line.has_focus), len(lines) - 1)
        for line, question in list(zip(lines, self.questions, strict=True))[here + 1 :]:
            if not (question.known and line.value.strip()):
                line.focus()
                return
        self.dismiss([line.value for line in lines])

    def action_leave(self) -> None:
        self.dismiss(None)


class Confirm(Window[bool]):
    """Asks whether to go on; Enter alone does, so that no key meant for something else can."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "go_on", "go on"), Binding("escape", "leave", "leave")
    ]  # fmt: skip

    def __init__(self, title: str, words: str, goes_on: str, leaves: str = "leaves it") -> None:
        super().__init__()
        self.title_words = title
        self.words = words
        self.keys = (
            Deed("go_on", "Enter", "Enter", goes_on), Deed("leave", "Escape", "Escape", leaves)
        )  # fmt: skip

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Literal(Content(self.title_words), classes="title")
            yield Literal(Content(self.words))
            yield Literal(links(self.keys), classes="soft")

    def action_go_on(self) -> None:
        self.dismiss(True)

    def action_leave(self) -> None:
        self.dismiss(False)


class Tell(Window[None]):
    """Shows some lines until a key is pressed; what does not fit is scrolled to."""

    ROOM = "up and down show the rest; "

    def __init__(
        self, title: str, words: str, then: str = "any key goes back", deaf_s: float = 0.0
    ) -> None:
        """Make the window.

        Args:
            title: its first line.
            words: what it shows.
            then: what a key does.
            deaf_s: time from its opening in which keys are typed too early to be meant. [s]
        """
        super().__init__()
        self.deaf_s = deaf_s
        self._open_s = time.monotonic()
        self.title_words = title
        self.words = words
        self.then = then

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Literal(Content(self.title_words), classes="title")
            with VerticalScroll(id="words", can_focus=False):
                yield Literal(Content(self.words))
            yield Literal(classes="soft", id="then")

    def on_mount(self) -> None:
        self._open_s = time.monotonic()
        self._say_then()

    def on_resize(self) -> None:
        self.call_after_refresh(self._say_then)

    def _say_then(self) -> None:
        if not self.query("#then"):  # it was left at once
            return
        rest = self.ROOM if self.query_one("#words").max_scroll_y > 0 else ""
        self.query_one("#then", Literal).update(Content(rest + self.then))

    def on_key(self, event: events.Key) -> None:
        event.stop()  # or the screen below would take it too
        if time.monotonic() - self._open_s < self.deaf_s or not self.is_on_top:
            return
        words = self.query_one("#words")
        on, back = words.scroll_y < words.max_scroll_y, words.scroll_y > 0
        if event.key in ("down", "pagedown") and on:
            (words.scroll_down if event.key == "down" else words.scroll_page_down)(animate=False)
        elif event.key in ("up", "pageup") and back:
            (words.scroll_up if event.key == "up" else words.scroll_page_up)(animate=False)
        else:
            self.dismiss(None)

    def on_click(self) -> None:
        self.dismiss(None)


class KeysNow(Window[str | None]):
    """The keys that work right now; a click on one does it."""

    CAUTION = (
        "Before you touch a joint: supply off. Do not stare into full white; "
        "warn people who are sensitive to changing light."
    )

    def __init__(self, title: str, now: Sequence[Deed], always: Sequence[Deed]) -> None:
        super().__init__()
        self.title_words = title
        self.deeds = [deed for deed in (*now, *always) if deed.says]

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog keys"):
            yield Literal(Content(self.title_words), classes="title")
            half = -(-len(self.deeds) // 2)
            with Horizontal():
                yield Literal(_table(self.deeds[:half]), id="left")
                yield Literal(_table(self.deeds[half:]), id="right")
            yield Literal(Content(self.CAUTION), classes="soft")

    def on_key(self, event: events.Key) -> None:
        event.stop()
        self.dismiss(None)

    def action_pick(self, action: str) -> None:
        """One of the keys was clicked."""
        self.dismiss(action)


def _table(deeds: Sequence[Deed]) -> Table:
    """A row for each deed: its keys, and what they do."""
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column()  # a long word goes on below its own beginning
    for deed in deeds:
        click = RichStyle(meta={"@click": f"screen.pick({deed.action!r})"})
        table.add_row(Text(deed.keys, click + RichStyle(bold=True)), Text(deed.says, click))
    return table


_DIALOG = (
    Deed("go_on", "Enter", "Enter", "goes on"),
    Deed("leave", "Escape", "Escape", "leaves"),
)
