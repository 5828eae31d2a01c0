"""The prop map: strands in their places, and symbols that need no colour."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from benchtest.diagnosis import Finding, NextReading, Suspect
from benchtest.drive.universe_layout import Frame
from benchtest.evidence.marks import SEEN
from benchtest.prop.design import Design, Link, NodeName, StrandEnd
from benchtest.prop.notation import parse_probe
from benchtest.session.display.characters import Glyphs
from benchtest.session.display.map_model import (
    MARK_SIGNS,
    MIN_ACROSS,
    MIN_SHOWN_PROBABILITY,
    MapFocus,
    MapRow,
    MapSum,
    MapWiring,
    fit_rows,
    map_rows,
)
from benchtest.session.log.events import MarkMade, SessionEvent, VerdictGiven
from benchtest.session.log.state import LoggedEvent, State, fold

AT = "2026-11-25T18:00:00.000+00:00"


def _rows(
    design: Design,
    whats: Sequence[SessionEvent] = (),
    frame: Frame | None = None,
    suspects: Sequence[tuple[str, float]] = (),
    cursor: NodeName | None = None,
    width: int = 80,
    probe: str = "",
) -> list[MapRow]:
    state = fold([LoggedEvent(seq, AT, what) for seq, what in enumerate(whats, 1)], design)
    shown = frame if frame is not None else np.zeros((design.node_count, 3), np.uint8)
    found = tuple(Suspect(where, "open", p) for where, p in suspects)
    settled = NextReading(None, None, 0.0, settled=True)
    finding = Finding(0.5, found, (), settled, (), None)
    focus = MapFocus(parse_probe(probe, design) if probe else None, frozenset(), cursor)
    wiring = MapWiring(design, Glyphs())
    return map_rows(state, shown, finding, focus, wiring, wiring.scale(width))


def _text(row: MapRow) -> str:
    """Return a row as drawn, with `o` for each node and labels over them."""
    signs = list(f"{'o':─<{row.pitch}}" * len(row.cells) + row.filler)
    for start, (text, _) in row.labels:
        signs[start : start + len(text)] = text
    left, right = ("".join(text for text, _ in runs) for runs in (row.left, row.right))
    return f"{left}{''.join(signs)}{right}"


def _signs(row: MapRow) -> str:
    return "".join(cell.sign or "." for cell in row.cells)


def test_one_row_for_each_strand_and_one_cell_for_each_node(fan: Design) -> None:
    rows = _rows(fan)
    assert [row.strand for row in rows] == [1, 2, 3, 4]
    assert {len(row.cells) for row in rows} == {10}
    assert [row.enters_at_a for row in rows] == [True, False, True, False]  # zigzag
    assert {_signs(row) for row in rows} == {".........."}


def test_verdicts_and_marks_are_on_their_strands(fan: Design) -> None:
    rows = _rows(
        fan,
        [
            VerdictGiven(1, passed=True),
            VerdictGiven(2, passed=False),
            MarkMade("2", 2, "8-10", "dark"),
            MarkMade("2", 2, "3", "warm"),
            MarkMade("2", 2, "1-2", "ok"),
        ],
    )
    assert [row.verdict for row in rows] == [True, False, None, None]
    assert _signs(rows[1]) == "..w....xxx"


def test_every_mark_has_its_own_symbol(fan: Design) -> None:
    signs = {
        seen: _signs(_rows(fan, [MarkMade("1", 1, "1", seen)])[0])[0]
        for seen in SEEN
        if seen != "ok"
    }
    assert len(set(signs.values()) | {".", "@", "!"}) == len(signs) + 3
    assert signs == {seen: sign for seen, sign in MARK_SIGNS.items() if seen != "ok"}


def test_suspects_are_shown_from_a_fifth_on(fan: Design) -> None:
    rows = _rows(
        fan, suspects=[("4A+", MIN_SHOWN_PROBABILITY), ("2B-", MIN_SHOWN_PROBABILITY - 0.01)]
    )
    assert [(row.suspect_a, row.suspect_b) for row in rows] == [
        (False, False), (False, False), (False, False), (True, False),
    ]  # fmt: skip
    rows = _rows(fan, suspects=[("3.7", 0.6), ("main+", 0.9)])
    assert [_signs(row) for row in rows] == ["..........", "..........", "......!...", ".........."]
    assert not any(row.suspect_a or row.suspect_b for row in rows)


def test_a_joint_between_two_strands_is_shown_at_both(fan: Design) -> None:
    link = Link(StrandEnd(1, "B"), StrandEnd(2, "B"), 50.0, fan.strand(1).wire)
    linked = dataclasses.replace(fan, links=(link,))
    rows = _rows(linked, suspects=[("1B~2B-", 0.5)])
    assert [row.strand for row in rows if row.suspect_b] == [1, 2]
    assert not any(row.suspect_a for row in rows)


def test_strands_that_are_suspected_are_shown_at_both_their_ends(fan: Design) -> None:
    rows = _rows(fan, suspects=[("2 3", 0.6), ("colour_order", 0.9)])
    assert [row.strand for row in rows if row.suspect_a and row.suspect_b] == [2, 3]
    assert not any(row.suspect_a or row.suspect_b for row in rows if row.strand not in (2, 3))


def test_the_cursor_covers_a_suspect_and_a_suspect_covers_a_mark(fan: Design) -> None:
    marked = [MarkMade("1", 1, "1-3", "dim")]
    rows = _rows(fan, marked, suspects=[("1.2", 0.5), ("1.3", 0.5)], cursor=NodeName(1, 3))
    assert _signs(rows[0]) == "-!@......."


@pytest.mark.parametrize("width", [1, 30, 40, 60, 300])
def test_a_long_strand_is_condensed_and_loses_no_symbol(
    make_fan: Callable[..., Design], width: int
) -> None:
    fan = make_fan(strands=4, nodes=60)
    frame = np.zeros((fan.node_count, 3), np.uint8)
    frame[fan.index(2, 60)] = 255
    marks = [MarkMade("1", 1, "60", "dark")]
    rows = _rows(fan, marks, frame, cursor=NodeName(3, 6), width=width)
    least = MIN_ACROSS + MapWiring(fan, Glyphs()).edge_cells
    assert all(len(_text(row)) <= max(width, least) for row in rows)
    assert _signs(rows[0]).replace(".", "") == "x"
    assert [cell.lit for cell in rows[1].cells].count(True) == 1
    assert rows[1].cells[-1].rgb == (255, 255, 255)
    assert _signs(rows[2]).replace(".", "") == "@"


def test_a_condensed_map_notes_the_nodes_of_one_dot(make_fan: Callable[..., Design]) -> None:
    wiring = MapWiring(make_fan(strands=2, nodes=160), Glyphs())
    scale = wiring.scale(wiring.edge_cells + 27)
    assert scale.note == "one dot = up to 6 nodes"  # 160 / 27, rounded up
    assert [scale.node(160, place) for place in (0, 4, 26)] == [1, 25, 157]
    assert wiring.scale(wiring.edge_cells + 160).note == ""


def test_a_strand_shorter_than_the_rest_ends_in_wire(make_fan: Callable[..., Design]) -> None:
    rows = _rows(make_fan(strands=2, nodes=7), width=20)
    assert len({len(_text(row)) for row in rows}) == 1
    assert rows[0].filler == "─" * (MIN_ACROSS - 2 * 7)


def test_copper_feeds_and_data_are_drawn_at_their_side(fan: Design) -> None:
    texts = [_text(row) for row in _rows(fan, width=40)]
    (feed,) = fan.feeds
    assert [text for text in texts if f"{feed.name}─" in text] == [texts[feed.at.strand - 1]]
    assert "data" in texts[0]
    joined = {end.strand for bus in fan.buses for end in bus.ends if end.end == "A"}
    drawn = [any(sign in text for sign in "┏┣┗╺") for text in texts]
    assert drawn == [strand.number in joined for strand in fan.strands]
    assert ["▸" in text for text in texts] == [True, False, True, False]  # zigzag


def test_a_ring_and_a_link_are_drawn_as_lanes_of_their_own(fan: Design) -> None:
    (bus,) = [bus for bus in fan.buses if bus.ends[0].end == "A"][:1]
    ring = dataclasses.replace(bus, ring=True)
    link = Link(StrandEnd(2, "B"), StrandEnd(3, "B"), 50.0, fan.strand(1).wire)
    drawn = dataclasses.replace(fan, buses=(ring,), links=(link,))
    texts = [_text(row) for row in _rows(drawn, width=40)]
    assert [sign for text in texts for sign in text if sign in "╭│╰"] == ["╭", "│", "│", "╰"]
    assert [sign for text in texts for sign in text if sign in "╮╯"] == ["╮", "╯"]


@pytest.mark.parametrize(
    ("probe", "strand", "words"),
    [
        ("foot:2+>2A+", 2, " red +  black + "),
        ("2B", 2, " red +  black - "),
        ("3.5+>3A+", 3, " black +◉ red + "),
        ("main", 1, " red +  black - "),
    ],
)
def test_the_leads_are_named_at_their_places(
    fan: Design, probe: str, strand: int, words: str
) -> None:
    (feed,) = fan.feeds
    row = strand if probe != feed.name else feed.at.strand
    rows = _rows(fan, width=60, probe=probe)
    assert [one.strand for one in rows if "red" in _text(one)] == [row]
    assert words in _text(rows[row - 1])
    roles = {role for one in rows for _, role in (*one.left, *one.right)}
    roles |= {role for one in rows for _, (_, role) in one.labels}
    assert {"red", "black"} <= roles


@pytest.mark.parametrize("height", [1, 2, 3, 4, 7, 10, 20, 30])
def test_strands_that_matter_stay_in_sight(make_fan: Callable[..., Design], height: int) -> None:
    design = make_fan(strands=20, nodes=8)
    passed = [VerdictGiven(number, passed=number != 13) for number in range(1, 21)]
    rows = _rows(design, passed, probe="17A")
    lines = fit_rows(rows, height)
    assert len(lines) <= height
    shown = {line.strand for line in lines if isinstance(line, MapRow)}
    if height > 2:  # less has no line for the strands above and below it
        assert 17 in shown
    if height > 4:
        assert {13, 17} <= shown
    sums = [line.text for line in lines if isinstance(line, MapSum)]
    rest = sum(int(b) - int(a) + 1 for text in sums for a, b in re.findall(r"(\d+) to (\d+)", text))
    assert rest + len(shown) == 20
    assert height < 20 or not sums


def test_colours_are_shown_as_perceived(fan: Design) -> None:
    frame = np.zeros((fan.node_count, 3), np.uint8)
    frame[0] = (255, 0, 0)
    frame[1] = (64, 64, 64)
    frame[2] = (0, 0, 1)
    cells = _rows(fan, frame=frame)[0].cells
    # 0.2126 * 255 + 0.7874 * 55 = 98 of grey; 97 is 3 to 1 on the ground (WCAG 2.2, 1.4.11)
    assert cells[0].rgb == (255, 55, 55)
    # a quarter of the light looks half as bright (square-root rule, Stevens' power law with 1/2)
    assert cells[1].rgb == pytest.approx((128, 128, 128), abs=1)
    assert cells[2].lit
    assert not cells[3].lit
    assert cells[3].rgb == (0, 0, 0)


def test_a_white_channel_shows_as_white(
    make_fan: Callable[..., Design], make_kind: Callable[..., object]
) -> None:
    design = make_fan(strands=1, nodes=2, kind=make_kind(colours="red green blue white"))
    frame = np.array([[0, 0, 0, 255], [255, 0, 0, 255]], np.uint8)
    wiring = MapWiring(design, Glyphs())
    (row,) = map_rows(State(design), frame, None, MapFocus(), wiring, wiring.scale(80))
    assert [cell.rgb for cell in row.cells] == [(255, 255, 255), (255, 255, 255)]
