"""View of a virtual prop, in place of a real one."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group
from rich.text import Text

from benchtest.prop.lit_set import format_ranges
from benchtest.tui.glyphs import ScreenGlyphs
from benchtest.tui.panel import Panel
from benchtest.virtual.observer import Observation

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
