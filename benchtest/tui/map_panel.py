"""The prop map: one row per strand, with everything that has a place on the prop, and its panel."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import ClassVar

from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.app import ComposeResult
from textual.content import Content
from textual.geometry import Region, Size
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from benchtest.diagnosis import Finding
from benchtest.drive.universe_layout import Frame
from benchtest.prop.design import Design
from benchtest.session.display.bench_model import BenchModel
from benchtest.session.display.characters import Role
from benchtest.session.display.finding_details import MIN_PLOT_ROWS, StrandProfile, draw_profile
from benchtest.session.display.map_model import (
    MAP_BACKGROUND,
    MapCell,
    MapFocus,
    MapRow,
    MapScale,
    MapSum,
    MapWiring,
    fit_rows,
    map_rows,
)
from benchtest.session.log.state import State
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import LiteralBox
from benchtest.tui.panel import Panel, style_rows

MIN_MAP_ROWS = 4
"""Least lines of the map above a plot, with the line of its head."""
MAX_PLOT_ROWS = 18
"""Tallest plot below the map."""
LOUD = Style(bold=True, reverse=True)


class PropMap(Widget):
    """Map drawn from row models, line by line in one widget: a widget per node would be slow."""

    DEFAULT_CSS = "PropMap { height: 1fr; }"
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "map--name",
        "map--red",
        "map--black",
        "map--passed",
        "map--failed",
        "map--asked",
        "map--suspect",
    }
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
        self._rows: Sequence[MapRow | MapSum] = ()
        self._head = ""
        self._before = 0

    def show(self, rows: Sequence[MapRow | MapSum], head: str, before: int) -> None:
        """Show these rows; redraw only those that have changed.

        Args:
            rows: rows and sums that fit.
            head: the line above them.
            before: cells before the first node.
        """
        known, self._rows = self._rows, rows
        if (head, before, len(rows)) != (self._head, self._before, len(known)):
            self._head, self._before = head, before
            self.refresh()
            return
        changed = [
            Region(0, place, self.size.width, 1)
            for place, (old, new) in enumerate(zip(known, rows, strict=True), 1)
            if old != new
        ]
        if changed:
            self.refresh(*changed)

    def on_click(self, event: events.Click) -> None:
        row = self._rows[event.y - 1] if 0 < event.y <= len(self._rows) else None
        if isinstance(row, MapRow):
            self.post_message(self.Picked(row.strand, event.x - self._before))

    def render_line(self, y: int) -> Strip:
        """Return the head, a strand, or the line of several strands."""
        width = self.size.width
        if y > len(self._rows):
            return Strip.blank(width, self.rich_style)
        row = self._rows[y - 1] if y else None
        if isinstance(row, MapRow):
            segments = [
                *(self._run(text, role) for text, role in row.left),
                *self._node_row(row),
                *(self._run(text, role) for text, role in row.right),
            ]
        else:
            segments = [self._run(self._head if row is None else row.text, "name")]
        strip = Strip(segments).adjust_cell_length(width)
        return strip.apply_style(self.rich_style)

    def _run(self, text: str, role: Role) -> Segment:
        return Segment(text, self.get_component_rich_style(f"map--{role}") if role else Style())

    def _node_row(self, row: MapRow) -> list[Segment]:
        """Return the nodes with the wire behind a short strand, and the labels over them."""
        wire = [self._run(self.glyphs.wiring.wire, "name")] * (row.pitch - 1)
        cells = [part for cell in row.cells for part in (self._node(cell), *wire)]
        cells += [self._run(sign, "name") for sign in row.filler]
        for start, (text, role) in row.labels:
            label = [self._run(sign, role) for sign in text]
            cells[start : start + len(text)] = label[: max(0, len(cells) - start)]
        return cells

    def _node(self, cell: MapCell) -> Segment:
        if cell.sign == "@":
            return Segment(self.glyphs.lit if cell.lit else "@", LOUD)
        if cell.sign:
            return Segment(cell.sign, LOUD)
        if not cell.lit:
            return self._run(self.glyphs.off, "name")
        return Segment(self.glyphs.lit, _light(cell.rgb))


@lru_cache(maxsize=4096)
def _light(rgb: tuple[int, int, int]) -> Style:
    """Return the style of a lit node on the common background."""
    return Style.from_color(Color.from_rgb(*rgb), Color.from_rgb(*MAP_BACKGROUND))


class MapPanel(LiteralBox):
    """Map of the prop as it should be lit now, and a plot below it."""

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs
        self._wiring: MapWiring | None = None
        self._mapped: tuple[Frame, Mapped] | None = None

    def compose(self) -> ComposeResult:
        yield PropMap(self.glyphs, id="map")
        yield Panel(id="chart-title")
        yield Panel(id="chart")

    @property
    def map(self) -> PropMap:
        return self.query_one("#map", PropMap)

    def wiring(self, design: Design) -> MapWiring:
        """Return the copper of a design, drawn once."""
        if self._wiring is None or self._wiring.design is not design:
            self._wiring = MapWiring(design, self.glyphs.wiring)
        return self._wiring

    @property
    def scale(self) -> MapScale:
        """Scale of the nodes."""
        assert self._wiring is not None
        return self._wiring.scale(self.map.size.width)

    def show_prop(self, model: BenchModel, frame: Frame) -> None:
        """Draw the prop as it should be lit now, if that has changed."""
        prop_map = self.map
        about = (model.state, model.finding, model.focus, prop_map.size)
        before = self._mapped
        if before is not None and before[0] is frame and _same(before[1], about):
            return  # a frame at rest is one object
        self._mapped = (frame, about)
        state, finding, focus, size = about
        wiring = self.wiring(model.design)
        scale = wiring.scale(size.width)
        rows = map_rows(state, frame, finding, focus, wiring, scale)
        head = f"{wiring.head(scale.across)}  {scale.note}".rstrip()
        shown = fit_rows(rows, max(1, size.height - 1))
        prop_map.show(shown, head, wiring.cells_before)

    def show_profile(self, profile: StrandProfile | None, strands: int) -> None:
        """Plot the volts along a strand below the map, which shows fewer strands for it.

        Args:
            profile: volts along the strand, None for no plot.
            strands: strands of the prop, each a row of the map.
        """
        chart, title = self.query_one("#chart", Panel), self.query_one("#chart-title", Panel)
        space = self.content_size
        rows = min(MAX_PLOT_ROWS, max(space.height - strands - 3, space.height - MIN_MAP_ROWS - 1))
        is_shown = profile is not None and rows >= MIN_PLOT_ROWS
        chart.display = title.display = is_shown
        if profile is None or not is_shown or space.width <= 0:
            return
        glyphs = (self.glyphs.off, "*", self.glyphs.lit)
        lines = draw_profile(profile, space.width, rows, glyphs, not self.glyphs.is_ascii)
        chart.styles.height = rows
        chart.put(Content("\n").join(style_rows(lines)))
        words = f"volts along strand {profile.strand}, {profile.lit} lit"
        if len(words) > space.width - 2:  # keep the lit set, drop the other words
            words = f"strand {profile.strand}, {profile.lit} lit"
        title.put(Content(f" {words}"))


Mapped = tuple[State, Finding | None, MapFocus, Size]
"""Content of a map without its frame."""


def _same(one: Mapped, other: Mapped) -> bool:
    """Return True if two maps have the same content; states and findings never change."""
    return one[0] is other[0] and one[1] is other[1] and one[2:] == other[2:]
