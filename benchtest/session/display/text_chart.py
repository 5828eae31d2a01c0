"""Curves drawn with characters that every terminal has, as rows of text."""

from __future__ import annotations

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
