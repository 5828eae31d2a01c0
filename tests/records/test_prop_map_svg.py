"""The prop map: every part in its place, by shape and words."""

from __future__ import annotations

import dataclasses
from importlib.resources import files
from itertools import pairwise

import pytest

from benchtest.evidence.marks import Mark, Seen
from benchtest.prop.design import Bus, Design, StrandEnd
from benchtest.prop.lit_set import LitSet
from benchtest.prop.reader import parse_design
from benchtest.records.prop_map_svg import MAP_WIDTH, SvgPropMap, draw_map


def _design(name: str) -> Design:
    text = files("benchtest.virtual").joinpath(f"{name}.toml").read_text("utf-8")
    return parse_design(text, name)


def _mark(strand: int, first: int, last: int, seen: Seen) -> Mark:
    return Mark(LitSet(frozenset([strand])), strand, first, last, seen)


def _words(drawn: SvgPropMap) -> list[str]:
    return [text.words for text in drawn.texts]


@pytest.mark.parametrize("name", ["willow-fan", "tide-arch", "gull-wing"])
def test_every_part_of_the_design_is_drawn_inside_the_paper(name: str) -> None:
    design = _design(name)
    drawn = draw_map(design, {}, [], {})
    assert sum(spot.look == "node" for spot in drawn.spots) == design.node_count
    assert sum(spot.look == "joint" for spot in drawn.spots) == 2 * len(design.strands)
    words = _words(drawn)
    for strand in design.strands:
        assert {f"{strand.number}A", f"{strand.number}B"} <= set(words)
    for bus in design.buses:
        assert bus.name in words
    for feed in design.feeds:
        assert f"{feed.name} {feed.volts:g} V" in words
    assert all(0.0 <= spot.x <= MAP_WIDTH and 0.0 <= spot.y <= drawn.height for spot in drawn.spots)
    assert all(0.0 <= text.x <= MAP_WIDTH and 0.0 < text.y <= drawn.height for text in drawn.texts)


@pytest.mark.parametrize("name", ["willow-fan", "tide-arch", "gull-wing"])
def test_arrowheads_point_in_the_direction_of_data(name: str) -> None:
    design = _design(name)
    heads = [line.path for line in draw_map(design, {}, [], {}).lines if line.look == "way"]
    assert len(heads) == 2 * len(design.strands)
    for entry, pair in zip(
        design.data_path, zip(heads[::2], heads[1::2], strict=True), strict=True
    ):
        for path in pair:
            forwards = not path.partition("l")[2].startswith("-")
            assert forwards == (entry.end == "A")


def test_every_hop_of_data_has_a_dashed_line() -> None:
    design = _design("tide-arch")
    dashed = [line for line in draw_map(design, {}, [], {}).lines if line.look == "data"]
    assert len(dashed) == len(design.strands)  # the data input, and one hop less than strands


def test_marked_nodes_are_hollow_and_named() -> None:
    drawn = draw_map(_design("willow-fan"), {4: False}, [_mark(4, 17, 30, "dark")], {})
    hollow = [spot for spot in drawn.spots if spot.look == "marked"]
    assert len(hollow) == 14
    assert len({spot.y for spot in hollow}) == 1
    assert "17–30 dark" in _words(drawn)
    assert "✗" in _words(drawn)


def test_nodes_marked_ok_are_not_highlighted() -> None:
    drawn = draw_map(_design("willow-fan"), {4: True}, [_mark(4, 1, 30, "ok")], {})
    assert not [spot for spot in drawn.spots if spot.look == "marked"]


@pytest.mark.parametrize(
    ("name", "where"),
    [("willow-fan", w) for w in ("7B+", "4Ad", "main-", "4.17")] + [("gull-wing", "2A~3A+")],
)
def test_a_suspect_is_a_diamond_with_its_name_and_probability(name: str, where: str) -> None:
    drawn = draw_map(_design(name), {}, [], {where: 0.93})
    assert sum(spot.look == "suspect" for spot in drawn.spots) == 1
    assert f"! {where} 93 %" in _words(drawn)


def test_labels_on_one_strand_do_not_overlap() -> None:
    suspects = {"5A+": 0.4, "5A-": 0.4, "5.11": 0.1}
    marks = [_mark(5, 3, 3, "wrong-colour"), _mark(5, 11, 11, "dark"), _mark(5, 12, 12, "dim")]
    drawn = draw_map(_design("willow-fan"), {}, marks, suspects)
    said = sorted((text.x, len(text.words)) for text in drawn.texts if text.look == "said")
    assert len(said) == 6
    letter = 5.0  # of 8.5 px bold
    for (x, length), (other_x, other_length) in pairwise(said):
        assert other_x - x >= letter * (length + other_length) / 2


def test_adjacent_buses_share_a_lane_and_overlapping_ones_do_not() -> None:
    design = _design("willow-fan")
    copper = design.buses[0].copper
    ends = [StrandEnd(n, "A") for n in range(1, 13)]

    def bars(*spans: tuple[int, int]) -> set[str]:
        buses = tuple(
            Bus(f"b{at}", tuple(ends[low - 1 : high]), copper, 40.0)
            for at, (low, high) in enumerate(spans)
        )
        drawn = draw_map(dataclasses.replace(design, buses=buses, feeds=()), {}, [], {})
        return {line.path.partition(" ")[0] for line in drawn.lines if line.look == "rail"}

    assert len(bars((1, 6), (7, 12))) == 1
    assert len(bars((1, 8), (5, 12))) == 2


def test_a_large_prop_still_fits_half_a_page() -> None:
    design = _design("willow-fan")
    one = design.strands[0]
    strands = tuple(dataclasses.replace(one, number=n, nodes=50) for n in range(1, 65))
    large = dataclasses.replace(
        design, strands=strands, buses=(), feeds=(),
        data_path=tuple(StrandEnd(n, "A") for n in range(1, 65)),
    )  # fmt: skip
    drawn = draw_map(large, {}, [], {})
    assert drawn.height / drawn.width < 0.8
