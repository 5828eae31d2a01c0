"""Sketch of the places of the two leads on a piece of the prop's wiring.

The rows of text have a role for each run, so that a widget only colours them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchtest.prop.design import (
    Bus,
    BusPad,
    Design,
    FeedName,
    NodeName,
    Place,
    Point,
    Probe,
    Rail,
    StrandEnd,
)

Role = Literal["", "red", "black", "name"]
Run = tuple[str, Role]
Kind = Literal["pad", "joint", "node", "nodes", "feed", "gap"]

LEFT, RIGHT = 4, 3
"""Free columns at the left and right edge, for rail signs and names."""
MIN_PAD_STEP = 3
"""Columns between two pads of a bus; if they do not fit, pads in between are left out."""


@dataclass(frozen=True, slots=True)
class Glyphs:
    """Characters for wiring."""

    rail: str = "─"
    pad: str = "■"
    joint: str = "○"
    node: str = "∘"
    touch: str = "●"
    gap: str = "┄"


ASCII_GLYPHS = Glyphs("-", "H", "o", ".", "@", "~")


@dataclass(frozen=True, slots=True)
class Station:
    """One place on the piece of wiring."""

    name: str
    kind: Kind
    place: Place | None = None


def draw_sketch(design: Design, probe: Probe, width: int, glyphs: Glyphs) -> list[list[Run]]:
    """Draw both rails side by side, with the places near the probe and the two leads.

    Args:
        design: the prop.
        probe: places of the leads.
        width: columns of the sketch.
        glyphs: characters for the wiring.

    Returns:
        Rows from top to bottom: leads on +, rail +, rail -, leads on -, names of the places.
    """
    stations = _stations(design, probe, width)
    columns = _columns(len(stations), width)
    at = {s.place: c for s, c in zip(stations, columns, strict=True) if s.place is not None}
    canvas = _Canvas(width)
    for row, rail in ((1, "+"), (2, "-")):
        canvas.write(row, 1, rail, "name")
        _draw_rail(canvas, row, stations, columns, glyphs)
    _draw_leads(canvas, probe, at, glyphs)
    touched = (probe.red.place, probe.black.place)
    room = abs(at[touched[0]] - at[touched[1]])
    roomy = touched[0] == touched[1] or room > sum(len(str(place)) for place in touched) // 2 + 1
    named = sorted(zip(stations, columns, strict=True), key=lambda p: p[0].place not in touched)
    for station, column in named:  # touched places first, others if there is room
        whole = station.place in touched and roomy
        canvas.centre(4, column, str(station.place) if whole else station.name, "name", apart=True)
    return [row for row in canvas.rows() if any(text.strip() for text, _ in row)]


# -- places ----------------------------------------------------------------------------------


def _stations(design: Design, probe: Probe, width: int) -> list[Station]:
    red, black = probe.red.place, probe.black.place
    strands = {strand for place in (red, black) if (strand := _strand_of(place)) is not None}
    feed = next((place for place in (red, black) if isinstance(place, FeedName)), None)
    if feed is not None:
        return _feed_stations(design, feed, red if feed == black else black)
    if len(strands) == 1:
        return _strand_stations(design, strands.pop(), (red, black))
    if isinstance(red, BusPad) and isinstance(black, BusPad) and red.bus == black.bus:
        bus = next(bus for bus in design.buses if bus.name == red.bus)
        return _bus_stations(bus, red, black, width)
    return [_station(red), Station("", "gap"), _station(black)]


def _strand_of(place: Place) -> int | None:
    return None if isinstance(place, FeedName) else place.strand


def _station(place: Place) -> Station:
    kinds: dict[type, Kind] = {BusPad: "pad", StrandEnd: "joint", NodeName: "node"}
    return Station(str(place), kinds.get(type(place), "feed"), place)


def _feed_stations(design: Design, name: FeedName, other: Place) -> list[Station]:
    at = next(feed.at for feed in design.feeds if feed.name == name.feed)
    found = [_station(name), _station(at)]
    if other in (name, at):
        return found
    return [*found, Station("", "gap"), _station(other)]


def _strand_stations(design: Design, number: int, touched: Sequence[Place]) -> list[Station]:
    """Return pad or neighbour, end A, nodes, end B, pad or neighbour."""
    nodes = sorted({place for place in touched if isinstance(place, NodeName)})
    middle = [Station(f"strand {number}", "nodes")]
    if nodes:
        middle = [Station("", "nodes"), *(_station(n) for n in nodes), Station("", "nodes")]
    a, b = StrandEnd(number, "A"), StrandEnd(number, "B")
    return [*_beyond(design, a), _station(a), *middle, _station(b), *_beyond(design, b)]


def _beyond(design: Design, end: StrandEnd) -> list[Station]:
    """Return the nearest place that a strand end is joined to."""
    if (bus := design.bus_of(end)) is not None:
        return [_station(BusPad(bus.name, end.strand))]
    for link in design.links:
        if end in (link.first, link.second):
            return [_station(link.second if link.first == end else link.first)]
    fed = [FeedName(feed.name) for feed in design.feeds if feed.at == end]
    return [_station(fed[0])] if fed else []


def _bus_stations(bus: Bus, red: BusPad, black: BusPad, width: int) -> list[Station]:
    """Return the pads of a bus; a long bus without those far from both leads."""
    pads = list(bus.pads)
    ends = sorted((pads.index(red), pads.index(black)))
    shown = set(range(len(pads)))
    if len(pads) * MIN_PAD_STEP > width - LEFT - RIGHT:
        shown = {0, len(pads) - 1, *ends, *(p + step for p in ends for step in (-1, 1))}
    found: list[Station] = []
    last = -1
    for place in sorted(shown & set(range(len(pads)))):
        if place > last + 1:
            found.append(Station("", "gap"))
        found.append(Station(str(pads[place].strand), "pad", pads[place]))
        last = place
    return found


# -- drawing ---------------------------------------------------------------------------------------


def _columns(count: int, width: int) -> list[int]:
    room = width - LEFT - RIGHT - 1
    return [LEFT + round(room * place / max(count - 1, 1)) for place in range(count)]


def _draw_rail(
    canvas: _Canvas, row: int, stations: Sequence[Station], columns: Sequence[int], glyphs: Glyphs
) -> None:
    canvas.write(row, columns[0], glyphs.rail * (columns[-1] - columns[0] + 1))
    signs = {"pad": glyphs.pad, "joint": glyphs.joint, "feed": glyphs.pad, "node": glyphs.node}
    for station, column in zip(stations, columns, strict=True):
        if station.kind == "nodes":
            canvas.centre(row, column, glyphs.node * 3)
        elif station.kind == "gap":
            canvas.centre(row, column, f" {glyphs.gap} ")
        else:
            canvas.write(row, column, signs[station.kind])


def _draw_leads(canvas: _Canvas, probe: Probe, at: dict[Place, int], glyphs: Glyphs) -> None:
    """Write the name of each lead next to its rail; two names on one rail point outward."""
    rows: dict[Rail, tuple[int, int]] = {"+": (0, 1), "-": (3, 2)}
    leads: list[tuple[Point, Role]] = [(probe.red, "red"), (probe.black, "black")]
    alone = probe.red.rail != probe.black.rail
    leads.sort(key=lambda lead: at[lead[0].place])
    for place, (point, role) in enumerate(leads):
        column, (word_row, rail_row) = at[point.place], rows[point.rail]
        canvas.write(rail_row, column, glyphs.touch, role)
        if alone:
            canvas.centre(word_row, column, role, role)
        else:
            canvas.write(word_row, column - (len(role) - 1 if place == 0 else 0), role, role)


class _Canvas:
    """Characters in rows, each with a role."""

    def __init__(self, width: int) -> None:
        self.width = width
        self._cells: list[list[Run]] = [[(" ", "")] * width for _ in range(5)]

    def write(self, row: int, column: int, text: str, role: Role = "", apart: bool = False) -> None:
        """Write text, moved in from the edge to fit; with `apart`, not next to other text."""
        start = max(0, min(column, self.width - len(text)))
        around = self._cells[row][max(0, start - 1) : start + len(text) + 1]
        if apart and any(sign != " " for sign, _ in around):
            return
        for place, sign in enumerate(text[: self.width], start):
            self._cells[row][place] = (sign, role)

    def centre(
        self, row: int, column: int, text: str, role: Role = "", apart: bool = False
    ) -> None:
        self.write(row, column - len(text) // 2, text, role, apart)

    def rows(self) -> list[list[Run]]:
        """Return the rows as runs of one role."""
        return [_runs(row) for row in self._cells]


def _runs(cells: Sequence[Run]) -> list[Run]:
    runs: list[Run] = []
    for sign, role in cells:
        if runs and runs[-1][1] == role:
            runs[-1] = (runs[-1][0] + sign, role)
        else:
            runs.append((sign, role))
    return runs
