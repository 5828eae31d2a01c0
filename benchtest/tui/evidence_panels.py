"""Panels of the evidence: suspects, readings, the progress of a soak, and a virtual prop."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group
from rich.style import Style as RichStyle
from rich.table import Table
from rich.text import Text
from textual.content import Content

from benchtest.diagnosis import Finding, Suspect
from benchtest.formatting import format_ohms, format_sd
from benchtest.prop.lit_set import format_ranges
from benchtest.session.display.bench_model import DisplayedReading
from benchtest.session.display.event_text import format_volts
from benchtest.session.display.probe_sketch import Run
from benchtest.session.log.soak import Progress
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.panel import Panel
from benchtest.virtual.observer import Observation

BAR_CELLS = 6
"""Width of a probability bar."""
MIN_LIT_CELLS = 5
"""Least space for the lit strands of a reading."""
MIN_PROBABILITY = 0.005
"""Suspects below this are not shown: they would have 0 %."""
MAX_PLAIN_SD = 3.0
"""Deviation above which a reading is highlighted."""


class SuspectsPanel(Panel):
    """Suspects with bars, the likeliest first; a digit selects one."""

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs

    def show(self, finding: Finding | None, thinking: bool, has_readings: bool, rows: int) -> None:
        """Draw a finding, or why there is none.

        Args:
            finding: the finding, None if there is none yet.
            thinking: True during a diagnosis.
            has_readings: True if there are readings.
            rows: lines of the panel.
        """
        if finding is None:
            waiting = "not calculated yet" if has_readings else "no readings yet"
            self.put(Content(self.glyphs.text("calculating …" if thinking else waiting)))
            return
        if not self.has_changed(finding, rows):
            return
        table = Table.grid(padding=(0, 1))
        # bars have a minimum width, since a cut bar would be wrong; names may be cut
        for least in (1, None, BAR_CELLS + 5, None):
            table.add_column(no_wrap=True, min_width=least, overflow=self.glyphs.overflow)
        listed = finding.suspects[: max(1, rows - 1)]
        shown = [suspect for suspect in listed if suspect.probability >= MIN_PROBABILITY]
        for number, suspect in enumerate(shown, 1):
            table.add_row(*self._row(number, suspect))
        table.add_row("", self._healthy(finding), self._bar(finding.healthy), "")
        self.update(table, layout=False)

    def _row(self, number: int, suspect: Suspect) -> tuple[Text, Text, Text, Text]:
        ohms = self.glyphs.text(f"{suspect.ohms.best:.2g} Ω") if suspect.ohms else ""
        click = RichStyle(meta={"@click": f"screen.repair({number - 1})"})
        where = Text(f"{suspect.where} {suspect.fault}", style=click)
        return Text(str(number), style=click), where, self._bar(suspect.probability), Text(ohms)

    def _healthy(self, finding: Finding) -> Text:
        if finding.cleared_ohm is None or not finding.looks_healthy:
            return Text("healthy")
        return Text(self.glyphs.text(f"no joint above {format_ohms(finding.cleared_ohm)}"))

    def _bar(self, share: float) -> Text:
        return Text(f"{draw_bar(share, BAR_CELLS, self.glyphs)} {share:4.0%}")


class ReadingsPanel(Panel):
    """The last readings with their numbers, compared with a healthy unit."""

    def __init__(self, glyphs: ScreenGlyphs, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.glyphs = glyphs

    def show(self, readings: Sequence[DisplayedReading], rows: int) -> None:
        """Draw the last readings that count.

        Args:
            readings: all readings that count.
            rows: lines of the panel.
        """
        if not readings:
            self.put(Content("none yet"))
            return
        if not self.has_changed(readings, rows):
            return
        last = readings[-max(rows, 1) :]
        number_cells = len(str(last[-1].number))
        probe_cells = max(len(str(line.reading.probe)) for line in last)
        sd_cells = max(len(_deviation(line)) for line in last)
        # the probe is cut to make room for the figures
        probe_cells = min(probe_cells, max(6, self.size.width - number_cells - sd_cells - 11))
        lines = (self._line(line, number_cells, probe_cells, sd_cells) for line in last)
        self.update(Group(*lines), layout=False)

    def _line(
        self, line: DisplayedReading, number_cells: int, probe_cells: int, sd_cells: int
    ) -> Text:
        """Return one reading in columns of these widths."""
        reading = line.reading
        shown = f"{reading.amps:.2f} A" if reading.volts is None else format_volts(reading.volts)
        probe = Text(str(reading.probe))
        overflow = self.glyphs.overflow
        probe.truncate(probe_cells, overflow=overflow, pad=True)
        mark = "!" if line.is_odd else " "
        text = Text(f"{line.number:>{number_cells}}{mark}", no_wrap=True, overflow=overflow)
        text.append_text(probe).append(f" {shown:>8} ")
        is_far = line.z is not None and abs(line.z) > MAX_PLAIN_SD
        text.append(f"{_deviation(line):>{sd_cells}}", style="bold reverse" if is_far else "")
        if text.cell_len + MIN_LIT_CELLS <= self.size.width:  # else it would displace the figures
            fits = text.cell_len + len(line.lit) + len("   lit") <= self.size.width
            text.append(f"  {line.lit} lit" if fits else f"  {line.lit}", style="dim")
        text.stylize(RichStyle(meta={"@click": f"screen.readings({line.number})"}))
        return text


def _deviation(line: DisplayedReading) -> str:
    return "" if line.z is None else f"{format_sd(line.z)} sd"


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
        rows, width = max(2, self.size.height), self.size.width
        if not self.has_changed(sights, rows, width):
            return
        lines = view_lines(sights, rows, width, self.glyphs) or ["all dark"]
        cut = self.glyphs.overflow
        self.update(Group(*(Text(row, no_wrap=True, overflow=cut) for row in lines)), layout=False)

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
