"""Small windows that ask for a few words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static


@dataclass(frozen=True, slots=True)
class Question:
    """One line to fill in."""

    label: str
    value: str = ""
    hint: str = ""


class AskFor(ModalScreen[list[str] | None]):
    """Asks for one line or a few; gives them back, or None when left."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "leave")]

    def __init__(self, title: str, questions: Sequence[Question], words: str = "") -> None:
        super().__init__()
        self.title_words = title
        self.words = words
        self.questions = questions

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Static(Content(self.title_words), classes="title")
            if self.words:
                yield Static(Content(self.words))
            for number, question in enumerate(self.questions):
                yield Static(Content(question.label), classes="label")
                yield Input(
                    question.value, placeholder=question.hint, id=f"line{number}", compact=True
                )
            yield Static(Content("Enter goes on, Escape leaves"), classes="soft")

    def on_mount(self) -> None:
        self.query_one("#line0", Input).focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        lines = list(self.query(Input))
        place = lines.index(event.input)
        if place + 1 < len(lines):
            lines[place + 1].focus()
        else:
            self.dismiss([line.value for line in lines])

    def action_leave(self) -> None:
        self.dismiss(None)


class Tell(ModalScreen[None]):
    """Shows some lines until a key is pressed."""

    def __init__(self, title: str, words: str) -> None:
        super().__init__()
        self.title_words = title
        self.words = words

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog tall"):
            yield Static(Content(self.title_words), classes="title")
            yield Static(Content(self.words))
            yield Static(Content("any key goes back"), classes="soft")

    def on_key(self) -> None:
        self.dismiss(None)
