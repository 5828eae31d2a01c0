"""The panel of the current question, with the field for a number."""

from __future__ import annotations

import re
from collections.abc import Sequence

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import Input

from benchtest.session.display.characters import Run
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import BigDigits, Line, LiteralBox
from benchtest.tui.panel import Panel, style_rows

NUMBERS = r"[-+0-9.,mVkKMΩOLhs ]*"
"""Characters of a number with its unit; other letters remain keys."""
FIELD_HINTS = {"V": "volts", "mV": "millivolts", "Ω": "ohms, or OL", "time": "2h or 90m"}
"""Placeholder of the field, by the unit of the number."""
ALWAYS_LARGE = ("V", "mV")
"""Units of numbers that have to be typed; their figure is always shown."""
EMPTY_FIGURE = "---"
"""Figure before a number is typed."""
FIELD_UNITS = ("V", "mV", "Ω")
"""Units shown behind the field."""


class PromptPanel(LiteralBox):
    """The current question, its reasons, its keys, and the field for a number."""

    class Typing(Message):
        """Posted when the text of the field has changed."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    class Entered(Message):
        """Posted when the number in the field is entered."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    class Doubted(Message):
        """Posted to replace a typing error in the field by the probable number."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs

    def compose(self) -> ComposeResult:
        yield Panel(id="question")
        yield Panel(id="why")
        yield Panel(id="drawing")
        with Horizontal(id="field"):
            yield BigDigits(self.glyphs.is_ascii, id="figure")
            with Vertical(id="figure_notes"):
                with Horizontal(id="typed"):
                    # without select_on_focus: the next digit would replace the one that opened it
                    yield Line(id="entry", compact=True, restrict=NUMBERS, select_on_focus=False)
                    yield Panel(id="unit")
                yield Panel(id="comparison")
        yield Panel(id="caution")
        yield Panel(id="keys")

    @property
    def entry(self) -> Line:
        return self.query_one("#entry", Line)

    def show_question(
        self, question: str, caution: str, unit: tuple[str, str], keys: Content
    ) -> None:
        """Show a question.

        Args:
            question: the question.
            caution: a warning, or "".
            unit: placeholder of the field and the unit behind it, both "" without a number.
            keys: the keys that work now.
        """
        self._show("#question", Content(question))
        self._show("#caution", Content(caution))
        self.show_keys(keys)
        self.entry.placeholder, behind = unit
        self.query_one("#field").display = bool(unit[0])
        self._show("#unit", Content(behind))
        self.show_figure()

    def show_figure(self) -> None:
        """Show the typed number large, with its unit; a line where nothing is typed yet."""
        figure, unit = self.query_one("#figure", BigDigits), self.query_one("#unit", Panel)
        behind = str(unit.content) if unit.display else ""
        typed = self.entry.value.strip()
        # ohms are typed only where they are wanted
        figure.display = bool(typed) or behind in ALWAYS_LARGE
        text = f"{typed or EMPTY_FIGURE} {behind}"
        if figure.value != text:
            figure.update(text)

    def show_drawing(self, rows: Sequence[Sequence[Run]]) -> None:
        """Show a drawing below the question; an empty one removes it."""
        self._show("#drawing", Content("\n").join(style_rows(rows)))

    def show_reasons(self, text: str) -> None:
        """Show the reasons for the question."""
        self._show("#why", Content(text))

    def show_keys(self, keys: Content) -> None:
        """Show the keys that work now."""
        self._show("#keys", keys)

    def show_comparison(self, text: str) -> None:
        """Show the healthy value below the field, and the deviation of the typed number."""
        self._show("#comparison", Content(text))

    def _show(self, where: str, content: Content) -> None:
        part = self.query_one(where, Panel)
        part.display = bool(content.plain)
        part.put(content, layout=True)

    @property
    def is_open(self) -> bool:
        """True if keys go into the field, from the moment that it is to get the focus."""
        return self.screen.focused is self.entry

    def open_entry(self, first: str = "") -> None:
        """Focus the field, with a first character typed."""
        self.query_one("#field").display = True
        self.entry.open()
        self.entry.value = first
        self.entry.cursor_position = len(first)
        self.screen.set_focus(self.entry)

    def may_type(self, char: str) -> bool:
        """Return True if a number may be typed with this character."""
        return re.fullmatch(NUMBERS, char) is not None

    def type(self, char: str) -> None:
        """Type a character that did not reach the field: the first one, or one right after it."""
        if self.is_open and self.entry.is_entered:
            return  # typed together with Enter
        if not self.may_type(char):
            self.entry.is_entered = True
            self.post_message(self.Entered(self.entry.value))
        elif self.is_open:
            self.entry.insert_text_at_cursor(char)
        else:
            self.open_entry(char)

    def close_entry(self) -> None:
        """Empty the field and leave it."""
        self.entry.value = ""
        self.screen.set_focus(None)

    def on_key(self, event: events.Key) -> None:
        """Replace a typing error by the probable number, at Tab."""
        if event.key == "tab" and self.is_open:
            event.stop()
            event.prevent_default()
            self.post_message(self.Doubted(self.entry.value))

    def on_input_changed(self, event: Input.Changed) -> None:
        event.stop()
        self.show_figure()
        self.post_message(self.Typing(event.value))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self.post_message(self.Entered(event.value))
