"""Drawing of a prop: strands, buses, feeds, data path, with marks and suspects.

Rows are strands, end A to the left. Shapes and words carry all information; colour is additional.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from benchtest.evidence.marks import Mark
from benchtest.formatting import count_noun, format_percent
from benchtest.prop.design import Bus, BusPad, Design, End, Feed, NodeName, StrandEnd
from benchtest.prop.joints import Joint
from benchtest.prop.notation import location_feed, parse_location

MAP_WIDTH = 760.0
_TOP = 26.0
_HOP = 26.0
"""Space next to a strand's end for its name and the data line."""
_LANE = 18.0
"""Space for one bus."""
_FEED = 84.0
"""Space for a feed's name and arrow."""
_MAX_NAME_LETTERS = 20
"""Most letters of a name in the drawing."""
_MAX_HEIGHT = 330.0
_MAX_ROW, _MIN_ROW = 20.0, 8.0

_Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class PolyLine:
    """A line: `rail`, `wire`, `strand` or `data`; `way` is a filled arrowhead."""

    look: str
    path: str


@dataclass(frozen=True, slots=True)
class Marker:
    """A circle (`joint`, `node`, `marked`) or a diamond (`suspect`)."""

    look: str
    x: float
    y: float
    r: float


@dataclass(frozen=True, slots=True)
class MapText:
    """A text; `whole` is the full name if it is shortened."""

    x: float
    y: float
    words: str
    anchor: _Anchor = "start"
    look: str = ""
    size: float = 0.0
    whole: str = ""


@dataclass
class SvgPropMap:
    """Content of the drawing, for its template."""

    height: float
    description: str
    width: float = MAP_WIDTH
    lines: list[PolyLine] = field(default_factory=list)
    spots: list[Marker] = field(default_factory=list)
    texts: list[MapText] = field(default_factory=list)


def draw_map(
    design: Design,
    verdicts: Mapping[int, bool],
    marks: Sequence[Mark],
    suspects: Mapping[str, float],
) -> SvgPropMap:
    """Return the prop map.

    Args:
        design: the prop.
        verdicts: True for strands that passed, False for those that failed.
        marks: the marks of the unit.
        suspects: probability of each suspected joint or node.
    """
    return _MapDrawing(design).draw(verdicts, marks, suspects)


class _MapDrawing:
    """Geometry of the drawing, and the drawing in progress."""

    def __init__(self, design: Design) -> None:
        self.design = design
        count = len(design.strands)
        self.row = min(_MAX_ROW, max(_MIN_ROW, _MAX_HEIGHT / count))
        self.size = round(min(8.5, self.row * 0.75), 1)
        self.lanes = {side: _lanes(design, side) for side in ("A", "B")}
        fed = {side: any(_side(f, design) == side for f in design.feeds) for side in ("A", "B")}
        room = {
            side: _HOP
            + _LANE * max([0, *self.lanes[side].values()])
            + (_FEED if fed[side] else 8.0)
            for side in ("A", "B")
        }
        self.left, self.right = room["A"], MAP_WIDTH - room["B"] - 16.0
        words = f"Prop map: {count_noun(count, 'strand')}, {count_noun(design.node_count, 'node')}"
        self.map = SvgPropMap(round(_TOP + count * self.row + 14.0, 1), words)

    def y(self, strand: int) -> float:
        return round(_TOP + (strand - 0.5) * self.row, 1)

    def x(self, end: End, out: float = 0.0) -> float:
        """Return the x of a strand's end, or of a point `out` outside it."""
        return round(self.left - out if end == "A" else self.right + out, 1)

    def node_x(self, strand: int, node: int) -> float:
        count = self.design.strand(strand).nodes
        room = self.right - self.left - 28.0
        return round(self.left + 14.0 + room * (node - 0.5) / count, 1)

    def bus_x(self, bus: Bus, side: End) -> float:
        return self.x(side, _HOP + _LANE * (self.lanes[side][bus.name] - 0.5))

    def line(self, look: str, path: str) -> None:
        self.map.lines.append(PolyLine(look, path))

    def say(
        self, x: float, y: float, words: str, anchor: _Anchor = "start", look: str = ""
    ) -> None:
        size = self.size if self.size < 8.5 else 0.0
        self.map.texts.append(MapText(round(x, 1), round(y, 1), words, anchor, look, size))

    def name(self, x: float, y: float, words: str, anchor: _Anchor) -> None:
        """Add a name, shortened to the space; the full name is shown as a tooltip."""
        short = words if len(words) <= _MAX_NAME_LETTERS else words[: _MAX_NAME_LETTERS - 1] + "…"
        size = self.size if self.size < 8.5 else 0.0
        self.map.texts.append(MapText(round(x, 1), round(y, 1), short, anchor, "", size, words))

    def draw(
        self, verdicts: Mapping[int, bool], marks: Sequence[Mark], suspects: Mapping[str, float]
    ) -> SvgPropMap:
        for bus in self.design.buses:
            self.bus(bus)
        for link in self.design.links:
            self.hop("wire", link.first, link.second, 20.0)
        for feed in self.design.feeds:
            self.feed(feed)
        self.data()
        marked = {
            (m.strand, node) for m in marks if m.seen != "ok" for node in range(m.first, m.last + 1)
        }
        for strand in self.design.strands:
            self.strand(strand.number, verdicts.get(strand.number), marked)
        labels: dict[int, list[tuple[float, str]]] = {}
        for mark in marks:
            if mark.seen != "ok":
                ends = self.node_x(mark.strand, mark.first), self.node_x(mark.strand, mark.last)
                words = f"{mark.nodes.replace('-', '–')} {mark.seen}"
                labels.setdefault(mark.strand, []).append((sum(ends) / 2, words))
        for where, probability in suspects.items():
            self.suspect(where, probability, labels)
        for number, said in labels.items():
            self.said(number, said)
        return self.map

    def said(self, strand: int, labels: list[tuple[float, str]]) -> None:
        """Add a strand's labels, each above its place as far as its neighbours allow."""
        letter = 0.62 * self.size
        room = self.left + 8.0
        for x, words in sorted(labels):
            half = letter * len(words) / 2
            at = max(room + half, min(x, self.right - 8.0 - half))
            self.say(at, self.y(strand) - 4.2, words, "middle", "said")
            room = at + half + letter

    def strand(self, number: int, passed: bool | None, marked: set[tuple[int, int]]) -> None:
        y, count = self.y(number), self.design.strand(number).nodes
        self.line("strand", f"M{self.left:.1f} {y}H{self.right:.1f}")
        radius = round(min(1.9, 0.36 * (self.right - self.left - 28.0) / count), 2)
        for node in range(1, count + 1):
            loud = (number, node) in marked
            spot = Marker("marked" if loud else "node", self.node_x(number, node), y, radius)
            self.map.spots.append(spot)
        ends: tuple[End, End] = ("A", "B")
        for end in ends:
            self.map.spots.append(Marker("joint", self.x(end), y, min(2.4, self.row / 4)))
            self.say(self.x(end, 9.0), y - 2.6, f"{number}{end}", "end" if end == "A" else "start")
        sign = "–" if passed is None else "✓" if passed else "✗"
        self.say(MAP_WIDTH - 4.0, y + 3.0, sign, "end", "said" if passed is False else "")

    def bus(self, bus: Bus) -> None:
        """Draw a bus: a bar on each side where it joins ends, and the wire from each end to it."""
        tops = []
        sides: tuple[End, End] = ("A", "B")
        for side in sides:
            rows = [self.y(end.strand) for end in bus.ends if end.end == side]
            if not rows:
                continue
            x = self.bus_x(bus, side)
            self.line("rail", f"M{x} {min(rows) - 3:.1f}V{max(rows) + 3:.1f}")
            for y in rows:
                self.line("wire", f"M{self.x(side)} {y}H{x}")
            name = f"{bus.name} (ring)" if bus.ring else bus.name
            lift = 10.0 * ((self.lanes[side][bus.name] - 1) % 2)
            away: _Anchor = "end" if side == "A" else "start"
            self.name(x, max(8.0, min(rows) - 7.0 - lift), name, away)
            tops.append((x, min(rows) - 3))
        for (x, y), (other_x, other_y) in pairwise(tops):
            self.line("rail", f"M{x} {y:.1f}V{_TOP - 4:.1f}H{other_x}V{other_y:.1f}")

    def feed_x(self, feed: Feed) -> float:
        side = _side(feed, self.design)
        if isinstance(feed.at, BusPad):
            pad = feed.at
            return self.bus_x(next(bus for bus in self.design.buses if bus.name == pad.bus), side)
        return self.x(side, 4.0)

    def feed(self, feed: Feed) -> None:
        side, x, y = _side(feed, self.design), self.feed_x(feed), self.y(feed.at.strand)
        start = 2.0 if side == "A" else MAP_WIDTH - 18.0
        back = -6.0 if side == "A" else 6.0
        self.line("rail", f"M{start} {y}H{x + back:.1f}")
        self.line("joint", f"M{x} {y}l{back} -3.5v7z")
        words = f"{feed.name} {feed.volts:g} V"
        self.name(start, y - 4.5, words, "start" if side == "A" else "end")

    def data(self) -> None:
        """Draw the direction of data along each strand, and its path to the next."""
        path = self.design.data_path
        first = path[0]
        y, outside = self.y(first.strand), self.x(first.end, 16.0)
        self.line("data", f"M{outside} {y - self.row / 2:.1f}V{y}H{self.x(first.end)}")
        anchor: _Anchor = "start" if first.end == "A" else "end"
        self.say(outside, y - self.row / 2 - 2.0, "data", anchor, "faint")
        for entry in path:
            forwards = 1.0 if entry.end == "A" else -1.0
            y = self.y(entry.strand)
            for end in (entry.end, entry.other.end):
                x = self.x(end) + (6.0 if end == "A" else -6.0) - 2.0 * forwards
                high = min(3.0, self.row / 3)
                self.line("way", f"M{x:.1f} {y - high:.1f}l{5 * forwards:g} {high:.1f}"
                          f"l{-5 * forwards:g} {high:.1f}z")  # fmt: skip
        for before, after in pairwise(path):
            self.hop("data", before.other, after, 10.0)

    def hop(self, look: str, one: StrandEnd, other: StrandEnd, out: float) -> None:
        """Draw a line between two ends: a curve on one side, else between two rows."""
        x, y, x2, y2 = self.x(one.end), self.y(one.strand), self.x(other.end), self.y(other.strand)
        far, far2 = self.x(one.end, out), self.x(other.end, out)
        if one.end == other.end:
            self.line(look, f"M{x} {y}C{far} {y} {far} {y2} {x2} {y2}")
            return
        half = self.row / 2 if other.strand > one.strand else -self.row / 2
        self.line(look, f"M{x} {y}H{far}V{y2 - half:.1f}H{far2}V{y2}H{x2}")

    def suspect(
        self, where: str, probability: float, labels: dict[int, list[tuple[float, str]]]
    ) -> None:
        """Draw a diamond at a suspect, and add its label to the strand."""
        if (place := self._place(where)) is None:
            return
        x, strand = place
        self.map.spots.append(Marker("suspect", x, self.y(strand), min(4.5, self.row / 2.5)))
        labels.setdefault(strand, []).append((x, f"! {where} {format_percent(probability)}"))

    def _place(self, where: str) -> tuple[float, int] | None:
        """Return x and strand of a suspect; None if it has no place in the drawing."""
        location = parse_location(where, self.design)
        if isinstance(location, NodeName):
            return self.node_x(location.strand, location.node), location.strand
        if isinstance(location, Joint) and location.ends:
            return self.x(location.ends[0].end), location.ends[0].strand
        for feed in self.design.feeds:
            if isinstance(location, Joint) and location_feed(location) == feed.name:
                return self.feed_x(feed), feed.at.strand
        return None


def _lanes(design: Design, side: str) -> dict[str, int]:
    """Return each bus's lane on a side, 1 next to the strands; buses in a lane do not overlap."""
    ends: list[list[tuple[int, int]]] = []
    lanes = {}
    for bus in design.buses:
        rows = [end.strand for end in bus.ends if end.end == side]
        if not rows:
            continue
        span = (min(rows), max(rows))
        for number, taken in enumerate(ends):
            if all(span[1] < low or span[0] > high for low, high in taken):
                taken.append(span)
                lanes[bus.name] = number + 1
                break
        else:
            ends.append([span])
            lanes[bus.name] = len(ends)
    return lanes


def _side(feed: Feed, design: Design) -> End:
    """Return the side of a feed's cable."""
    if isinstance(feed.at, StrandEnd):
        return feed.at.end
    pad = feed.at
    bus = next(bus for bus in design.buses if bus.name == pad.bus)
    return next(end.end for end in bus.ends if end.strand == pad.strand)
