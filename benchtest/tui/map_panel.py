"""The prop map and, where a strand is suspected, volts along it: below the map or in its place."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.content import Content
from textual.geometry import Size

from benchtest.diagnosis import Finding
from benchtest.drive.universe_layout import Frame
from benchtest.prop.design import NodeName
from benchtest.session.display.bench_model import BenchModel
from benchtest.session.display.finding_details import LEAST_ROWS, StrandProfile, plot
from benchtest.session.display.map_model import map_note, map_rows
from benchtest.session.log.state import State
from benchtest.tui.glyphs import Signs
from benchtest.tui.literal_text import LiteralBox
from benchtest.tui.panels import Panel, styled
from benchtest.tui.prop_map import PropMap

MOST_ROWS = 24
"""Of a plot that stands below the map."""


class MapBox(LiteralBox):
    """Draws the prop as it should be lit now, and a plot where there is one."""

    def __init__(self, signs: Signs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.signs = signs
        self._mapped: tuple[Frame, Mapped] | None = None

    def compose(self) -> ComposeResult:
        yield PropMap(self.signs, id="map")
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

    def show_along(self, along: StrandProfile | None, strands: int) -> None:
        """Volts along a strand, below the map or, where room is scarce, instead; None for none.

        Args:
            along: what is plotted.
            strands: how many the prop has, each a row of the map.
        """
        prop_map, chart = self.map, self.query_one("#chart", Panel)
        room = self.content_size
        left = room.height - strands
        prop_map.display = along is None or left >= LEAST_ROWS
        chart.display = along is not None
        self.border_title = "prop"
        if along is None or room.width <= 0:
            return
        spare = left - 1 if left > 2 * LEAST_ROWS else left  # an empty row parts it from the map
        rows = min(spare, MOST_ROWS) if prop_map.display else room.height
        signs = (self.signs.off, self.signs.wiring.joint, self.signs.wiring.touch)
        lines = plot(along, room.width, rows, signs)
        chart.styles.height = rows
        chart.put(Content("\n").join(styled(lines)))
        title = f"volts along strand {along.strand}, {along.lit} lit"
        if len(title) > room.width - 2:  # what is lit tells more than how it is said
            title = f"strand {along.strand}, {along.lit} lit"
        self.border_title = title


Mapped = tuple[State, Finding | None, NodeName | None, Size]
"""What a map is of, but for its frame."""


def _same(one: Mapped, other: Mapped) -> bool:
    """States and findings never change, so it is enough that they are the same objects."""
    return one[0] is other[0] and one[1] is other[1] and one[2:] == other[2:]
