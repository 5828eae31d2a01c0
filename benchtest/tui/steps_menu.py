"""The window that lists the steps of a test."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import OptionList

from benchtest.session.guidance.steps import StepLine, StepName
from benchtest.tui.close_once import Options, Window
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import Literal


class StepsMenu(Window[StepName | None]):
    """Every step with its progress; any of them can be chosen now."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,t", "leave", "leave")]

    def __init__(self, lines: Sequence[StepLine], glyphs: ScreenGlyphs) -> None:
        super().__init__()
        self.lines = lines
        self.glyphs = glyphs

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Literal(Content("Steps of this test"), classes="title")
            yield Options(
                *(self._words(place, line) for place, line in enumerate(self.lines, 1)),
                id="steps",
                compact=True,
            )
            yield Literal(Content("number or Enter: go to the step   Escape: back"), classes="soft")

    def _words(self, place: int, line: StepLine) -> Content:
        mark = self.glyphs.passed if line.done else " "
        return Content(f"{place} {mark} {line.title:<34}{line.status}")

    def on_mount(self) -> None:
        for options in self.query(Options):  # empty if the window was closed at once
            options.focus()

    def on_key(self, event: events.Key) -> None:
        char = event.character or ""
        if char in {str(place) for place in range(1, len(self.lines) + 1)}:
            event.stop()
            self.dismiss(self.lines[int(char) - 1].name)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self.dismiss(self.lines[event.option_index].name)

    def action_leave(self) -> None:
        self.dismiss(None)
