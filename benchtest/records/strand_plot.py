"""Plot of volts along each strand, measured and predicted, as one SVG of small plots."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from benchtest.formatting import count_noun
from benchtest.records.svg_plot import Scale, SvgPlot, linear, tick_values

_PANELS_PER_ROW = 4
MAX_PANELS = 16
PLOT_WIDTH = 518.4
"""Width of a plot in a page. [pt]"""
_LEFT, _RIGHT = 30.2, 3.6
"""Space left and right of the panels. [pt]"""
_ROW_PITCH, _TITLE_HEIGHT, _PANEL_HEIGHT = 63.0, 11.5, 39.0
"""Pitch of the rows, and in each the space for titles and the height of a panel. [pt]"""
_STRAND_PITCH = 1.12
"""Pitch of the strands in a row, in strands."""
_EDGE = 0.03
"""Space next to the first and the last strand of a row, in strands."""
_MARGIN = 0.05
"""Space above and below the volts of all panels, as a share of their range."""
_Point = tuple[float, float]


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
    rows = [
        plot.panels[at : at + _PANELS_PER_ROW] for at in range(0, len(plot.panels), _PANELS_PER_ROW)
    ]
    described = f"Volts along {count_noun(len(plot.panels), 'strand')}, as designed and as read"
    height = _ROW_PITCH * len(rows)
    drawing = SvgPlot(PLOT_WIDTH, height, described)
    low, high = _volt_range(plot)
    ticks = tick_values(low, high, 3)
    for place, panels in enumerate(rows):
        top = place * _ROW_PITCH + _TITLE_HEIGHT
        bottom = top + _PANEL_HEIGHT
        y = linear(low, high, bottom, top)
        drawing.axis_left(_LEFT, (top, bottom), [(y(volts), f"{volts:g}") for volts in ticks])
        _draw_row(drawing, panels, y, bottom)
        if plot.lowest_v is not None:
            level = y(plot.lowest_v)
            ends = [(_LEFT, level), (PLOT_WIDTH - _RIGHT, level)]
            drawing.line(ends, "bad", 0.7, (6.4, 1.6, 1.0, 1.6))
    drawing.text(6.0, height / 2, "volts", "soft", anchor="middle", upwards=True)
    return drawing.svg()


def _volt_range(plot: StrandPlot) -> tuple[float, float]:
    """Return the lowest and the highest volts of all panels, with a margin. [V]"""
    shown = [volts for panel in plot.panels for volts in _curve_volts(panel.curve)]
    shown += [] if plot.lowest_v is None else [plot.lowest_v]
    low, high = min(shown), max(shown)
    margin = _MARGIN * (high - low) or 0.05
    return low - margin, high + margin


def _curve_volts(curve: StrandCurve) -> Iterator[float]:
    yield from (dot.volts for dot in curve.dots)
    for middle, sd in ((curve.designed_v, curve.designed_sd_v), (curve.read_v, curve.read_sd_v)):
        if middle is not None and sd is not None:
            for volts, own in zip(middle, sd, strict=True):
                yield from (volts - 2 * own, volts + 2 * own)


def _draw_row(drawing: SvgPlot, panels: Sequence[StrandPanel], y: Scale, bottom: float) -> None:
    """Draw strands side by side on one horizontal axis."""
    last = (_PANELS_PER_ROW - 1) * _STRAND_PITCH + 1.0 + _EDGE
    across = linear(-_EDGE, last, _LEFT, PLOT_WIDTH - _RIGHT)
    ticks = []
    for place, panel in enumerate(panels):
        start = place * _STRAND_PITCH
        x = linear(0.0, panel.nodes + 1, across(start), across(start + 1.0))
        middle = (panel.nodes + 1) // 2
        ticks += [(x(0), "A"), (x(middle), str(middle)), (x(panel.nodes + 1), "B")]
        title = bottom - _PANEL_HEIGHT - 2.0
        drawing.text(x(0), title, f"strand {panel.strand}", "ink")
        _draw_curve(drawing, panel.curve, x, y)
    drawing.axis_below(bottom, (_LEFT, PLOT_WIDTH - _RIGHT), ticks)


def _draw_curve(drawing: SvgPlot, curve: StrandCurve, x: Scale, y: Scale) -> None:
    places = [x(value) for value in curve.x]

    def points(volts: Sequence[float], sd_v: Sequence[float], factor: float) -> list[_Point]:
        return [
            (place, y(value + factor * sd))
            for place, value, sd in zip(places, volts, sd_v, strict=True)
        ]

    designed, sd = curve.designed_v, curve.designed_sd_v
    drawing.area([*points(designed, sd, 2.0), *reversed(points(designed, sd, -2.0))], "tint")
    drawing.line(points(designed, sd, 0.0), "soft", 0.9, (4.0, 1.5))
    if curve.read_v is not None and curve.read_sd_v is not None:
        drawing.line(points(curve.read_v, curve.read_sd_v, 0.0), "ink", 1.2)
        for factor in (-2.0, 2.0):
            drawing.line(points(curve.read_v, curve.read_sd_v, factor), "ink", 0.4, (1.0, 1.65))
    for dot in curve.dots:
        drawing.diamond(x(dot.x), y(dot.volts), 2.9, "bad")
