"""The panels of the bench screen: they draw one bench model, and decide nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.content import Content

from benchtest.drive.universe_layout import Frame
from benchtest.session.display.bench_model import BenchModel
from benchtest.session.display.event_text import volts_text
from benchtest.session.display.finding_details import repair_words
from benchtest.session.display.probe_sketch import Run, sketch
from benchtest.session.workbench.drive_notice import DriveNotice
from benchtest.session.workbench.typo_check import Typed
from benchtest.tui.actions import BAR, SHORT, Deed, deeds_always, deeds_now, deeds_typing, links
from benchtest.tui.glyphs import Signs
from benchtest.tui.literal_text import LiteralBox
from benchtest.tui.map_panel import MapBox
from benchtest.tui.panels import Ask, Panel, Readings, Suspects, off_words, soak_rows
from benchtest.tui.virtual_view import VirtualView
from benchtest.tui.words import FIELD_UNITS, TASKS, UNITS
from benchtest.virtual.observer import Observation

MIN_ROOMY_LINES = 36
"""Lines of a screen that shows all reasons for a repair, not only the strongest."""
MAX_SKETCH_CELLS, MAX_SOAK_CELLS = 60, 40
MAX_MESSAGE_LINES = 3
SEEN_BY_EYE = ("glow", "look", "search", "caught", "walk", "colour", "wiggle", "soak")
"""Tasks in which the user looks at the prop, so that a virtual one is shown."""


@dataclass(frozen=True)
class Driving:
    """The state of the drive, which changes without an event."""

    frame: Frame
    where: str
    """The target."""
    notice: DriveNotice | None
    is_held: bool
    """True while the prop is kept dark."""


class BenchView(LiteralBox):
    """Top line, prop map, question, readings, suspects, message and keys."""

    DEFAULT_CSS = "BenchView { width: 1fr; height: 1fr; }"

    def __init__(self, signs: Signs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.signs = signs
        self.is_turned = False
        """True if the user turned from the map to the plot, or back."""

    def compose(self) -> ComposeResult:
        yield Panel(id="top")
        with Horizontal(id="upper"):
            yield MapBox(self.signs, id="map-box")
            yield Ask(id="ask")
        with Horizontal(id="lower"):
            yield VirtualView(self.signs, id="seen")
            yield Readings(self.signs, id="readings")
            yield Suspects(self.signs, id="suspects")
        yield Panel(id="said")
        yield Panel(id="bottom")

    def on_mount(self) -> None:
        if not self.query("#seen"):  # the program ended before the panels were there
            return
        self.query_one("#seen").border_title = "what the virtual prop shows"
        self.query_one("#readings").border_title = "readings"
        self.query_one("#suspects").border_title = "suspects"

    @property
    def is_complete(self) -> bool:
        """True once all panels exist; earlier updates are drawn then."""
        return bool(self.query("#chart") and self.query("#keys"))

    @property
    def ask(self) -> Ask:
        """The question and its field."""
        return self.query_one(Ask)

    @property
    def map_box(self) -> MapBox:
        """The prop map."""
        return self.query_one(MapBox)

    # -- drawing -------------------------------------------------------------------------------

    def show(self, model: BenchModel, typed: Typed | None, message: str, *, thinking: bool) -> None:
        """Draw everything that an event may have changed.

        Args:
            model: what to draw.
            typed: the number in the field next to a healthy unit's; None if none is asked for.
            message: the line near the bottom; empty for the preview of the next reading.
            thinking: True while a finding is being worked out.
        """
        advice, ask = model.advice, self.ask
        behind = self.signs.words(model.unit) if model.unit in FIELD_UNITS else ""
        unit = (UNITS.get(model.unit, ""), behind)
        question, keys = self.signs.words(advice.says), self._keys(model, ask.entry.value)
        ask.ask(TASKS[model.task], question, advice.caution, unit, keys)
        ask.why(self._reasons(model))
        ask.draw(self._drawing(model))
        ask.beside(self._beside(typed))
        looking = model.is_virtual and model.task in SEEN_BY_EYE
        self.query_one("#seen").display = looking
        self.query_one("#readings").display = not looking
        readings, suspects = self.query_one(Readings), self.query_one(Suspects)
        suspects.show(model.finding, thinking, model.has_readings, suspects.size.height)
        readings.show(model.readings, readings.size.height)
        self._show_profile(model)
        self.show_message(model, message)
        bar = [deed for deed in deeds_always(model) if deed.action in BAR]
        short = [Deed(d.action, d.key, d.keys, SHORT.get(d.action, d.says)) for d in bar]
        self.query_one("#bottom", Panel).put(Content(" ") + links(short))
        if model.shown_strand is not None:
            self.map_box.map.bring_into_view(model.shown_strand)

    def show_typed(self, model: BenchModel, text: str, typed: Typed | None) -> None:
        """Draw a number next to a healthy unit's while it is typed, and its keys."""
        self.ask.keys(self._keys(model, text))
        self.ask.beside(self._beside(typed))

    def show_driving(self, model: BenchModel, driving: Driving) -> None:
        """Draw what changes without an event: the map while light comes up, and the top line."""
        self.map_box.show_prop(model, driving.frame)
        notice = driving.notice
        lit = "dark" if driving.is_held else model.lit_text
        unit = f"{model.tag}, VIRTUAL PROP" if model.is_virtual else model.tag
        head = f" {unit}  {model.design.name}   lit: {lit}    "
        where = "" if model.is_virtual else driving.where
        if notice is not None:
            where = f"! {notice.short}"
        elif len(head) + len(where) > self.size.width:
            where = where.partition(",")[0]  # cut anywhere else it would be misread
        self.query_one("#top", Panel).put(Content(self.signs.words(head + where)))

    def show_message(self, model: BenchModel, message: str) -> None:
        """Draw the message, or the preview of the next reading; mostly one line, up to three."""
        line = self.query_one("#said", Panel)
        preview = self.signs.words(f" {model.preview}") if model.preview else ""
        width = max(1, line.size.width)
        rows = min(MAX_MESSAGE_LINES, max(1, -(-len(message) // width)))
        if line.styles.height is None or line.size.height != rows:
            line.styles.height = rows
        line.put(Content(message or preview))

    def show_virtual_prop(self, seen: Sequence[Observation]) -> None:
        """Draw what a virtual prop shows."""
        self.query_one(VirtualView).show(seen)

    def _show_profile(self, model: BenchModel) -> None:
        """Draw the plot if there is something to repair, unless the user turned it away."""
        is_shown = (model.task == "repair") != self.is_turned
        profile = model.profile if is_shown else None
        self.map_box.show_along(profile, len(model.design.strands))

    def _reasons(self, model: BenchModel) -> str:
        """Return the reasons for a repair, all of them on a large screen."""
        suspect = model.advice.suspect
        if suspect is None:
            return ""
        brief = self.size.height < MIN_ROOMY_LINES
        return self.signs.words(repair_words(suspect, model.design, brief))

    def _drawing(self, model: BenchModel) -> list[list[Run]]:
        """Return a sketch of the leads, or the progress of a soak."""
        width = self.query_one("#question").size.width
        probe, soak = model.advice.probe, model.soak
        if probe is not None and width > 0:
            return sketch(model.design, probe, min(width, MAX_SKETCH_CELLS), self.signs.wiring)
        if model.task == "soak" and soak is not None:
            return soak_rows(soak, self.signs, min(width, MAX_SOAK_CELLS))
        return []

    def _keys(self, model: BenchModel, text: str) -> Content:
        """Return the keys of the task, or those for the number in the field."""
        now = deeds_now(model)
        shown = deeds_typing(now) if text else now
        return links(shown, max(20, self.query_one("#question").size.width))

    def _beside(self, typed: Typed | None) -> str:
        if typed is None:
            return ""
        healthy = f"healthy {volts_text(typed.expected_v)} ± {volts_text(typed.sd_v)}"
        off = ""
        if typed.volts is not None and typed.z is not None:
            off = f"{volts_text(typed.volts)}: {off_words(typed.z)} sd off"
        return self.signs.words(f"{healthy}\n{typed.hint or off}".rstrip())
