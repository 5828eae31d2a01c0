"""Curves as rows of text: in braille dots, or with characters that every terminal has."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Trace:
    """One curve, or some points.

    Attributes:
        sign: character of the curve.
        x: ascending abscissae, shape (n,).
        y: ordinates, shape (n,).
        joined: draw a line from point to point; else only the points.
    """

    sign: str
    x: Sequence[float]
    y: Sequence[float]
    joined: bool = True


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawing: level and characters of each row, from top to bottom."""

    levels: tuple[float, ...]
    lines: tuple[str, ...]


def draw_chart(traces: Sequence[Trace], columns: int, rows: int) -> Chart:
    """Draw traces over one another, the last on top.

    Args:
        traces: one trace or more, each with a point or more.
        columns: columns from the least x to the greatest.
        rows: rows from the greatest y to the least; one row if all y are equal.

    >>> for line in draw_chart([Trace("*", [0, 1, 2, 3], [2.0, 1.0, 0.0, 1.0])], 4, 3).lines:
    ...     print(repr(line))
    '*   '
    ' * *'
    '  * '
    """
    every_x = [x for trace in traces for x in trace.x]
    every_y = [y for trace in traces for y in trace.y]
    first, last, low, high = min(every_x), max(every_x), min(every_y), max(every_y)
    rows = rows if high > low else 1
    step = (high - low) / max(rows - 1, 1) or 1.0
    grid = [[" "] * columns for _ in range(rows)]
    across = max(columns - 1, 1) / ((last - first) or 1.0)
    for trace in traces:
        xs, ys = np.asarray(trace.x, dtype=float), np.asarray(trace.y, dtype=float)
        if trace.joined:
            xs, ys = (even := first + np.arange(columns) / across), np.interp(even, xs, ys)
        for x, y in zip(xs.tolist(), ys.tolist(), strict=True):
            grid[round((high - y) / step)][round((x - first) * across)] = trace.sign
    levels = tuple(high - row * step for row in range(rows))
    return Chart(levels, tuple("".join(line) for line in grid))


DOTS_ACROSS, DOTS_DOWN = 2, 4
"""Dots of one braille character. Source: Unicode Standard, block 2800-28FF."""
_BRAILLE = 0x2800
_DOT_BITS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
"""Bit of each dot of a braille character: left column from top to bottom, then the right one."""
MIN_SPAN_V = 0.002
"""Least height of an axis, so that noise of the last digit is not drawn as a slope. [V]"""


@dataclass(frozen=True, slots=True)
class Axis:
    """A vertical axis with round numbers.

    Attributes:
        low: its lower end, a tick.
        step: distance of two ticks.
        count: number of ticks.
        decimals: decimals that a tick needs.
    """

    low: float
    step: float
    count: int
    decimals: int

    @property
    def high(self) -> float:
        return self.low + self.step * (self.count - 1)

    def label(self, place: int) -> str:
        """Return the tick at a place, from 0 at the lower end."""
        return f"{self.low + place * self.step:.{self.decimals}f}"


def round_axis(low: float, high: float, most: int) -> Axis:
    """Return an axis that includes a range and has ticks at 1, 2 or 5 times a power of ten.

    Args:
        low: least value.
        high: greatest value.
        most: most ticks, 2 or more.

    >>> axis = round_axis(4.718, 4.996, 5)
    >>> [axis.label(place) for place in range(axis.count)]
    ['4.7', '4.8', '4.9', '5.0']
    """
    if high - low < MIN_SPAN_V:
        middle = 0.5 * (low + high)
        low, high = middle - 0.5 * MIN_SPAN_V, middle + 0.5 * MIN_SPAN_V
    power = math.floor(math.log10((high - low) / most))
    for size in range(power, power + 3):
        for factor in (1, 2, 5):
            step = factor * 10.0**size
            first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
            if last - first + 1 <= max(most, 2):
                return Axis(first * step, step, last - first + 1, max(0, -size))
    raise AssertionError("a step of a thousand times the least one includes every range")


@dataclass(frozen=True, slots=True)
class Plot:
    """A drawing with the label of each row, empty between ticks, from top to bottom."""

    labels: tuple[str, ...]
    lines: tuple[str, ...]


def draw_plot(traces: Sequence[Trace], columns: int, rows: int, in_braille: bool) -> Plot:
    """Draw traces over one another with an axis of round numbers.

    Args:
        traces: one trace or more, each with a point or more. Of joined ones, the first is drawn
            dotted; points are drawn with their sign.
        columns: columns from the least x to the greatest.
        rows: rows of the plot, 2 or more.
        in_braille: draw curves in braille dots; else with the sign of their trace.
    """
    every_x = [x for trace in traces for x in trace.x]
    every_y = [y for trace in traces for y in trace.y]
    first, last = min(every_x), max(every_x)
    axis = round_axis(min(every_y), max(every_y), max(2, (rows + 1) // 2))
    across, down = (DOTS_ACROSS, DOTS_DOWN) if in_braille else (1, 1)
    width, height = columns * across, rows * down

    def row_of(y: float) -> int:
        return round((axis.high - y) / (axis.high - axis.low) * (height - 1))

    bits = np.zeros((rows, columns), dtype=int)
    signs = [[" "] * columns for _ in range(rows)]
    per_x = max(width - 1, 1) / ((last - first) or 1.0)
    for place, trace in enumerate(traces):
        xs, ys = np.asarray(trace.x, dtype=float), np.asarray(trace.y, dtype=float)
        if trace.joined:
            xs, ys = (even := first + np.arange(width) / per_x), np.interp(even, xs, ys)
        before: int | None = None
        for x, y in zip(xs.tolist(), ys.tolist(), strict=True):
            column, row = round((x - first) * per_x), row_of(y)
            if not (in_braille and trace.joined):
                signs[row // down][column // across] = trace.sign
                continue
            if place == 0 and column % 4 > 1:  # dotted
                continue
            # a steep curve stays one line
            steps = range(row, row + 1) if before is None or place == 0 else _between(before, row)
            for dot in steps:
                bits[dot // down, column // across] |= _DOT_BITS[column % across][dot % down]
            before = row
    labels = [""] * rows
    for place in range(axis.count):
        labels[row_of(axis.low + place * axis.step) // down] = axis.label(place)
    lines = [
        "".join(
            sign if sign != " " or not value else chr(_BRAILLE + value)
            for sign, value in zip(row, values, strict=True)
        )
        for row, values in zip(signs, bits.tolist(), strict=True)
    ]
    return Plot(tuple(labels), tuple(lines))


def _between(before: int, row: int) -> range:
    """Return the dots that join two neighbouring columns, without the first."""
    if row > before:
        return range(before + 1, row + 1)
    return range(row, max(before, row + 1))
