"""Plots of each kind of the node catalogue against its volts: `python -m tests.plots`.

The sentences next to the plots in the notes are made in `tests/kinds.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_hex, to_rgb
from matplotlib.figure import Figure
from numpy.typing import NDArray

from benchtest.prop.node_kinds import NodeKind, catalogue
from tests.kinds import FOLDER, HEADING, NOTES, Sweep, caption, currents, file_name, section

FloatArray = NDArray[np.float64]

STYLE: Any = {
    "svg.fonttype": "none",  # words stay words: small, searchable, read aloud
    "svg.hashsalt": "benchtest",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
}
INK = {"red": "#c4122f", "green": "#12803c", "blue": "#1d4ed8", "white": "#777777"}
Dashes = tuple[float, tuple[float, ...]]
PENS: Sequence[tuple[float, Dashes]] = (
    (2.6, (0.0, (2.8, 2.4))),
    (1.3, (0.0, (7.0, 1.2, 1.2, 1.2))),
    (1.3, (0.0, (1.0, 1.4))),
    (1.3, (0.0, (12.0, 3.0))),
)
"""Width and dashes of the colours' lines: thin ones show in the gaps of the thick one."""


@dataclass(frozen=True)
class Line:
    """One line of a panel, with its name at its right end."""

    y: FloatArray
    name: str
    ink: str
    dashes: Dashes | str
    width: float


def draw(kind: NodeKind) -> Figure:
    """Currents above, light below, and under it the colour that white turns to."""
    sweep = Sweep(kind)
    figure = Figure(figsize=(7.6, 5.3), facecolor="white")
    currents, light, strip = figure.subplots(
        3, 1, sharex=True, height_ratios=[10, 5.5, 1.3], gridspec_kw={"hspace": 0.16}
    )
    figure.subplots_adjust(left=0.08, right=0.79, top=0.835, bottom=0.095)
    figure.text(0.012, 0.956, kind.name, fontsize=11, weight="bold")
    figure.text(0.012, 0.915, kind.title)
    white = Line(sweep.white_ma, "node at white", "black", "-", 2.6)
    dark = Line(sweep.dark_ma, "node dark", "black", (0.0, (1.0, 1.2)), 1.4)
    _panel(currents, sweep, [white, *_colour_lines(kind, sweep.channel_ma), dark], 0.065)
    currents.set_ylabel("current, mA")
    _panel(light, sweep, _colour_lines(kind, sweep.light), 0.125)
    light.set_ylabel("light, of full")
    _strip(strip, sweep)
    _volts((currents, light, strip), kind)
    return figure


def _colour_lines(kind: NodeKind, values: FloatArray) -> list[Line]:
    """One line for colours that do the same, so that none hides under another."""
    groups: list[list[int]] = []
    for colour in range(kind.channels):
        for group in groups:
            if np.allclose(values[:, group[0]], values[:, colour]):
                group.append(colour)
                break
        else:
            groups.append([colour])
    lines = []
    for group, (width, dashes) in zip(groups, PENS, strict=False):
        names = [kind.colours[colour] for colour in group]
        ink = _ink(names)
        lines.append(Line(values[:, group[0]], ", ".join(names), ink, dashes, width))
    return lines


def _ink(names: Sequence[str]) -> str:
    """Return the mean of the inks of colours that share a line."""
    mixed = np.mean([to_rgb(INK[name]) for name in names], axis=0)
    return to_hex(tuple(mixed))


def _panel(axes: Axes, sweep: Sweep, lines: Sequence[Line], gap: float) -> None:
    """Draw lines over the volts, each named at its right end."""
    top = max(float(line.y.max()) for line in lines) * 1.08
    axes.set_ylim(0.0, top)
    axes.set_xlim(0.0, float(sweep.volts_v[-1]))
    axes.grid(axis="y", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.axvspan(0.0, sweep.kind.logic_v, color="#eeeeee", linewidth=0)
    for line in lines:
        keep = _corners(line.y)
        x, y = sweep.volts_v[keep], line.y[keep]
        axes.plot(x, y, color=line.ink, linewidth=line.width, linestyle=line.dashes)
    ends = [float(line.y[-1]) / top for line in lines]
    for line, end, place in zip(lines, ends, _spread(ends, gap), strict=True):
        _name_at_end(axes, line, end, place)


def _name_at_end(axes: Axes, line: Line, end: float, place: float) -> None:
    """Continue the line to its name: a short slanted piece, then a level one."""
    across = axes.transAxes
    bend: dict[str, Any] = {"transform": across, "clip_on": False, "color": line.ink}
    axes.plot([1.0, 1.012], [end, place], linewidth=0.7, **bend)
    axes.plot(
        [1.012, 1.065],
        [place, place],
        linewidth=line.width,
        linestyle=line.dashes,
        **bend,
    )
    axes.text(1.075, place, line.name, transform=across, va="center", color=line.ink)


def _spread(ends: Sequence[float], gap: float) -> list[float]:
    """Return places at least `gap` apart, as near as possible to the ends of the lines."""
    order = np.argsort(ends)[::-1]
    places = np.array(ends)[order]
    for _ in range(200):
        for upper in range(len(places) - 1):
            short = gap - (places[upper] - places[upper + 1])
            if short > 0:
                places[upper] += short / 2
                places[upper + 1] -= short / 2
    spread = np.empty_like(places)
    spread[order] = places
    return [float(place) for place in spread]


def _corners(y: FloatArray) -> list[int]:
    """Places that a polyline needs to stay within a thousandth of the curve's height."""
    near = float(y.max()) * 1e-3
    keep, stack = {0, len(y) - 1}, [(0, len(y) - 1)]
    while stack:
        first, last = stack.pop()
        straight = np.linspace(y[first], y[last], last - first + 1)
        off = np.abs(y[first : last + 1] - straight)
        middle = first + int(off.argmax())
        if off.max() > near and first < middle < last:
            keep.add(middle)
            stack += [(first, middle), (middle, last)]
    return sorted(keep)


def _runs(values: Sequence[object]) -> list[tuple[int, int]]:
    """First and last place + 1 of each run of equal values."""
    starts = [0, *(i for i in range(1, len(values)) if values[i] != values[i - 1])]
    return list(zip(starts, [*starts[1:], len(values)], strict=True))


def _strip(axes: Axes, sweep: Sweep) -> None:
    """The colour that white turns to, and the word for it."""
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.set_ylabel("seen", rotation=0, ha="right", va="center")
    for side in axes.spines.values():
        side.set_visible(True)
    shades = [tuple(int(part) // 6 for part in rgb) for rgb in sweep.screen_rgb]
    for first, last in _runs(shades):
        rgb = sweep.screen_rgb[(first + last) // 2] / 255.0
        # each goes on to the right end, under the next: no seams between them
        axes.axvspan(sweep.volts_v[first], sweep.volts_v[-1], color=tuple(rgb), linewidth=0)
    for first, last in _runs(sweep.looks):
        _word(axes, sweep, first, last)
    axes.set_xlabel("volts at the node, V")


def _word(axes: Axes, sweep: Sweep, first: int, last: int) -> None:
    """Write a stretch's appearance onto it, clear of the dashed lines if there is room."""
    kind, word = sweep.kind, sweep.looks[first]
    low, high = sweep.volts_v[first], sweep.volts_v[last - 1]
    marks = (kind.logic_v, kind.lowest_v, kind.volts, kind.most_v)
    cuts = [low, *(mark for mark in marks if low < mark < high), high]
    left, right = max(pairwise(cuts), key=lambda cut: float(cut[1] - cut[0]))
    if (right - left) / sweep.volts_v[-1] < 0.0135 * len(word):
        left, right = low, high
    if (right - left) / sweep.volts_v[-1] < 0.0135 * len(word):
        return
    middle = float(left + right) / 2
    bright = sweep.screen_rgb[sweep.at(middle)] @ (0.2126, 0.7152, 0.0722) > 110
    ink = "black" if bright else "white"
    axes.text(middle, 0.47, word, ha="center", va="center", fontsize=8, color=ink)


def _volts(panels: Sequence[Axes], kind: NodeKind) -> None:
    """Dashed lines through all panels, named above them."""
    top = panels[0]
    for volts_v, name, side, row in (
        (kind.logic_v, f"logic stops {kind.logic_v:g} V", "right", 0),
        (kind.lowest_v, f"lowest {kind.lowest_v:g} V", "right", 0),
        (kind.volts, f"nominal {kind.volts:g} V", "left", 0),
        (kind.most_v, f"most {kind.most_v:g} V", "center", 1),
    ):
        for axes in panels:
            axes.axvline(volts_v, color="#808080", linewidth=1.0, dashes=(5, 3), zorder=1.6)
        place = top.get_xaxis_transform()
        top.text(volts_v, 1.025 + 0.06 * row, name, transform=place, ha=side, fontsize=8.5)


def main() -> None:
    """Draw all kinds and write their part of the notes, which is the last."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    for kind in catalogue().values():
        with mpl.rc_context(STYLE):
            figure = draw(kind)
            about = {"Title": kind.name, "Description": f"{caption(kind)} {currents(kind)}"}
            undated = {"Date": None, "Creator": None}
            figure.savefig(FOLDER / file_name(kind), metadata={**about, **undated})
    before = NOTES.read_text(encoding="utf-8").partition(HEADING)[0].rstrip()
    NOTES.write_text(f"{before}\n\n{section()}", encoding="utf-8")


if __name__ == "__main__":
    main()
