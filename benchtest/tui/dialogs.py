"""Small windows that ask for a few words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.style import Style
from textual.widgets import Input, Static

from benchtest.tui.deeds import Deed, links


@dataclass(frozen=True, slots=True)
class Question:
    """One line to fill in."""

    label: str
    value: str = ""
    hint: str = ""
    known: bool = False
    """Filled in already as it mostly stays: Enter before it passes it over."""


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
            yield Static(links(_DIALOG), classes="soft")

    def on_mount(self) -> None:
        self.query_one("#line0", Input).focus()

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


class Tell(ModalScreen[None]):
    """Shows some lines until a key is pressed."""

    def __init__(self, title: str, words: str, then: str = "any key goes back") -> None:
        super().__init__()
        self.title_words = title
        self.words = words
        self.then = then

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog tall"):
            yield Static(Content(self.title_words), classes="title")
            yield Static(Content(self.words))
            yield Static(Content(self.then), classes="soft")

    def on_key(self, event: events.Key) -> None:
        event.stop()  # or the screen below would take it too
        self.dismiss(None)

    def on_click(self) -> None:
        self.dismiss(None)


class KeysNow(ModalScreen[str | None]):
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
            yield Static(Content(self.title_words), classes="title")
            half = -(-len(self.deeds) // 2)
            with Horizontal():
                yield Static(_table(self.deeds[:half]), classes="half")
                yield Static(_table(self.deeds[half:]), classes="half")
            yield Static(Content(self.CAUTION), classes="soft")

    def on_key(self, event: events.Key) -> None:
        event.stop()
        self.dismiss(None)

    def action_pick(self, action: str) -> None:
        """One of the keys was clicked."""
        self.dismiss(action)


def _table(deeds: Sequence[Deed]) -> Content:
    """A line for each deed: its keys, and what they do."""
    lines = []
    for deed in deeds:
        click = Style.from_meta({"@click": f"screen.pick({deed.action!r})"})
        keys = f"{deed.keys:<17}"
        lines.append(Content.assemble((keys, click + Style(bold=True)), (deed.says, click)))
    return Content("\n").join(lines)


_DIALOG = (
    Deed("go_on", "Enter", "Enter", "goes on"),
    Deed("leave", "Escape", "Escape", "leaves"),
)
