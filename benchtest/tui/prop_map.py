"""The prop map: one row per strand, with the nodes that should be lit now."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from benchtest.session.display.map_model import MAP_BACKGROUND, MapCell, MapRow
from benchtest.tui.glyphs import ScreenGlyphs

BEFORE, AFTER = 6, 3
"""Cells before the first node and after the last."""
DIM = Style(dim=True)
BOLD = Style(bold=True)
LOUD = Style(bold=True, reverse=True)


class PropMap(ScrollView):
    """Map drawn from row models, line by line in one widget: a widget per node would be slow."""

    DEFAULT_CSS = "PropMap { height: 1fr; }"
    can_focus = False

    class Picked(Message):
        """Posted when a node or a strand was clicked."""

        def __init__(self, strand: int, cell: int) -> None:
            super().__init__()
            self.strand = strand
            self.cell = cell

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs
        self._rows: Sequence[MapRow] = ()

    @property
    def cells_across(self) -> int:
        """Nodes that fit in one row."""
        return max(10, self.size.width - BEFORE - AFTER)

    def show(self, rows: Sequence[MapRow]) -> None:
        """Show these rows; redraw only those that have changed."""
        before, self._rows = self._rows, rows
        size = Size(self.size.width, len(rows))
        if size != self.virtual_size or len(before) != len(rows):
            self.virtual_size = size
            self.refresh()
            return
        top = self.scroll_offset.y
        changed = [
            Region(0, place - top, size.width, 1)
            for place, (old, new) in enumerate(zip(before, rows, strict=True))
            if old != new
        ]
        if changed:
            self.refresh(*changed)

    def bring_into_view(self, strand: int) -> None:
        """Scroll until a strand is visible."""
        if not self.scroll_offset.y <= strand - 1 < self.scroll_offset.y + self.size.height:
            self.scroll_to(y=max(0, strand - 1 - self.size.height // 2), animate=False)

    def on_click(self, event: events.Click) -> None:
        place = event.y + self.scroll_offset.y
        if place < len(self._rows):
            self.post_message(self.Picked(self._rows[place].strand, event.x - BEFORE))

    def render_line(self, y: int) -> Strip:
        """Return one row: strand number, end A, data direction, nodes, end B and verdict."""
        place = y + self.scroll_offset.y
        if place >= len(self._rows):
            return Strip.blank(self.size.width, self.rich_style)
        row = self._rows[place]
        direction = self.glyphs.to_b if row.enters_at_a else self.glyphs.to_a
        segments = [
            Segment(f"{row.strand:>3}", DIM),
            Segment("A", LOUD if row.suspect_a else DIM),
            Segment(direction, DIM),
            Segment(" "),
            *(self._node(cell) for cell in row.cells),
            Segment(" "),
            Segment("B", LOUD if row.suspect_b else DIM),
            self._verdict(row.verdict),
        ]
        strip = Strip(segments).adjust_cell_length(self.size.width)
        return strip.apply_style(self.rich_style)

    def _node(self, cell: MapCell) -> Segment:
        if cell.sign == "@":
            return Segment(self.glyphs.lit if cell.lit else "@", LOUD)
        if cell.sign:
            return Segment(cell.sign, LOUD)
        if not cell.lit:
            return Segment(self.glyphs.off, DIM)
        return Segment(self.glyphs.lit, _light(cell.rgb))

    def _verdict(self, passed: bool | None) -> Segment:
        if passed is None:
            return Segment(" ")
        glyph = self.glyphs.passed if passed else self.glyphs.failed
        return Segment(glyph, BOLD if passed else LOUD)


@lru_cache(maxsize=4096)
def _light(rgb: tuple[int, int, int]) -> Style:
    """Return the style of a lit node on the common background."""
    return Style.from_color(Color.from_rgb(*rgb), Color.from_rgb(*MAP_BACKGROUND))
