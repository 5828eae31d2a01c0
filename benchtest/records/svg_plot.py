"""Drawing of small plots as SVG elements of a page, in points from the upper left corner.

Colours are the page's own variables, so that a plot follows a dark theme; letters are the
browser's. Nothing external is used and no id is set, so several plots may be in one page.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

Colour = Literal["ink", "soft", "tint", "bad", "line"]
"""Colour variable of the page's style sheet."""
FONT_SIZE = 6.5
"""Size of letters. [pt]"""
_TICK_LENGTH, _LABEL_GAP = 2.0, 1.5
"""Length of a tick, and the gap to its label. [pt]"""
Scale = Callable[[float], float]
"""Place on the page [pt] of a value."""


def linear(low: float, high: float, at_low: float, at_high: float) -> Scale:
    """Return the linear scale that puts `low` and `high` at these places; `low` < `high`.

    >>> linear(0.0, 10.0, 100.0, 0.0)(4.0)
    60.0
    """
    span = (at_high - at_low) / (high - low)
    return lambda value: at_low + (value - low) * span


def tick_values(low: float, high: float, most: int) -> list[float]:
    """Return at most `most` round values inside a range, in steps of 1, 2 or 5 times a power of 10.

    >>> tick_values(4.41, 4.93, 3), tick_values(0.0, 5.0, 3)
    ([4.6, 4.8], [0.0, 2.0, 4.0])
    """
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    for factor in (1.0, 2.0, 5.0, 10.0, 20.0):
        step = factor * power
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first + 1 <= most:
            break
    digits = max(0, -math.floor(math.log10(step)))
    return [round(place * step, digits) for place in range(first, last + 1)]


class SvgPlot:
    """An SVG element that is drawn step by step; later shapes cover earlier ones."""

    def __init__(self, width: float, height: float, description: str) -> None:
        """Begin a drawing.

        Args:
            width: width. [pt]
            height: height. [pt]
            description: text for screen readers.
        """
        self._parts = [
            f'<svg viewBox="0 0 {_n(width)} {_n(height)}" role="img" '
            f"aria-label={quoteattr(description)} "
            f"style=\"font:{_n(FONT_SIZE)}px 'DejaVu Sans',sans-serif\">"
        ]

    def line(
        self,
        points: Iterable[tuple[float, float]],
        colour: Colour,
        width: float,
        dashes: Sequence[float] = (),
    ) -> None:
        """Draw a line through points; dashes and gaps are in multiples of its width."""
        style = f"fill:none;stroke:var(--{colour});stroke-width:{_n(width)}"
        if dashes:
            style += f";stroke-dasharray:{' '.join(_n(one * width) for one in dashes)}"
        self._parts.append(f'<path d="{_path(points)}" style="{style}"/>')

    def area(self, points: Iterable[tuple[float, float]], colour: Colour) -> None:
        """Fill the area inside points."""
        self._parts.append(f'<path d="{_path(points)}Z" style="fill:var(--{colour})"/>')

    def diamond(self, x: float, y: float, half: float, colour: Colour) -> None:
        """Draw a diamond; `half` is the distance from its centre to a corner."""
        self.area([(x - half, y), (x, y - half), (x + half, y), (x, y + half)], colour)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        colour: Colour,
        *,
        anchor: Literal["start", "middle", "end"] = "start",
        size: float = FONT_SIZE,
        upwards: bool = False,
    ) -> None:
        """Write literal text with its baseline at `y`; `upwards` turns it to read from below."""
        more = f' transform="rotate(-90 {_n(x)} {_n(y)})"' if upwards else ""
        more += f' text-anchor="{anchor}"' if anchor != "start" else ""
        style = f"fill:var(--{colour})" + (f";font-size:{_n(size)}px" if size != FONT_SIZE else "")
        self._parts.append(
            f'<text x="{_n(x)}" y="{_n(y)}" style="{style}"{more}>{escape(words)}</text>'
        )

    def axis_below(
        self, y: float, ends: tuple[float, float], ticks: Iterable[tuple[float, str]]
    ) -> None:
        """Draw a horizontal axis with labelled ticks; an empty label leaves only the tick."""
        self.line([(ends[0], y), (ends[1], y)], "line", 0.6)
        for x, label in ticks:
            self.line([(x, y), (x, y + _TICK_LENGTH)], "line", 0.6)
            if label:
                below = y + _TICK_LENGTH + _LABEL_GAP + 0.76 * FONT_SIZE
                self.text(x, below, label, "soft", anchor="middle")

    def axis_left(
        self, x: float, ends: tuple[float, float], ticks: Iterable[tuple[float, str]]
    ) -> None:
        """Draw a vertical axis with labelled ticks."""
        self.line([(x, ends[0]), (x, ends[1])], "line", 0.6)
        for y, label in ticks:
            self.line([(x - _TICK_LENGTH, y), (x, y)], "line", 0.6)
            if label:
                at = x - _TICK_LENGTH - _LABEL_GAP, y + 0.36 * FONT_SIZE
                self.text(*at, label, "soft", anchor="end")

    def svg(self) -> str:
        """Return the finished element."""
        return "".join([*self._parts, "</svg>"])


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _path(points: Iterable[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in points)
