"""A table whose cells are always drawn at the width of their column."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.geometry import Size

from benchtest.tui.literal_text import LiteralTable


class WideTable(LiteralTable):
    """Redraws its cells after a column has become wider.

    The library computes widths when it is idle, and caches the drawing of a cell by its content
    only: a cell drawn in between, as on a busy machine, stays cut to its earlier width.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("home", "scroll_top", show=False),
        Binding("end", "scroll_bottom", show=False),
    ]

    def cuts(self, place: int, words: str) -> bool:
        """Return True if the column at `place`, from 0, cuts off these words on the screen."""
        before = sum(column.get_render_width(self) for column in self.ordered_columns[:place])
        return before + self.cell_padding + len(words) > self.size.width

    def watch_virtual_size(self, old: Size, new: Size) -> None:
        if old.width != new.width:
            self._clear_caches()
            self.refresh()
