"""The panel of the prop map, with a plot of volts along a suspected strand."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.content import Content
from textual.geometry import Size

from benchtest.diagnosis import Finding
from benchtest.drive.universe_layout import Frame
from benchtest.prop.design import NodeName
from benchtest.session.display.bench_model import BenchModel
from benchtest.session.display.finding_details import MIN_PLOT_ROWS, StrandProfile, draw_profile
from benchtest.session.display.map_model import map_note, map_rows
from benchtest.session.log.state import State
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import LiteralBox
from benchtest.tui.panel import Panel, style_rows
from benchtest.tui.prop_map import PropMap

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
