"""Panels of the evidence: suspects, readings, the progress of a soak, and a virtual prop."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group
from rich.style import Style as RichStyle
from rich.text import Text
from textual.content import Content

from benchtest.prop.lit_set import format_ranges
from benchtest.prop.notation import name_probe
from benchtest.session.display.bench_model import BenchModel, DisplayedReading, DisplayedSuspect
from benchtest.session.display.characters import Run
from benchtest.session.log.soak import Progress
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.panel import Panel
from benchtest.virtual.observer import Observation

BAR_CELLS = 6
"""Width of a probability bar."""
MAX_LISTED = 60
"""Most readings next to the map; the list of all readings has every one."""
FIGURE_CELLS = BAR_CELLS + 17
"""Cells of a suspect's number, bar, per cent and resistance."""
SHORT_CELLS = FIGURE_CELLS - BAR_CELLS - 1
"""The same without the bar."""


class SuspectsPanel(Panel):
    """Suspects with bars, the likeliest first; a digit selects one. The improbable share a line."""

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs

    def show(self, model: BenchModel, thinking: bool, width: int, rows: int) -> None:
        """Draw the suspects, or the reason that none is known.

        Args:
            model: model to draw.
            thinking: True during a diagnosis.
            width: cells of a line.
            rows: most lines.
        """
        if not model.suspects:
            waiting = "not calculated yet" if model.has_readings else "no readings yet"
            self.put(Content(self.glyphs.text("calculating …" if thinking else waiting)))
            return
        notes = [note for note in (model.other_suspects, model.suspects_note) if note]
        if not self.has_changed(model.suspects, notes, width, rows):
            return
        room = rows - 1 - len(notes)
        *suspects, healthy = model.suspects
        shown = [*suspects[: max(1, room)], healthy]
        # a name longer than its column takes a line of its own, so that no figure is cut off
        name_cells = max(len(line.name) for line in shown)
        lines = [text for line in shown for text in self._lines(line, name_cells, width)]
        if len(lines) > rows - len(notes):
            lines = [self._line(line, max(4, width - SHORT_CELLS), width) for line in shown]
        for note in notes:
            text = Text(f"  {note}", no_wrap=True)
            text.truncate(width, overflow=self.glyphs.overflow)
            lines.append(text)
        self.update(Group(*lines), layout=True)

    def _lines(self, line: DisplayedSuspect, name_cells: int, width: int) -> list[Text]:
        """Return a suspect in one line or, if that is too narrow, in two."""
        if name_cells + FIGURE_CELLS <= width:
            return [self._line(line, name_cells, width)]
        name = Text(f"{line.number or ' '} {line.name}", style=_click(line), no_wrap=True)
        name.truncate(width, overflow=self.glyphs.overflow)
        return [name, Text(f"  {self._figures(line)}")]

    def _line(self, line: DisplayedSuspect, name_cells: int, width: int) -> Text:
        name = Text(line.name, style=_click(line))
        name.truncate(name_cells, overflow=self.glyphs.overflow, pad=True)
        text = Text(f"{line.number or ' '} ", style=_click(line), no_wrap=True)
        has_bar = name_cells + FIGURE_CELLS <= width
        return text.append_text(name).append(f" {self._figures(line, has_bar)}")

    def _figures(self, line: DisplayedSuspect, has_bar: bool = True) -> str:
        bar = f"{draw_bar(line.share, BAR_CELLS, self.glyphs)} " if has_bar else ""
        return self.glyphs.text(f"{bar}{line.percent:>5} {line.size}".rstrip())


def _click(line: DisplayedSuspect) -> RichStyle:
    if line.number is None:
        return RichStyle()
    return RichStyle(meta={"@click": f"screen.repair({line.number - 1})"})


class ReadingsPanel(Panel):
    """The readings that count with their numbers, the newest first, next to a healthy unit's."""

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs

    def show(self, readings: Sequence[DisplayedReading], width: int) -> None:
        """Draw the readings that count, as far as there is space.

        Args:
            readings: all readings that count.
            width: cells of a line.
        """
        if not readings:
            self.put(Content("no readings since the repair"))
            return
        rows = MAX_LISTED
        if not self.has_changed(readings, rows, width):
            return
        last = list(reversed(readings))[:rows]
        number_cells = len(str(last[0].number))
        probe_cells = max(len(name_probe(line.reading.probe)) for line in last)
        judgment_cells = max(len(line.judgment) for line in last)
        # the probe is cut to make room for the figures
        probe_cells = min(probe_cells, max(6, width - number_cells - judgment_cells - 12))
        lines = (
            self._line(line, number_cells, probe_cells, judgment_cells, width) for line in last
        )
        self.update(Group(*lines), layout=False)

    def _line(
        self,
        line: DisplayedReading,
        number_cells: int,
        probe_cells: int,
        judgment_cells: int,
        width: int,
    ) -> Text:
        """Return one reading in columns of these widths, in a line of `width` cells."""
        probe = Text(name_probe(line.reading.probe))
        overflow = self.glyphs.overflow
        probe.truncate(probe_cells, overflow=overflow, pad=True)
        mark = "!" if line.is_odd else " "
        text = Text(f"{line.number:>{number_cells}}{mark}", no_wrap=True, overflow=overflow)
        text.append_text(probe).append(f" {line.value_text:>8} ")
        style = "bold reverse" if line.is_far or line.is_odd else ""
        text.append(line.judgment, style=style)
        text.append(" " * (judgment_cells - len(line.judgment)))
        if text.cell_len + len(line.lit) + len("   lit") <= width:
            text.append(f"  {line.lit} lit", style="dim")
        text.stylize(RichStyle(meta={"@click": f"screen.readings({line.number})"}))
        return text


def soak_lines(soak: Progress, glyphs: ScreenGlyphs, width: int) -> list[list[Run]]:
    """Return the progress of a soak: a bar, times, and counts."""
    return [
        [(draw_bar(soak.share, width - 6, glyphs), ""), (f" {soak.share:4.0%}", "")],
        [(f"{soak.elapsed} done, {soak.left} to go", "")],
        [(f"looks {soak.looks}   intermittent {soak.intermittent}", "")],
    ]


def draw_bar(share: float, cells: int, glyphs: ScreenGlyphs) -> str:
    """Return a share, 0 to 1, as a bar of this many cells."""
    full = round(share * cells)
    return glyphs.bar * full + glyphs.rest * (cells - full)


LABEL_CELLS = 5


class VirtualView(Panel):
    """The lit strands as they look, one per row; strands that look alike share one if necessary."""

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs
        self._sights: Sequence[Observation] | None = None

    def show(self, sights: Sequence[Observation]) -> None:
        """Draw the observations into the available space."""
        self._sights = sights
        rows, width = max(2, self.size.height - 1), self.size.width
        if not self.has_changed(sights, rows, width):
            return
        lines = view_lines(sights, rows, width, self.glyphs) or ["all dark"]
        cut = self.glyphs.overflow
        title = Text("what the virtual prop shows", style="dim", no_wrap=True, overflow=cut)
        drawn = (Text(row, no_wrap=True, overflow=cut) for row in lines)
        self.update(Group(title, *drawn), layout=False)

    def on_resize(self) -> None:
        if self._sights is not None:
            self.show(self._sights)


def view_lines(
    sights: Sequence[Observation], rows: int, width: int, glyphs: ScreenGlyphs
) -> list[str]:
    """Return a row of nodes for each strand, or words if strands or nodes do not fit.

    Strands that differ from the others are never cut off: the user must see a strand that stays
    dark among eight that are lit.
    """
    strands: dict[int, list[Observation]] = {}
    for sight in sights:
        strands.setdefault(sight.strand, []).append(sight)
    drawn = [_in_nodes(number, runs, glyphs) for number, runs in strands.items()]
    if len(drawn) <= rows and max(map(len, drawn), default=0) <= width:
        return drawn
    alike: dict[str, set[int]] = {}
    for number, runs in strands.items():
        alike.setdefault(_in_words(runs), set()).add(number)
    few_first = sorted(alike, key=lambda words: len(alike[words]))
    lines = [f"{format_ranges(alike[words])}: {words}" for words in few_first]
    if len(lines) <= rows:
        return lines
    return [*lines[: rows - 1], f"and {len(lines) - rows + 1} more"]


def _in_nodes(number: int, runs: Sequence[Observation], glyphs: ScreenGlyphs) -> str:
    """Return a character for each node from end A on, and words for unusual ones."""
    looks = {"ok": glyphs.lit, "dark": glyphs.off}
    row = f"{number:>3}A "
    for run in runs:
        row = row.ljust(LABEL_CELLS + run.first - 1)
        row += (looks.get(run.seen) or run.seen[0]) * (run.last - run.first + 1)
    unusual = dict.fromkeys(run.seen for run in runs if run.seen not in looks)
    return f"{row} {', '.join(unusual)}".rstrip()


def _in_words(runs: Sequence[Observation]) -> str:
    """Return `lit` if every node looks right, else each run of nodes from end A on."""
    named = [("lit" if run.seen == "ok" else run.seen, run.first, run.last) for run in runs]
    if len(named) == 1 and named[0][1] == 1:
        return named[0][0]
    return ", ".join(
        f"{word} {format_ranges(set(range(low, high + 1)))}" for word, low, high in named
    )
