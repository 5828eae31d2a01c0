"""Prop map as text, signs and colours, for a widget to draw.

One row for each strand: nodes in the middle; joints, buses, links and feeds at both sides; the
leads of the meter and the suspects at their places.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate, islice
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from benchtest.diagnosis import Finding
from benchtest.drive.universe_layout import Frame
from benchtest.evidence.marks import Seen
from benchtest.prop.design import (
    BusPad,
    Design,
    End,
    Feed,
    FeedName,
    NodeName,
    Place,
    Point,
    Probe,
    StrandEnd,
)
from benchtest.prop.joints import Joint
from benchtest.prop.notation import location_ends, parse_location
from benchtest.session.display.characters import Glyphs, Role, Run
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


NUMBER_CELLS = 5
"""Cells of a strand's number and verdict, with the space behind."""
MAX_MARGIN = 10
"""Most cells for the name of a feed."""
MIN_ACROSS = 16
"""Least cells of the nodes: the labels of two leads need them."""


@dataclass(frozen=True, slots=True)
class MapCell:
    """One node, or a run of nodes in a condensed map."""

    sign: str
    """A mark's letter, `!` for a suspect, `@` for the cursor, or empty."""
    lit: bool
    rgb: tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class MapRow:
    """One strand, end A to the left.

    Attributes:
        strand: its number.
        enters_at_a: True if data enters at end A.
        verdict: result of the last look; None without one.
        suspect_a: True if a suspect is at end A.
        suspect_b: True if a suspect is at end B.
        cells: its nodes.
        pitch: characters from one cell to the next.
        filler: wire behind the last node of a shorter strand.
        left: number, verdict, feeds and copper at end A, from the edge to the first node.
        right: copper and feeds at end B.
        labels: text over the nodes, each with the cell that it starts at.
        weight: importance of the row where there is no space for all.
    """

    strand: int
    enters_at_a: bool
    verdict: bool | None
    suspect_a: bool
    suspect_b: bool
    cells: tuple[MapCell, ...]
    pitch: int = 1
    filler: str = ""
    left: tuple[Run, ...] = ()
    right: tuple[Run, ...] = ()
    labels: tuple[tuple[int, Run], ...] = ()
    weight: int = 0


@dataclass(frozen=True, slots=True)
class MapSum:
    """One line for several strands that have no line of their own."""

    text: str


@dataclass(frozen=True, slots=True)
class MapFocus:
    """Subject of the present question.

    Attributes:
        probe: places of the two leads; None without a reading.
        strands: strands that are asked about.
        cursor: node of a walk; None without one.
        has_shares: write the probability of a suspect next to its place. It covers nodes, so this
            is not for looks.
    """

    probe: Probe | None = None
    strands: frozenset[int] = frozenset()
    cursor: NodeName | None = None
    has_shares: bool = False


# -- copper ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Copper:
    """Copper that joins strand ends on one side of the map.

    Attributes:
        name: name of the bus; empty for links and the closing side of a ring.
        rows: strands joined.
        boxes: its characters: first, middle, last, only and passing.
    """

    name: str
    rows: tuple[int, ...]
    boxes: str


@dataclass(frozen=True)
class MapSide:
    """Everything fixed at one side of the map.

    Attributes:
        head: names of the buses.
        margins: feeds, data entry and far links of each strand, from the edge inwards.
        lanes: copper of each strand, the lane nearest the nodes first.
        pads: lane of each bus at each strand.
    """

    head: str
    margins: tuple[str, ...]
    lanes: tuple[str, ...]
    pads: Mapping[tuple[str, int], int]

    @property
    def margin_cells(self) -> int:
        return max(map(len, self.margins), default=0)

    @property
    def lane_count(self) -> int:
        return max(map(len, self.lanes), default=0)

    @property
    def cells(self) -> int:
        """Cells from the edge to the nodes: margin, lanes, the wire of the joint and the arrow."""
        return self.margin_cells + self.lane_count + 2


@dataclass(frozen=True, slots=True)
class MapScale:
    """Scale of the nodes.

    Attributes:
        run: nodes of a cell.
        pitch: characters from one cell to the next.
        across: characters of the longest strand.
    """

    run: int
    pitch: int
    across: int

    def node(self, nodes: int, place: int) -> int:
        """Return the first node of the cell at a character, 1 to `nodes`."""
        return max(1, min(nodes, place // self.pitch * self.run + 1))

    @property
    def note(self) -> str:
        """The scale of a condensed map; empty if one dot is one node."""
        return f"one dot = up to {self.run} nodes" if self.run > 1 else ""


class MapWiring:
    """Buses, rings, links, feeds and data entry of a design, drawn once for all frames."""

    def __init__(self, design: Design, glyphs: Glyphs) -> None:
        self.design = design
        self.glyphs = glyphs
        self.a, self.b = self._side("A"), self._side("B")

    @property
    def edge_cells(self) -> int:
        """Cells of a row that are not nodes."""
        return NUMBER_CELLS + self.a.cells + self.b.cells

    def scale(self, width: int) -> MapScale:
        """Return the scale of a map of this width."""
        longest = max(strand.nodes for strand in self.design.strands)
        room = max(MIN_ACROSS, width - self.edge_cells)
        run = -(-longest // room)
        count = -(-longest // run)
        pitch = 2 if run == 1 and 2 * count <= room else 1
        return MapScale(run, pitch, max(MIN_ACROSS, count * pitch))

    @property
    def cells_before(self) -> int:
        """Cells before the first node."""
        return NUMBER_CELLS + self.a.cells

    @property
    def whole_width(self) -> int:
        """Width of a map with a cell for each node."""
        longest = max(strand.nodes for strand in self.design.strands)
        return self.edge_cells + max(MIN_ACROSS, longest)

    def head(self, across: int) -> str:
        """Return the line above the strands: names of ends and buses at both sides."""
        left = f"A {self.a.head}".rstrip()
        right = f"{self.b.head} B".lstrip()
        room = self.a.margin_cells + self.a.lane_count + across + self.b.cells + 2
        half = room // 2
        left, right = self._cut(left, half), self._cut(right, half)
        inner = max(1, room - self.b.margin_cells - len(left) - len(right))
        start = NUMBER_CELLS + self.a.margin_cells
        return f"{'':{start}}{left}{'':{max(1, inner - self.a.margin_cells)}}{right}"

    def _cut(self, text: str, cells: int) -> str:
        return text if len(text) <= cells else text[: cells - 1] + self.glyphs.ellipsis

    def _side(self, end: End) -> MapSide:
        glyphs = self.glyphs
        board, link = (
            (glyphs.board_a, glyphs.link_a) if end == "A" else (glyphs.board_b, glyphs.link_b)
        )
        copper: list[_Copper] = []
        for bus in self.design.buses:
            rows = tuple(sorted(one.strand for one in bus.ends if one.end == end))
            if rows:
                copper.append(_Copper(bus.name, rows, board))
                if bus.ring and len(rows) > 2:
                    copper.append(_Copper("", (rows[0], rows[-1]), link))
        far: dict[int, list[str]] = {}
        for one in self.design.links:
            if one.first.end == one.second.end:
                if one.first.end == end:
                    rows = tuple(sorted((one.first.strand, one.second.strand)))
                    copper.append(_Copper("", rows, link))
                continue
            here, there = (
                (one.first, one.second) if one.first.end == end else (one.second, one.first)
            )
            far.setdefault(here.strand, []).append(f"to {there}")
        lanes, pads = self._lanes(copper)
        names = dict.fromkeys(one.name for one in copper if one.name)
        return MapSide(", ".join(names), self._margins(end, far), lanes, pads)

    def _lanes(
        self, copper: Sequence[_Copper]
    ) -> tuple[tuple[str, ...], dict[tuple[str, int], int]]:
        """Return the copper of each strand, nearest the nodes first, and the lane of each pad."""
        lanes: list[list[_Copper]] = []
        pads: dict[tuple[str, int], int] = {}
        for one in copper:
            low, high = one.rows[0], one.rows[-1]
            place = next(
                (
                    place
                    for place, lane in enumerate(lanes)
                    if all(high < other.rows[0] or low > other.rows[-1] for other in lane)
                ),
                len(lanes),
            )
            if place == len(lanes):
                lanes.append([])
            lanes[place].append(one)
            pads.update({(one.name, row): place for row in one.rows if one.name})
        rows = []
        for strand in self.design.strands:
            number, signs = strand.number, [" "] * len(lanes)
            for place, lane in enumerate(lanes):
                for one in lane:
                    if one.rows[0] <= number <= one.rows[-1]:
                        signs[place] = one.boxes[_part(one.rows, number)]
                        if number in one.rows:  # its wire crosses the lanes within
                            signs[:place] = [self._crossed(sign) for sign in signs[:place]]
            rows.append("".join(signs))
        return tuple(rows), pads

    def _crossed(self, sign: str) -> str:
        if sign == " ":
            return self.glyphs.wire
        return self.glyphs.crossing if sign in "┃│|" else sign

    def _margins(self, end: End, far: Mapping[int, list[str]]) -> tuple[str, ...]:
        found: list[str] = []
        feeds: dict[int, list[str]] = {}
        for feed in self.design.feeds:
            if self.end_of(feed) == end:
                feeds.setdefault(feed.at.strand, []).append(feed.name)
        enters = self.design.data_path[0] if self.design.data_path else None
        for strand in self.design.strands:
            words = far.get(strand.number, []) + feeds.get(strand.number, [])
            names = self._cut(", ".join(words), MAX_MARGIN - 1)
            is_first = enters == StrandEnd(strand.number, end)
            if is_first and len(names) + 6 <= MAX_MARGIN + 2:
                names = f"data {names}".rstrip() if end == "A" else f"{names} data".lstrip()
            wire = self.glyphs.wire if words else " "
            if names:
                names = f"{names}{wire}" if end == "A" else f"{wire}{names}"
            found.append(names)
        cells = max(map(len, found), default=0)
        return tuple(f"{one:>{cells}}" if end == "A" else f"{one:<{cells}}" for one in found)

    def end_of(self, feed: Feed) -> End:
        """Return the side of the map that a feed is drawn at."""
        if isinstance(feed.at, StrandEnd):
            return feed.at.end
        bus = next(bus for bus in self.design.buses if bus.name == feed.at.bus)
        return next(end.end for end in bus.ends if end.strand == feed.at.strand)


def _part(rows: tuple[int, ...], number: int) -> int:
    """Return which character of a box a strand needs."""
    if len(rows) == 1:
        return 3
    if number == rows[0]:
        return 0
    if number == rows[-1]:
        return 2
    return 1 if number in rows else 4


# -- rows ------------------------------------------------------------------------------------------


def map_rows(
    state: State,
    frame: Frame,
    finding: Finding | None,
    focus: MapFocus,
    wiring: MapWiring,
    scale: MapScale,
) -> list[MapRow]:
    """Return the rows of the prop map.

    Args:
        state: state with verdicts and marks.
        frame: present frame, shape (nodes, colours).
        finding: finding with the suspects; None if it is not known.
        focus: subject of the question.
        wiring: copper of the design.
        scale: scale of the nodes.
    """
    design = state.design
    ends, nodes, shares = _suspected(finding, design)
    rows = []
    first = design.first_index
    runs = [scale.run] * len(design.strands)
    starts, counts = _starts(tuple(strand.nodes for strand in design.strands), tuple(runs))
    # one call each for the whole prop: hundreds of small calls would delay the frame clock, which
    # needs the interpreter lock
    peaks = iter(np.maximum.reduceat(frame, starts, axis=0).tolist())
    lit = np.logical_or.reduceat(frame.any(axis=1), first).tolist()
    fed = {feed.at.strand for feed in design.feeds}
    draw = _RowDrawing(wiring, focus, ends, shares if focus.has_shares else {})
    for strand, run, count in zip(design.strands, runs, counts, strict=True):
        number = strand.number
        signs = _signs(state, number, nodes.get(number, []), focus.cursor)
        own = list(islice(peaks, count))
        cells = _cells(signs, own if lit[number - 1] else None, count, run)
        a, b = StrandEnd(number, "A"), StrandEnd(number, "B")
        verdict = state.verdicts.get(number)
        left, right = draw.edges(number, verdict)
        labels = tuple(draw.labels(number, scale))
        filler = wiring.glyphs.wire * (scale.across - count * scale.pitch)
        weight = 4 * (number in focus.strands) + 3 * bool(labels) + 2 * (verdict is False)
        weight += 2 * bool(signs or a in ends or b in ends) + (number in fed)
        rows.append(
            MapRow(
                number, a in draw.enters, verdict, a in ends, b in ends, cells, scale.pitch, filler,
                left, right, labels, weight,
            )
        )  # fmt: skip
    return rows


class _RowDrawing:
    """Edges and labels of the rows for one question."""

    def __init__(
        self,
        wiring: MapWiring,
        focus: MapFocus,
        ends: set[StrandEnd],
        shares: Mapping[StrandEnd, float],
    ) -> None:
        self._wiring = wiring
        self._focus = focus
        self._ends = ends
        self._shares = shares
        self.enters = frozenset(wiring.design.data_path)
        probe = focus.probe
        self._leads: list[tuple[Point, Role]] = (
            [] if probe is None else [(probe.red, "red"), (probe.black, "black")]
        )

    def edges(self, number: int, verdict: bool | None) -> tuple[tuple[Run, ...], tuple[Run, ...]]:
        """Return the left and the right edge of a strand."""
        glyphs = self._wiring.glyphs
        mark: Run = (" ", "")
        if verdict is not None:
            mark = (glyphs.passed, "passed") if verdict else (glyphs.failed, "failed")
        asked: Role = "asked" if number in self._focus.strands else "name"
        left: list[Run] = [(f"{number:>3}", asked), mark, (" ", ""), *self._edge(number, "A")]
        return _joined(left), _joined(self._edge(number, "B"))

    def _edge(self, number: int, end: End) -> list[Run]:
        wiring, glyphs = self._wiring, self._wiring.glyphs
        side = wiring.a if end == "A" else wiring.b
        here = StrandEnd(number, end)
        lanes: list[Run] = [
            (sign, "name")
            for sign in f"{side.lanes[number - 1]:<{side.lane_count}}"[: side.lane_count]
        ]
        text = side.margins[number - 1]
        if glyphs.wire in (text[:1] if end == "B" else text[-1:]):  # a cable comes in
            lanes = [(glyphs.wire, "name") if sign == " " else (sign, role) for sign, role in lanes]
        is_joined = (bool(lanes) and lanes[0][0] != " ") or glyphs.wire in text
        joint: Run = (glyphs.wire if is_joined else " ", "name")
        margin: Run = (side.margins[number - 1], "name")
        if here in self._ends:
            joint = (glyphs.suspect, "suspect")
        for point, role in self._leads:
            match point.place:
                case StrandEnd() if point.place == here:
                    joint = (joint[0] if joint[0] != " " else glyphs.wire, role)
                case BusPad(bus, strand) if strand == number and (bus, strand) in side.pads:
                    place = side.pads[bus, strand]
                    lanes[place] = (lanes[place][0], role)
                case FeedName(feed) if margin[0].strip() and self._feeds_here(feed, number, end):
                    margin = (margin[0], role)
        to_b = StrandEnd(number, "A") in self.enters
        arrow: Run = (glyphs.to_b if to_b else glyphs.to_a, "name")
        if end == "A":
            return [margin, *reversed(lanes), joint, arrow]
        return [arrow, joint, *lanes, margin]

    def _feeds_here(self, name: str, number: int, end: End) -> bool:
        return any(
            feed.name == name and feed.at.strand == number and self._wiring.end_of(feed) == end
            for feed in self._wiring.design.feeds
        )

    def labels(self, number: int, scale: MapScale) -> Iterator[tuple[int, Run]]:
        """Yield the names of the leads, or the percentage of a suspect, next to their places."""
        across = scale.across
        ends: tuple[End, End] = ("A", "B")
        for end in ends:
            here: list[Run] = [
                (f" {role} {point.rail} ", role)
                for point, role in self._leads
                if self._is_at(point.place, number, end)
            ]
            share = self._shares.get(StrandEnd(number, end), 0.0)
            if not here and share:
                here = [(f" {share * 100.0:.0f} % ", "suspect")]
            cells = sum(len(text) for text, _ in here)
            start = 0 if end == "A" else max(0, across - cells)
            for text, role in here:
                yield start, (text, role)
                start += len(text)
        for point, role in self._leads:
            if isinstance(point.place, NodeName) and point.place.strand == number:
                text = f" {role} {point.rail} "
                cell = (point.place.node - 1) // scale.run * scale.pitch
                start = cell + 1 if cell + 1 + len(text) <= across else cell - len(text)
                yield cell, (self._wiring.glyphs.touch, role)
                yield max(0, start), (text, role)

    def _is_at(self, place: Place, number: int, end: End) -> bool:
        match place:
            case StrandEnd():
                return (place.strand, place.end) == (number, end)
            case BusPad(bus, strand):
                side = self._wiring.a if end == "A" else self._wiring.b
                return strand == number and (bus, strand) in side.pads
            case FeedName(feed):
                return self._feeds_here(feed, number, end)
        return False


def _joined(runs: Sequence[Run]) -> tuple[Run, ...]:
    """Return runs with neighbours of one role joined."""
    found: list[Run] = []
    for text, role in runs:
        if found and found[-1][1] == role:
            found[-1] = (found[-1][0] + text, role)
        elif text:
            found.append((text, role))
    return tuple(found)


def fit_rows(rows: Sequence[MapRow], height: int) -> list[MapRow | MapSum]:
    """Return the rows for a map of this height; strands without a line share one.

    Args:
        rows: all rows.
        height: lines of the map, 1 or more.
    """
    if len(rows) <= height:
        return list(rows)
    # the weightiest first; among equal ones those next to them, then from the top
    heavy = [place for place, row in enumerate(rows) if row.weight > 1] or [0]
    order = sorted(
        range(len(rows)),
        key=lambda place: (-rows[place].weight, min(abs(place - one) for one in heavy), place),
    )
    kept: set[int] = set()
    for place in order:
        if len(_lines_of(kept | {place}, len(rows))) <= height:
            kept.add(place)
    lines = _lines_of(kept, len(rows))
    return [
        rows[one] if isinstance(one, int) else _summed(rows[one.start : one.stop]) for one in lines
    ]


def _lines_of(kept: set[int], count: int) -> list[int | range]:
    """Return the lines of a map: places that are kept, and ranges of the others."""
    lines: list[int | range] = []
    start = 0
    for place in [*sorted(kept), count]:
        if place - start == 1:
            lines.append(start)
        elif place > start:
            lines.append(range(start, place))
        if place < count:
            lines.append(place)
        start = place + 1
    return lines


def _summed(rows: Sequence[MapRow]) -> MapSum:
    """Return strands in one line: their numbers, verdicts and light."""
    passed = sum(row.verdict is True for row in rows)
    failed = sum(row.verdict is False for row in rows)
    words = [f"{passed} passed"] * bool(passed) + [f"{failed} failed"] * bool(failed)
    if left := len(rows) - passed - failed:
        words.append(f"{left} not looked at")
    if passed == len(rows):
        words = ["all passed"]
    shining = sum(any(cell.lit for cell in row.cells) for row in rows)
    words.append({0: "dark", len(rows): "lit"}.get(shining, f"{shining} lit"))
    return MapSum(f"{rows[0].strand:>3} to {rows[-1].strand}: {', '.join(words)}")


def _suspected(
    finding: Finding | None, design: Design
) -> tuple[set[StrandEnd], dict[int, list[int]], dict[StrandEnd, float]]:
    """Return the strand ends of suspects, suspected nodes, and the share of each end's joint."""
    ends: set[StrandEnd] = set()
    shares: dict[StrandEnd, float] = {}
    nodes: dict[int, list[int]] = {}
    for suspect in finding.suspects if finding else ():
        if suspect.probability < MIN_SHOWN_PROBABILITY:
            continue
        location = parse_location(suspect.where, design)
        ends.update(location_ends(location))
        if isinstance(location, Joint):
            shares |= {end: max(suspect.probability, shares.get(end, 0.0)) for end in location.ends}
        if isinstance(location, NodeName):
            nodes.setdefault(location.strand, []).append(location.node)
    return ends, nodes, shares


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
