"""Dialogs: a form, a confirmation, a message, and the list of keys."""

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

from benchtest.tui.actions import KeyAction, links
from benchtest.tui.close_once import Window
from benchtest.tui.literal_text import Line, Literal


@dataclass(frozen=True, slots=True)
class FormLine:
    """One line of a form."""

    label: str
    value: str = ""
    hint: str = ""
    known: bool = False
    """True if the value rarely changes: Enter in the line before skips it."""


class FormDialog(Window[list[str] | None]):
    """Form of one or more lines; returns them, or None after Escape."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "cancel")]

    def __init__(self, title: str, questions: Sequence[FormLine], words: str = "") -> None:
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
                yield Line(
                    question.value, placeholder=question.hint, id=f"line{number}", compact=True
                )
            yield Literal(links(_DIALOG), classes="soft")

    def on_mount(self) -> None:
        for line in self.query("#line0"):  # empty if the dialog was closed at once
            line.focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self.action_go_on()

    def action_go_on(self) -> None:
        """Go to the next line to fill in or, after the last, return all lines."""
        lines = list(self.query(Line))
        here = next((place for place, line in enumerate(lines) if line.has_focus), len(lines) - 1)
        for line, question in list(zip(lines, self.questions, strict=True))[here + 1 :]:
            if not (question.known and line.value.strip()):
                line.focus()
                return
        self.dismiss([line.value for line in lines])

    def action_leave(self) -> None:
        self.dismiss(None)


class ConfirmDialog(Window[bool]):
    """Confirmation by Enter, so that no key typed for another purpose confirms."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "go_on", "confirm"), Binding("escape", "leave", "cancel")
    ]  # fmt: skip

    def __init__(self, title: str, words: str, confirm: str, cancel: str = "cancel") -> None:
        super().__init__()
        self.title_words = title
        self.words = words
        self.keys = (
            KeyAction("go_on", "Enter", "Enter", confirm),
            KeyAction("leave", "Escape", "Escape", cancel),
        )

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Literal(Content(self.title_words), classes="title")
            yield Literal(Content(self.words))
            yield Literal(links(self.keys), classes="soft")

    def action_go_on(self) -> None:
        self.dismiss(True)

    def action_leave(self) -> None:
        self.dismiss(False)


class MessageDialog(Window[None]):
    """Message that is shown until a key is pressed; a long one can be scrolled."""

    SCROLL_HINT = "up and down: scroll; "

    def __init__(
        self, title: str, words: str, then: str = "any key: back", deaf_s: float = 0.0
    ) -> None:
        """Make the window.

        Args:
            title: first line.
            words: the message.
            then: effect of a key.
            deaf_s: time after opening in which keys are ignored, as typed too early. [s]
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
        self._show_keys()

    def on_resize(self) -> None:
        self.call_after_refresh(self._show_keys)

    def _show_keys(self) -> None:
        if not self.query("#then"):  # the window was closed at once
            return
        scroll = self.SCROLL_HINT if self.query_one("#words").max_scroll_y > 0 else ""
        self.query_one("#then", Literal).update(Content(scroll + self.then))

    def on_key(self, event: events.Key) -> None:
        event.stop()  # the screen below must not get it
        if time.monotonic() - self._open_s < self.deaf_s or not self.is_on_top:
            return
        box = self.query_one("#words")
        can_go_down, can_go_up = box.scroll_y < box.max_scroll_y, box.scroll_y > 0
        if event.key in ("down", "pagedown") and can_go_down:
            (box.scroll_down if event.key == "down" else box.scroll_page_down)(animate=False)
        elif event.key in ("up", "pageup") and can_go_up:
            (box.scroll_up if event.key == "up" else box.scroll_page_up)(animate=False)
        else:
            self.dismiss(None)

    def on_click(self) -> None:
        self.dismiss(None)


class KeysDialog(Window[str | None]):
    """List of the keys that work now; a click runs the action."""

    CAUTION = (
        "Before you touch a joint: supply off. Do not stare into full white; "
        "warn people who are sensitive to changing light."
    )

    def __init__(self, title: str, now: Sequence[KeyAction], always: Sequence[KeyAction]) -> None:
        super().__init__()
        self.title_words = title
        self.actions = [one for one in (*now, *always) if one.label]

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog keys"):
            yield Literal(Content(self.title_words), classes="title")
            half = -(-len(self.actions) // 2)
            with Horizontal():
                yield Literal(_table(self.actions[:half]), id="left")
                yield Literal(_table(self.actions[half:]), id="right")
            yield Literal(Content(self.CAUTION), classes="soft")

    def on_key(self, event: events.Key) -> None:
        event.stop()
        self.dismiss(None)

    def action_pick(self, action: str) -> None:
        """Return the action that was clicked."""
        self.dismiss(action)


def _table(actions: Sequence[KeyAction]) -> Table:
    """Return a row for each action: keys and effect."""
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column()  # wrapped lines are indented
    for one in actions:
        click = RichStyle(meta={"@click": f"screen.pick({one.action!r})"})
        table.add_row(Text(one.keys, click + RichStyle(bold=True)), Text(one.label, click))
    return table


_DIALOG = (
    KeyAction("go_on", "Enter", "Enter", "OK"),
    KeyAction("leave", "Escape", "Escape", "cancel"),
)
