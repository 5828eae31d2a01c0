"""The panels of the bench screen: they draw one bench model, and decide nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.content import Content

from benchtest.drive.universe_layout import Frame
from benchtest.formatting import describe_deviation, format_with_spread
from benchtest.session.display.bench_model import BenchModel
from benchtest.session.display.finding_details import describe_reasons
from benchtest.session.display.probe_sketch import Run, draw_sketch
from benchtest.session.workbench.prop_light import DriveNotice
from benchtest.session.workbench.typo_check import TypedReading
from benchtest.tui.actions import (
    BAR_LABELS,
    TASKS,
    actions_always,
    actions_now,
    actions_typing,
    links,
)
from benchtest.tui.evidence_panels import ReadingsPanel, SuspectsPanel, VirtualView, soak_lines
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import LiteralBox
from benchtest.tui.map_panel import MapPanel
from benchtest.tui.panel import Panel
from benchtest.tui.prompt_panel import FIELD_HINTS, FIELD_UNITS, PromptPanel
from benchtest.virtual.observer import Observation

MIN_ROOMY_LINES = 36
"""Least height of a screen that shows all reasons for a repair, not only the strongest."""
MAX_SKETCH_CELLS, MAX_SOAK_CELLS = 60, 40
MIN_NAME = 8
"""Cells that the top line leaves to the name of the design."""
MAX_MESSAGE_LINES = 3
LOOK_TASKS = (
    "glow",
    "look",
    "parade",
    "search",
    "caught",
    "walk",
    "downstream",
    "picture",
    "colour",
    "wiggle",
    "soak",
)
"""Tasks in which the user looks at the prop, so that a virtual one is shown."""


@dataclass(frozen=True)
class Driving:
    """State of the driver, which changes without an event."""

    frame: Frame
    where: str
    """Target."""
    notice: DriveNotice | None
    is_held: bool
    """True while the prop is held dark."""


class BenchView(LiteralBox):
    """Top line, prop map, question, readings, suspects, message and keys."""

    DEFAULT_CSS = "BenchView { width: 1fr; height: 1fr; }"

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs
        self.is_switched = False
        """True if the user switched from the map to the plot, or back."""

    def compose(self) -> ComposeResult:
        yield Panel(id="top")
        with Horizontal(id="upper"):
            yield MapPanel(self.glyphs, id="map-panel")
            yield PromptPanel(id="prompt")
        with Horizontal(id="lower"):
            yield VirtualView(self.glyphs, id="seen")
            yield ReadingsPanel(self.glyphs, id="readings")
            yield SuspectsPanel(self.glyphs, id="suspects")
        yield Panel(id="message")
        yield Panel(id="bottom")

    def on_mount(self) -> None:
        if not self.query("#seen"):  # the program ended before the panels were made
            return
        self.query_one("#seen").border_title = "virtual prop"
        self.query_one("#readings").border_title = "readings"
        self.query_one("#suspects").border_title = "suspects"

    @property
    def is_complete(self) -> bool:
        """True once all panels exist; earlier updates are drawn then."""
        return bool(self.query("#chart") and self.query("#keys"))

    @property
    def prompt(self) -> PromptPanel:
        """The panel of the question and its field."""
        return self.query_one(PromptPanel)

    @property
    def map_panel(self) -> MapPanel:
        """The panel of the prop map."""
        return self.query_one(MapPanel)

    # -- drawing -------------------------------------------------------------------------------

    def show(
        self, model: BenchModel, typed: TypedReading | None, message: str, *, thinking: bool
    ) -> None:
        """Draw everything that an event may have changed.

        Args:
            model: model to draw.
            typed: the number in the field with the healthy value; None if none is asked for.
            message: the line near the bottom; "" for the preview of the next reading.
            thinking: True during a diagnosis.
        """
        advice, prompt = model.advice, self.prompt
        behind = self.glyphs.text(model.unit) if model.unit in FIELD_UNITS else ""
        unit = (FIELD_HINTS.get(model.unit, ""), behind)
        question, keys = self.glyphs.text(advice.text), self._keys(model, prompt.entry.value)
        prompt.show_question(TASKS[model.task], question, advice.caution, unit, keys)
        prompt.show_reasons(self._reasons(model))
        prompt.show_drawing(self._drawing(model))
        prompt.show_comparison(self._comparison(typed))
        is_look = model.is_virtual and model.task in LOOK_TASKS
        self.query_one("#seen").display = is_look
        self.query_one("#readings").display = not is_look
        readings, suspects = self.query_one(ReadingsPanel), self.query_one(SuspectsPanel)
        suspects.show(model, thinking)
        readings.show(model.readings)
        self._show_profile(model)
        self.show_message(model, message)
        bar = [
            replace(one, label=BAR_LABELS[one.action])
            for one in actions_always(model)
            if one.action in BAR_LABELS
        ]
        self.query_one("#bottom", Panel).put(Content(" ") + links(bar))
        if model.shown_strand is not None:
            self.map_panel.map.bring_into_view(model.shown_strand)

    def show_typed(self, model: BenchModel, text: str, typed: TypedReading | None) -> None:
        """Draw the number being typed with the healthy value, and its keys."""
        self.prompt.show_keys(self._keys(model, text))
        self.prompt.show_comparison(self._comparison(typed))

    def show_driving(self, model: BenchModel, driving: Driving) -> None:
        """Draw the parts that change without an event: the map during a ramp, and the top line."""
        self.map_panel.show_prop(model, driving.frame)
        notice = driving.notice
        lit = "dark" if driving.is_held else model.lit_text
        unit = f"{model.tag}, VIRTUAL PROP" if model.is_virtual else model.tag
        where = "" if model.is_virtual else driving.where
        name, rest = model.design.name, f"   lit: {lit}    "
        if notice is not None:
            where = f"! {notice.short}"
        elif len(unit) + len(name) + len(rest) + 3 + len(where) > self.size.width:
            where = where.partition(",")[0]  # at a comma, so that it is not misread
        room = max(MIN_NAME, self.size.width - len(unit) - len(rest) - len(where) - 3)
        if len(name) > room:  # what is lit must stay visible
            name = f"{name[: room - 3]}…"  # three cells in ASCII
        self.query_one("#top", Panel).put(
            Content(self.glyphs.text(f" {unit}  {name}{rest}{where}"))
        )

    def show_message(self, model: BenchModel, message: str) -> None:
        """Draw the message, or the preview of the next reading, in up to three lines."""
        line = self.query_one("#message", Panel)
        preview = self.glyphs.text(f" {model.preview}") if model.preview else ""
        width = max(1, line.size.width)
        rows = min(MAX_MESSAGE_LINES, max(1, -(-len(message) // width)))
        if line.styles.height is None or line.size.height != rows:
            line.styles.height = rows
        line.put(Content(message or preview))

    def show_virtual_prop(self, seen: Sequence[Observation]) -> None:
        """Draw the observations of a virtual prop."""
        self.query_one(VirtualView).show(seen)

    def _show_profile(self, model: BenchModel) -> None:
        """Draw the plot if there is something to repair, unless the user switched it off."""
        is_shown = (model.task == "repair") != self.is_switched
        profile = model.profile if is_shown else None
        self.map_panel.show_profile(profile, len(model.design.strands))

    def _reasons(self, model: BenchModel) -> str:
        """Return the reasons for a repair, all of them on a large screen."""
        suspect = model.advice.suspect
        if suspect is None:
            return ""
        brief = self.size.height < MIN_ROOMY_LINES
        return self.glyphs.text(describe_reasons(suspect, model.design, brief))

    def _drawing(self, model: BenchModel) -> list[list[Run]]:
        """Return a sketch of the leads, or the progress of a soak."""
        width = self.query_one("#question").size.width
        probe, soak = model.advice.probe, model.soak
        if probe is not None and width > 0:
            return draw_sketch(
                model.design, probe, min(width, MAX_SKETCH_CELLS), self.glyphs.wiring
            )
        if model.task == "soak" and soak is not None:
            return soak_lines(soak, self.glyphs, min(width, MAX_SOAK_CELLS))
        return []

    def _keys(self, model: BenchModel, text: str) -> Content:
        """Return the keys of the task, or those for the number in the field."""
        now = actions_now(model)
        shown = actions_typing(now) if text else now
        return links(shown, max(20, self.query_one("#question").size.width))

    def _comparison(self, typed: TypedReading | None) -> str:
        """Return the healthy value, and the deviation of the typed number or a hint."""
        if typed is None:
            return ""
        healthy = f"a good unit shows {format_with_spread(typed.expected_v, typed.sd_v)}"
        deviation = ""
        if typed.volts is not None and typed.z is not None:
            deviation = describe_deviation(typed.volts, typed.expected_v, typed.z)
        return self.glyphs.text(f"{healthy}\n{typed.hint or deviation}".rstrip())
