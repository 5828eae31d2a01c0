"""Widgets that show every string literally.

The library reads strings as markup in most places, and markup can run actions (`[@click=...]`).
Text of a record or a file may come from another bench, so no string is markup in this program.
Widgets that show text come from this module; `tests/tui/test_literal_text.py` rejects the
library's own.
"""

from __future__ import annotations

from typing import Any, ClassVar

from rich.text import Text
from textual import events
from textual.app import RenderResult
from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.containers import Vertical
from textual.content import Content
from textual.visual import VisualType
from textual.widgets import DataTable, Digits, Input, OptionList, Static
from textual.widgets.data_table import ColumnKey, RowKey


class Literal(Static):
    """A text; its border titles are literal too."""

    def __init__(
        self,
        content: VisualType = "",
        *,
        id: str | None = None,  # noqa: A002
        classes: str | None = None,
    ) -> None:
        super().__init__(content, markup=False, id=id, classes=classes)

    def render_str(self, text_content: str | Content) -> Content:
        return literal_content(text_content)


class BigDigits(Digits):
    """A figure three lines high; letters behind it stand on its last line."""

    ASCII: ClassVar[dict[str, tuple[str, str, str]]] = {
        "0": (" _ ", "| |", "|_|"),
        "1": ("   ", "  |", "  |"),
        "2": (" _ ", " _|", "|_ "),
        "3": (" _ ", " _|", " _|"),
        "4": ("   ", "|_|", "  |"),
        "5": (" _ ", "|_ ", " _|"),
        "6": (" _ ", "|_ ", "|_|"),
        "7": (" _ ", "  |", "  |"),
        "8": (" _ ", "|_|", "|_|"),
        "9": (" _ ", "|_|", " _|"),
        "-": ("   ", " _ ", "   "),
    }
    """Digits for terminals without Unicode: the segments of a numeric display."""

    def __init__(self, in_ascii: bool, id: str | None = None) -> None:  # noqa: A002
        super().__init__("", id=id)
        self.in_ascii = in_ascii

    def render(self) -> RenderResult:
        if not self.in_ascii:
            return super().render()
        pieces = [self.ASCII.get(sign, (" ", " ", sign)) for sign in self.value]
        lines = ["".join(piece[row] for piece in pieces) for row in range(3)]
        return Text("\n".join(lines), no_wrap=True, style=self.rich_style)


class LiteralBox(Vertical):
    """A column of widgets with literal border titles."""

    def render_str(self, text_content: str | Content) -> Content:
        return literal_content(text_content)


class LiteralMenu(OptionList):
    """A list of options to choose from."""

    def __init__(self, *options: Content, id: str | None = None, compact: bool = False) -> None:  # noqa: A002
        super().__init__(*options, markup=False, id=id, compact=compact)


class LiteralTable(DataTable[Any]):
    """A table whose cells and column heads are literal."""

    def add_column(
        self,
        label: str | Text,
        *,
        width: int | None = None,
        key: str | None = None,
        default: Any = None,
    ) -> ColumnKey:
        cell = _literal_cell(default)
        return super().add_column(_literal_cell(label), width=width, key=key, default=cell)

    def add_row(
        self,
        *cells: Any,
        height: int | None = 1,
        key: str | None = None,
        label: str | Text | None = None,
    ) -> RowKey:
        shown = [_literal_cell(cell) for cell in cells]
        return super().add_row(*shown, height=height, key=key, label=_literal_cell(label))

    def update_cell(
        self,
        row_key: RowKey | str,
        column_key: ColumnKey | str,
        value: Any,
        *,
        update_width: bool = False,
    ) -> None:
        cell = _literal_cell(value)
        super().update_cell(row_key, column_key, cell, update_width=update_width)


class Commands(Provider):
    """Commands of the palette: the actions available now, with literal names."""

    async def discover(self) -> Hits:
        commands = self.app.get_system_commands(self.screen)
        for title, text, callback, _ in sorted(commands, key=lambda command: command.title):
            yield DiscoveryHit(Content(title), callback, text=title, help=text)

    async def search(self, query: str) -> Hits:
        matcher = self.matcher(query)
        for title, text, callback, _ in self.app.get_system_commands(self.screen):
            score, places = matcher.fuzzy_search.match(query, title)
            if score > 0:
                shown = Content(title)
                for place in places:
                    shown = shown.stylize(matcher.match_style, place, place + 1)
                yield Hit(score, shown, callback, text=title, help=text)


def literal_content(text: str | Content) -> Content:
    """Return a text with its markup as plain characters.

    >>> literal_content("[b]x[/b]").plain
    '[b]x[/b]'
    """
    return text if isinstance(text, Content) else Content(text)


def _literal_cell(value: Any) -> Any:
    return Text(value, end="", no_wrap=True) if isinstance(value, str) else value


class Line(Input):
    """A line that is complete at Enter; what is typed together with Enter is not added to it.

    The library takes Enter as a binding, once the key has bubbled through all parents, and adds
    characters at once: of `12`, Enter, `13`, Enter that wait together it would make 1213. Keys
    behind Enter were typed before anything was shown that they could be meant for, so they are
    dropped.
    """

    is_entered = False
    """True after Enter, until the line is opened again."""

    async def _on_key(self, event: events.Key) -> None:
        if self.is_entered or event.key == "enter":
            event.stop()
            event.prevent_default()
            if not self.is_entered:
                await self.action_submit()
            return
        await super()._on_key(event)

    async def action_submit(self) -> None:
        if not self.is_entered:
            self.is_entered = True
            await super().action_submit()

    def open(self) -> None:
        """Take keys again."""
        self.is_entered = False

    def _on_focus(self, event: events.Focus) -> None:
        self.open()
        super()._on_focus(event)
