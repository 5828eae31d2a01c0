"""The prop map: one row per strand, with the nodes that should be lit now, and its panel."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.app import ComposeResult
from textual.content import Content
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from benchtest.diagnosis import Finding
from benchtest.drive.universe_layout import Frame
from benchtest.prop.design import NodeName
from benchtest.session.display.bench_model import BenchModel
from benchtest.session.display.finding_details import MIN_PLOT_ROWS, StrandProfile, draw_profile
from benchtest.session.display.map_model import MAP_BACKGROUND, MapCell, MapRow, map_note, map_rows
from benchtest.session.log.state import State
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import LiteralBox
from benchtest.tui.panel import Panel, style_rows

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


MAX_PLOT_ROWS = 24
"""Tallest plot below the map."""


class MapPanel(LiteralBox):
    """Map of the prop as it should be lit now, and a plot below it or in its place."""

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs
        self._mapped: tuple[Frame, Mapped] | None = None

    def compose(self) -> ComposeResult:
        yield PropMap(self.glyphs, id="map")
        yield Panel(id="chart")

    @property
    def map(self) -> PropMap:
        return self.query_one("#map", PropMap)

    def show_prop(self, model: BenchModel, frame: Frame) -> None:
        """Draw the prop as it should be lit now, if that has changed."""
        prop_map = self.map
        about = (model.state, model.finding, model.walking, prop_map.size)
        before = self._mapped
        if before is not None and before[0] is frame and _same(before[1], about):
            return  # a frame at rest is one object
        self._mapped = (frame, about)
        state, finding, walking, _ = about
        prop_map.show(map_rows(state, frame, finding, walking, prop_map.cells_across))
        note = map_note(model.design, prop_map.cells_across) if prop_map.display else ""
        self.border_subtitle = note

    def show_profile(self, profile: StrandProfile | None, strands: int) -> None:
        """Plot the volts along a strand, below the map or, without space for both, instead of it.

        Args:
            profile: volts along the strand, None for no plot.
            strands: strands of the prop, each a row of the map.
        """
        prop_map, chart = self.map, self.query_one("#chart", Panel)
        space = self.content_size
        left = space.height - strands
        prop_map.display = profile is None or left >= MIN_PLOT_ROWS
        chart.display = profile is not None
        self.border_title = "prop"
        if profile is None or space.width <= 0:
            return
        spare = left - 1 if left > 2 * MIN_PLOT_ROWS else left  # an empty row separates it
        rows = min(spare, MAX_PLOT_ROWS) if prop_map.display else space.height
        glyphs = (self.glyphs.off, self.glyphs.wiring.joint, self.glyphs.wiring.touch)
        lines = draw_profile(profile, space.width, rows, glyphs)
        chart.styles.height = rows
        chart.put(Content("\n").join(style_rows(lines)))
        title = f"volts along strand {profile.strand}, {profile.lit} lit"
        if len(title) > space.width - 2:  # keep the lit set, drop the other words
            title = f"strand {profile.strand}, {profile.lit} lit"
        self.border_title = title


Mapped = tuple[State, Finding | None, NodeName | None, Size]
"""Content of a map without its frame."""


def _same(one: Mapped, other: Mapped) -> bool:
    """Return True if two maps have the same content; states and findings never change."""
    return one[0] is other[0] and one[1] is other[1] and one[2:] == other[2:]
