"""The panels of the bench screen: they draw one bench model, and decide nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.content import Content

from benchtest.drive.universe_layout import Frame
from benchtest.formatting import describe_deviation, format_with_spread
from benchtest.session.display.bench_model import BenchModel
from benchtest.session.display.characters import Role, Run
from benchtest.session.display.finding_details import describe_reasons
from benchtest.session.guidance.next_step import Task
from benchtest.session.workbench.prop_light import DriveNotice
from benchtest.session.workbench.typo_check import TypedReading
from benchtest.tui.actions import (
    BAR_LABELS,
    actions_always,
    actions_now,
    actions_typing,
    links,
)
from benchtest.tui.evidence_panels import ReadingsPanel, SuspectsPanel, VirtualView, soak_lines
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.literal_text import LiteralBox
from benchtest.tui.map_panel import MapPanel
from benchtest.tui.panel import ROLES, Panel
from benchtest.tui.prompt_panel import FIELD_HINTS, FIELD_UNITS, PromptPanel
from benchtest.virtual.observer import Observation

MIN_ROOMY_LINES = 30
"""Least height of a screen that shows all reasons for a repair, not only the strongest."""
MAX_SOAK_CELLS = 60
MIN_EVIDENCE, MAX_EVIDENCE, MAP_GAP = 28, 46, 2
"""Cells of the evidence next to the map, and the gap between them."""
LINES_OF_KEYS: dict[Task, int] = {"walk": 3, "caught": 3, "check": 2, "soak": 2, "controller": 9}
"""Lines of keys in the question's band of a small screen, for tasks with more than one."""
MIN_NAME = 8
"""Cells that the top line leaves to the name of the design."""
MIN_LIT = 20
"""Cells that the top line leaves at least to what is lit."""
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
    "controller",
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
    unusual: str
    """Settings of the drive that are not the usual ones; empty without any."""
    notice: DriveNotice | None
    is_held: bool
    """True while the prop is held dark."""
    minutes: int
    """Whole minutes that the unit is on the bench. [min]"""


class BenchView(LiteralBox):
    """Top line, progress, question, prop map with the evidence next to it, message and keys."""

    DEFAULT_CSS = "BenchView { width: 1fr; height: 1fr; }"

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs
        self.is_switched = False
        """True if the user switched the plot off, or on."""

    def compose(self) -> ComposeResult:
        yield Panel(id="top")
        yield Panel(id="progress")
        yield PromptPanel(self.glyphs, id="prompt")
        with Horizontal(id="lower"):
            yield MapPanel(self.glyphs, id="map-panel")
            with Vertical(id="evidence"):
                yield VirtualView(self.glyphs, id="seen")
                yield SuspectsPanel(self.glyphs, id="suspects")
                yield ReadingsPanel(self.glyphs, id="readings")
        yield Panel(id="message")
        yield Panel(id="bottom")

    @property
    def is_complete(self) -> bool:
        """True once all panels exist; earlier updates are drawn then."""
        return bool(self.query("#chart") and self.query("#keys") and self.query("#readings"))

    @property
    def prompt(self) -> PromptPanel:
        """The panel of the question and its field."""
        return self.query_one(PromptPanel)

    @property
    def map_panel(self) -> MapPanel:
        """The panel of the prop map."""
        return self.query_one(MapPanel)

    @property
    def is_roomy(self) -> bool:
        """True if the screen has lines to spare."""
        return self.size.height >= MIN_ROOMY_LINES

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
        prompt.set_class(self.is_roomy, "-roomy")
        behind = self.glyphs.text(model.unit) if model.unit in FIELD_UNITS else ""
        unit = (FIELD_HINTS.get(model.unit, ""), behind)
        question, keys = self.glyphs.text(advice.text), self._keys(model, prompt.entry.value)
        prompt.show_question(question, advice.caution, unit, keys)
        prompt.show_reasons(self._reasons(model))
        prompt.show_drawing(self._drawing(model))
        prompt.show_comparison(self._comparison(typed))
        self.query_one("#progress", Panel).put(self._progress(model))
        self._show_evidence(model, thinking)
        self._show_profile(model)
        self.show_message(model, message)
        bar = [
            replace(one, label=BAR_LABELS[one.action])
            for one in actions_always(model)
            if one.action in BAR_LABELS
        ]
        self.query_one("#bottom", Panel).put(Content(" ") + links(bar))

    def _progress(self, model: BenchModel) -> Content:
        """Return the steps in a line: what is done, where the user is, what is left."""
        parts: list[Content] = []
        for step in model.progress:
            mark = "" if step.passed is None else f" {self.glyphs.passed}"
            role: Role = "name" if step.passed is None else "passed"
            if step.passed is False:
                mark, role = f" {self.glyphs.failed}", "failed"
            text = Content.assemble(step.text, (mark, ROLES[role]))
            if step.is_here:
                text = Content.styled(f" {step.text}{mark} ", ROLES["asked"])
            parts.append(text)
        return Content(" ") + Content(self.glyphs.separator).join(parts)

    def _show_evidence(self, model: BenchModel, thinking: bool) -> None:
        """Draw what there is of evidence next to the map; without any the map has all the room."""
        is_look = model.is_virtual and model.task in LOOK_TASKS
        is_read = not is_look and (bool(model.readings) or model.has_readings)
        suspects, readings = self.query_one(SuspectsPanel), self.query_one(ReadingsPanel)
        evidence = self.query_one("#evidence")
        evidence.display = is_look or is_read
        self.query_one("#seen").display = is_look
        suspects.display = readings.display = is_read
        if not evidence.display:
            return
        wiring = self.map_panel.wiring(model.design)
        room = self.size.width - wiring.whole_width - MAP_GAP
        width = max(MIN_EVIDENCE, min(MAX_EVIDENCE, room))
        if evidence.styles.width is None or evidence.styles.width.value != width:
            evidence.styles.width = width
        if is_read:
            # its left border and padding take two cells
            rows = max(6, self.query_one("#lower").size.height // 2)
            suspects.show(model, thinking, width - 2, rows)
            readings.show(model.readings, width - 2)

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
        whole = ", ".join(part for part in (where, driving.unusual) if part)
        place = f"   {model.unit_place}" if model.unit_place else ""
        name, rest = model.design.name, f"{place}   lit: {lit}"
        short = driving.unusual or where.partition(",")[0]
        if notice is not None:
            whole = short = f"! {notice.short}"
        end = f"{driving.minutes} min "
        is_wide = len(unit) + len(name) + len(rest) + len(whole) + len(end) + 8 <= self.size.width
        where = whole if is_wide else short
        room = self.size.width - len(unit) - len(rest) - len(where) - len(end) - 8
        if room < MIN_NAME and place:
            rest, room = rest.removeprefix(place), room + len(place)
        if room < MIN_NAME and len(lit) > MIN_LIT:  # where it goes, and the notice, stay visible
            kept = max(MIN_LIT, len(lit) - (MIN_NAME - room))
            rest = f"{rest.removesuffix(lit)}{lit[: kept - 3]}…"
        room = max(MIN_NAME, room)
        if len(name) > room:  # what is lit must stay visible
            name = f"{name[: room - 3]}…"  # three cells in ASCII
        left = self.glyphs.text(f" {unit}  {name}{rest}")
        right = self.glyphs.text(f"{where}   {end}" if where else end)
        gap = max(1, self.size.width - len(left) - len(right))
        self.query_one("#top", Panel).put(Content(f"{left}{'':{gap}}{right}"))

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
        return self.glyphs.text(describe_reasons(suspect, model.design, not self.is_roomy))

    def _drawing(self, model: BenchModel) -> list[list[Run]]:
        """Return the progress of a soak."""
        width, soak = self.query_one("#question").size.width, model.soak
        if model.task == "soak" and soak is not None:
            return soak_lines(soak, self.glyphs, min(width, MAX_SOAK_CELLS))
        return []

    def _keys(self, model: BenchModel, text: str) -> Content:
        """Return the keys of the task, or those for the number in the field."""
        now = actions_now(model)
        shown = actions_typing(now) if text else now
        width = max(20, self.size.width - 4)
        most = max(3 if self.is_roomy else 1, LINES_OF_KEYS.get(model.task, 1))
        return links(shown, width, most_lines=most)

    def _comparison(self, typed: TypedReading | None) -> str:
        """Return the healthy value, and the deviation of the typed number or a hint."""
        if typed is None:
            return ""
        healthy = f"a good unit shows {format_with_spread(typed.expected_v, typed.sd_v)}"
        deviation = ""
        if typed.volts is not None and typed.z is not None:
            deviation = describe_deviation(typed.volts, typed.expected_v, typed.z)
        return self.glyphs.text(f"{healthy}\n{typed.hint or deviation}".rstrip())
