"""Prop map as signs and colours, for a widget to draw."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate, islice
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from benchtest.diagnosis import Finding
from benchtest.drive.universe_layout import Frame
from benchtest.evidence.marks import Seen
from benchtest.prop.design import Design, NodeName, StrandEnd
from benchtest.prop.notation import location_ends, parse_location
from benchtest.session.log.state import State

MARK_SIGNS: dict[Seen, str] = {
    "ok": " ",
    "dark": "x",
    "dim": "-",
    "warm": "w",
    "wrong-colour": "c",
    "stuck": "s",
    "flicker": "f",
}
MAP_BACKGROUND = (18, 18, 18)
"""Background of lit nodes, on a light screen too: light is seen against the dark."""
MIN_CONTRAST = 3.0
"""Contrast of a lit node with its background. Source: WCAG 2.2, success criterion 1.4.11."""
MIN_SHOWN_PROBABILITY = 0.2
"""Probability of suspects on the map."""


@dataclass(frozen=True, slots=True)
class MapCell:
    """One node, or a run of nodes in a condensed map."""

    sign: str
    """A mark's letter, `!` for a suspect, `@` for the cursor, or empty."""
    lit: bool
    rgb: tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class MapRow:
    """One strand, end A to the left."""

    strand: int
    enters_at_a: bool
    verdict: bool | None
    suspect_a: bool
    suspect_b: bool
    cells: tuple[MapCell, ...]


def map_rows(
    state: State,
    frame: Frame,
    finding: Finding | None,
    cursor: NodeName | None,
    width: int,
) -> list[MapRow]:
    """Return the rows of the prop map.

    Args:
        state: state with verdicts and marks.
        frame: present frame, shape (nodes, colours).
        finding: finding with the suspects; None if it is not known.
        cursor: node of a walk; None without one.
        width: cells of a row; longer strands are condensed.
    """
    ends, nodes = _suspected(finding, state.design)
    rows = []
    first = state.design.first_index
    runs = [-(-strand.nodes // max(width, 1)) for strand in state.design.strands]
    starts, counts = _starts(tuple(strand.nodes for strand in state.design.strands), tuple(runs))
    # one call each for the whole prop: hundreds of small calls would delay the frame clock, which
    # needs the interpreter lock
    peaks = iter(np.maximum.reduceat(frame, starts, axis=0).tolist())
    lit = np.logical_or.reduceat(frame.any(axis=1), first).tolist()
    for strand, run, count in zip(state.design.strands, runs, counts, strict=True):
        number = strand.number
        signs = _signs(state, number, nodes.get(number, []), cursor)
        own = list(islice(peaks, count))
        rows.append(
            MapRow(
                number,
                StrandEnd(number, "A") in state.design.data_path,
                state.verdicts.get(number),
                StrandEnd(number, "A") in ends,
                StrandEnd(number, "B") in ends,
                _cells(signs, own if lit[number - 1] else None, count, run),
            )
        )
    return rows


def map_note(design: Design, width: int) -> str:
    """Return the scale of a condensed map; empty if one dot is one node."""
    most = max(strand.nodes for strand in design.strands)
    run = -(-most // max(width, 1))
    return f"one dot = up to {run} nodes" if run > 1 else ""


def node_of_cell(nodes: int, cell: int, width: int) -> int:
    """Return the first node of a cell of the map, 1 to `nodes`.

    >>> node_of_cell(30, 4, 60), node_of_cell(160, 4, 60)
    (5, 13)
    """
    run = -(-nodes // max(width, 1))
    return max(1, min(nodes, cell * run + 1))


def _suspected(
    finding: Finding | None, design: Design
) -> tuple[set[StrandEnd], dict[int, list[int]]]:
    """Return the strand ends that suspects are at, and the suspected nodes of each strand."""
    ends: set[StrandEnd] = set()
    nodes: dict[int, list[int]] = {}
    for suspect in finding.suspects if finding else ():
        if suspect.probability < MIN_SHOWN_PROBABILITY:
            continue
        location = parse_location(suspect.where, design)
        ends.update(location_ends(location))
        if isinstance(location, NodeName):
            nodes.setdefault(location.strand, []).append(location.node)
    return ends, nodes


def _signs(
    state: State, number: int, suspects: list[int], cursor: NodeName | None
) -> list[str] | None:
    """Return the sign of each node of a strand, empty for none; None for a strand without any."""
    marks = [mark for mark in state.marks if mark.strand == number and mark.seen != "ok"]
    here = cursor is not None and cursor.strand == number
    if not (marks or suspects or here):
        return None
    signs = [""] * state.design.strand(number).nodes
    for mark in marks:
        signs[mark.first - 1 : mark.last] = [MARK_SIGNS[mark.seen]] * (mark.last - mark.first + 1)
    for node in suspects:
        signs[node - 1] = "!"
    if here and cursor is not None:
        signs[cursor.node - 1] = "@"
    return signs


@lru_cache(maxsize=8)
def _starts(sizes: tuple[int, ...], runs: tuple[int, ...]) -> tuple[NDArray[np.intp], list[int]]:
    """First node of each cell of the map, and how many cells each strand has."""
    starts: list[int] = []
    counts = []
    for low, size, run in zip(accumulate((0, *sizes)), sizes, runs, strict=False):
        cells = range(low, low + size, run)
        starts += cells
        counts.append(len(cells))
    return np.array(starts, dtype=np.intp), counts


def _cells(
    signs: list[str] | None, peaks: list[list[int]] | None, count: int, run: int
) -> tuple[MapCell, ...]:
    """Return the cells of a strand, each of `run` nodes; `peaks` are their levels, None if dark."""
    if peaks is None:
        if signs is None:
            return (DARK,) * count
        peaks = [[0, 0, 0]] * count
    if signs is None:
        return tuple(_cell("", *peak) for peak in peaks)
    shown = (_loudest(signs[low : low + run]) for low in range(0, len(signs), run))
    return tuple(_cell(sign, *peak) for sign, peak in zip(shown, peaks, strict=True))


def _loudest(signs: list[str]) -> str:
    return next((s for s in ("@", "!") if s in signs), "") or next((s for s in signs if s), "")


@lru_cache(maxsize=4096)
def _cell(sign: str, red: int, green: int, blue: int, white: int = 0) -> MapCell:
    # eyes see light roughly by its square root; without that, a quarter looks like nothing
    shown = [round(sqrt(min(level + white, 255) * 255.0)) for level in (red, green, blue)]
    is_lit = bool(red or green or blue or white)
    rgb = (shown[0], shown[1], shown[2])
    return MapCell(sign, is_lit, _legible(rgb) if is_lit else rgb)


def _legible(rgb: tuple[int, int, int]) -> tuple[int, int, int]:
    """Return a colour with enough white added to be seen on the background of the map.

    A terminal without colour shows a grey of the same weighted brightness, darker than the colour.

    >>> _legible((255, 255, 255)), _legible((0, 0, 128))
    ((255, 255, 255), (95, 95, 175))
    """
    for white in range(0, 256, 5):
        red, green, blue = (level + round((255 - level) * white / 255) for level in rgb)
        grey = round(0.2126 * red + 0.7152 * green + 0.0722 * blue)
        darkest = min(luminance((red, green, blue)), luminance((grey, grey, grey)))
        if (darkest + 0.05) / (_GROUND + 0.05) >= MIN_CONTRAST:
            return red, green, blue
    return 255, 255, 255


def luminance(rgb: tuple[int, int, int]) -> float:
    """Relative luminance, 0 to 1, as WCAG 2.2 defines it.

    >>> round(luminance((255, 0, 0)), 4)
    0.2126
    """
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4
        for part in (level / 255.0 for level in rgb)
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


_GROUND = luminance(MAP_BACKGROUND)


DARK = _cell("", 0, 0, 0)
