"""Curves drawn with characters that every terminal has. Pure: rows of signs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Trace:
    """One curve, or some points.

    Attributes:
        sign: what it is drawn with.
        x: ascending, shape (n,).
        y: the same length.
        joined: a line from point to point; else only the points.
    """

    sign: str
    x: Sequence[float]
    y: Sequence[float]
    joined: bool = True


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawing: each row's level and its signs, from top to bottom."""

    levels: tuple[float, ...]
    lines: tuple[str, ...]


def draw(traces: Sequence[Trace], columns: int, rows: int) -> Chart:
    """Draw traces over one another, the last on top.

    Args:
        traces: at least one, with a point or more.
        columns: from the least x of all to the greatest.
        rows: from the greatest y to the least; one where all are alike.

    >>> for line in draw([Trace("*", [0, 1, 2, 3], [2.0, 1.0, 0.0, 1.0])], 4, 3).lines:
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
