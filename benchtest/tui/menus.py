"""Windows that list the readings and the steps of a test."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Literal

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.style import Style
from textual.widgets import OptionList

from benchtest.session.guidance.steps import StepLine, StepName
from benchtest.session.log.reading_list import ReadingRow
from benchtest.tui.close_once import Options, Window
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import Literal as LiteralText

Choice = tuple[Literal["again", "strike"], int]
"""Action to apply to the reading with that number."""

PROBE_CELLS, VALUE_CELLS, WHY_CELLS = 19, 9, 16


class ReadingsMenu(Window[Choice | None]):
    """Every reading with its number, to take it again or strike it out."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,a", "leave", "leave"),
        Binding("x", "strike", "strike out"),
    ]

    def __init__(self, rows: Sequence[ReadingRow], glyphs: ScreenGlyphs, number: int = 0) -> None:
        super().__init__()
        self.rows = rows
        self.glyphs = glyphs
        self.number = number or (rows[-1].number if rows else 0)

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield LiteralText(Content("Readings of this test"), classes="title")
            yield Options(*(self._line(row) for row in self.rows), id="all-readings", compact=True)
            keys = "Enter: take it again   x: strike it out   Escape: back"
            yield LiteralText(
                Content(keys if self.rows else "none yet   Escape: back"), classes="soft"
            )

    def _line(self, row: ReadingRow) -> Content:
        """Return the line of a reading; one that no longer counts is struck through."""
        gone = Style(strike=True, dim=True) if row.why_gone else Style()
        read = f"{self._cut(row.probe, PROBE_CELLS)} {self.glyphs.text(row.value):>{VALUE_CELLS}}"
        remark = f"  {row.why_gone or row.off:<{WHY_CELLS}}"
        return Content.assemble(
            f"{row.number:>4} ", (read, gone), remark, (f"{row.lit} lit", Style(dim=True))
        )

    def _cut(self, words: str, cells: int) -> str:
        """Return the words in this many cells, with a mark if the end was cut off."""
        if len(words) <= cells:
            return f"{words:<{cells}}"
        return words[: cells - 1] + ("." if self.glyphs.border == "ascii" else "…")

    def on_mount(self) -> None:
        listed = self.query_one(Options)
        listed.focus()
        places = [place for place, row in enumerate(self.rows) if row.number == self.number]
        if places:
            listed.highlighted = places[0]

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self.dismiss(("again", self.rows[event.option_index].number))

    def action_strike(self) -> None:
        place = self.query_one(Options).highlighted
        if place is not None:
            self.dismiss(("strike", self.rows[place].number))

    def action_leave(self) -> None:
        self.dismiss(None)


class StepsMenu(Window[StepName | None]):
    """Every step with its progress; any of them can be chosen now."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,t", "leave", "leave")]

    def __init__(self, lines: Sequence[StepLine], glyphs: ScreenGlyphs) -> None:
        super().__init__()
        self.lines = lines
        self.glyphs = glyphs

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield LiteralText(Content("Steps of this test"), classes="title")
            yield Options(
                *(self._words(place, line) for place, line in enumerate(self.lines, 1)),
                id="steps",
                compact=True,
            )
            yield LiteralText(
                Content("number or Enter: go to the step   Escape: back"), classes="soft"
            )

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
