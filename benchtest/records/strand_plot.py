"""Plot of volts along each strand, measured and predicted, as one SVG of small plots.

matplotlib is imported only when a page is made: that takes a third of a second. Its colours are
replaced by the page's own, so that the plot follows a dark theme.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from benchtest.formatting import count_noun
from benchtest.records.matplotlib_setup import draw_svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, TINT, BAD, LINE = "#010101", "#020202", "#030303", "#040404", "#050505"
_OWN = {INK: "ink", SOFT: "soft", TINT: "tint", BAD: "bad", LINE: "line"}
PLOT_STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 6.5,
    "text.color": INK,
    "axes.edgecolor": LINE,
    "axes.labelcolor": SOFT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.6,
    "xtick.color": LINE,
    "xtick.labelcolor": SOFT,
    "ytick.color": LINE,
    "ytick.labelcolor": SOFT,
    "svg.fonttype": "none",
    "figure.facecolor": "none",
    "axes.facecolor": "none",
}
_PANELS_PER_ROW = 4
MAX_PANELS = 16
WIDTH_IN, _PANEL_HEIGHT_IN, _FOOT_IN = 7.2, 0.86, 0.14
"""Size of the drawing: its width, each row of panels, and the space below them. [in]"""
_STRAND_PITCH = 1.12
"""Pitch of the strands in a row, in strands."""


@dataclass(frozen=True, slots=True)
class ReadingDot:
    """One reading and its place on the strand."""

    x: float
    """Node number; end A is 0 and end B one after the last node."""
    volts: float


@dataclass(frozen=True, slots=True)
class StrandCurve:
    """Volts along one strand under one lit set; all sequences have the same length. [V]"""

    x: Sequence[float]
    designed_v: Sequence[float]
    designed_sd_v: Sequence[float]
    read_v: Sequence[float] | None
    """Volts of this unit, estimated from the readings; None without readings."""
    read_sd_v: Sequence[float] | None
    dots: Sequence[ReadingDot] = ()


@dataclass(frozen=True, slots=True)
class StrandPanel:
    """One strand."""

    strand: int
    nodes: int
    curve: StrandCurve


@dataclass(frozen=True, slots=True)
class StrandPlot:
    """The plot and the facts for its caption."""

    lit: str
    panels: Sequence[StrandPanel]
    lowest_v: float | None
    """Lowest voltage that a node should have, if inside the plot. [V]"""
    suspect: str | None = None
    """Joint assumed to be at fault in the estimated volts."""
    left_out: Sequence[int] = field(default_factory=tuple)
    """Strands without a panel."""


def draw_strands(plot: StrandPlot) -> str:
    """Return the plot as an SVG element without external resources."""
    description = f"Volts along {count_noun(len(plot.panels), 'strand')}, as designed and as read"
    return embed_svg(draw_svg(lambda: _figure(plot), PLOT_STYLE), "volts", description)


def _figure(plot: StrandPlot) -> Figure:
    from matplotlib.figure import Figure

    rows = [
        plot.panels[at : at + _PANELS_PER_ROW] for at in range(0, len(plot.panels), _PANELS_PER_ROW)
    ]
    height = _PANEL_HEIGHT_IN * len(rows) + _FOOT_IN
    figure = Figure(figsize=(WIDTH_IN, height))
    # placed by hand: the automatic layouts take ten times as long as the drawing
    edges = {"left": 0.42 / WIDTH_IN, "right": 1.0 - 0.05 / WIDTH_IN}
    edges |= {"bottom": (_FOOT_IN + 0.05) / height, "top": 1.0 - 0.16 / height}
    grid = {**edges, "hspace": 0.62}
    axes = figure.subplots(len(rows), 1, sharey=True, squeeze=False, gridspec_kw=grid)
    for at, panels in zip(axes[:, 0], rows, strict=True):
        _draw_row(at, panels, plot.lowest_v)
    figure.text(0.02 / WIDTH_IN, 0.5, "volts", fontsize=6.5, color=SOFT, rotation=90, va="center")
    return figure


def _draw_row(at: Axes, panels: Sequence[StrandPanel], lowest_v: float | None) -> None:
    """Draw strands side by side on one pair of axes: separate axes would take ten times as long."""
    ticks, names = [], []
    for place, panel in enumerate(panels):
        start = place * _STRAND_PITCH
        _draw_strand(at, panel, start)
        middle = (panel.nodes + 1) // 2
        ticks += [start, start + middle / (panel.nodes + 1), start + 1.0]
        names += ["A", str(middle), "B"]
        at.text(start, 1.04, f"strand {panel.strand}", transform=at.get_xaxis_transform())
    if lowest_v is not None:
        at.axhline(lowest_v, color=BAD, linewidth=0.7, linestyle="-.")
    at.set_xlim(-0.03, _PANELS_PER_ROW * _STRAND_PITCH - (_STRAND_PITCH - 1.03))
    at.set_xticks(ticks, names)
    at.tick_params(length=2, pad=1.5)


def _draw_strand(at: Axes, panel: StrandPanel, start: float) -> None:
    import numpy as np

    curve = panel.curve
    x = start + np.asarray(curve.x) / (panel.nodes + 1)
    designed, sd = np.asarray(curve.designed_v), np.asarray(curve.designed_sd_v)
    at.fill_between(x, designed - 2 * sd, designed + 2 * sd, color=TINT, linewidth=0)
    at.plot(x, designed, color=SOFT, linewidth=0.9, linestyle=(0, (4, 1.5)))
    if curve.read_v is not None and curve.read_sd_v is not None:
        read, sd = np.asarray(curve.read_v), np.asarray(curve.read_sd_v)
        at.plot(x, read, color=INK, linewidth=1.2)
        for edge in (read - 2 * sd, read + 2 * sd):
            at.plot(x, edge, color=INK, linewidth=0.4, linestyle=":")
    if curve.dots:
        dots = [start + dot.x / (panel.nodes + 1) for dot in curve.dots]
        volts = [dot.volts for dot in curve.dots]
        at.plot(dots, volts, "D", color=BAD, markersize=3.2, clip_on=False, zorder=5)


def embed_svg(svg: str, name: str, description: str) -> str:
    """Return matplotlib's SVG as part of a page: the page's colours, and only the ids in use.

    Args:
        svg: the picture.
        name: prefix of each of its ids, since another picture of the page may have the same.
        description: text for screen readers.
    """
    svg = svg[svg.index("<svg") :].strip()
    svg = re.sub(r"<style[^>]*>.*?</style>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    used = set(re.findall(r'(?:href="|url\()#([\w-]+)', svg))
    svg = re.sub(r' id="([^"]+)"', lambda found: found[0] if found[1] in used else "", svg)
    svg = re.sub(r'( id="|href="#|url\(#)', rf"\1{name}-", svg)
    for colour, own in _OWN.items():
        svg = svg.replace(colour, f"var(--{own})")
    label = escape(description, {'"': "&quot;"})
    svg = re.sub(
        r'<svg [^>]*viewBox="([^"]*)"[^>]*>',
        lambda found: f'<svg viewBox="{found[1]}" role="img" aria-label="{label}">',
        svg,
        count=1,
    )
    svg = re.sub(r"\s*\n\s*", " ", svg)
    return svg.replace("xlink:href", "href").replace("'DejaVu Sans'", "'DejaVu Sans', sans-serif")
