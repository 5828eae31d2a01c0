"""The first dark node is found in as few looks as any search can promise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchtest.diagnosis.halves import light_end, place_to_look, strand_starts
from benchtest.evidence.marks import Mark, Seen
from benchtest.prop.chain import data_order
from benchtest.prop.design import Design
from benchtest.prop.lit import Lit, everything
from benchtest.virtual.faults import parse_faults
from benchtest.virtual.prop import VirtualProp


def _search(nodes: int, first_dark: int, starts: list[int]) -> tuple[int, int]:
    """Looks at a line that is lit up to a place; where it ended, and in how many looks."""
    lit, dark, looks = 0, nodes - 1, 0
    while (place := place_to_look(lit, dark, starts)) is not None:
        looks += 1
        if place < first_dark:
            lit = place + 1
        else:
            dark = place
    return lit, looks


@pytest.mark.parametrize("strand", [0, 7, 30, 50])
def test_every_first_dark_node_is_found_within_the_logarithm(strand: int) -> None:
    # ceil(log2 n), by numpy: n places cannot be told apart by fewer answers of yes or no
    for nodes in [*range(1, 130), 255, 256, 257, 360, 399, 400]:
        starts = list(range(0, nodes, strand)) if strand else []
        found = [_search(nodes, place, starts) for place in range(nodes)]
        assert [end for end, _ in found] == list(range(nodes))
        assert max(looks for _, looks in found) <= int(np.ceil(np.log2(nodes)))


def test_every_length_up_to_400_is_halved_within_the_logarithm() -> None:
    # a look splits what is left: the bound holds if both parts of every split can keep it
    for nodes in range(2, 401):
        place = place_to_look(0, nodes - 1)
        assert place is not None
        larger = max(place + 1, nodes - 1 - place)
        assert np.ceil(np.log2(larger)) <= np.ceil(np.log2(nodes)) - 1


def test_a_strands_first_node_is_looked_at_where_it_costs_nothing() -> None:
    # 360 places may be parted so that neither part has over 256: any from 103 to 255
    assert place_to_look(0, 359) == 179
    assert place_to_look(0, 359, list(range(0, 360, 50))) == 200
    assert place_to_look(0, 359, [90, 300]) == 179


@pytest.fixture(scope="module")
def fan(make_fan: Callable[..., Design]) -> Design:
    return make_fan(4, 10)


def test_marks_are_read_along_the_data_line(fan: Design) -> None:
    assert strand_starts(fan) == [0, 10, 20, 30]
    lit = everything(fan)
    marks = [Mark(lit, 1, 1, 10, "ok"), Mark(lit, 2, 10, 10, "ok"), Mark(lit, 2, 1, 1, "dark")]
    end = light_end(fan, marks)
    # strand 2 is entered at B: 2.10 is lit, 2.1 dark, eight between; 2.9 is one of nine places
    assert str(end.last_lit) == "2.10"
    assert end.first_dark is None
    assert str(end.look_at) == "2.6"
    assert end.looks == 4


def test_one_dark_node_with_light_beyond_is_not_the_end(fan: Design) -> None:
    lit = everything(fan)
    marks = [Mark(lit, 1, 3, 3, "dark"), Mark(lit, 3, 5, 5, "ok"), Mark(lit, 3, 6, 6, "stuck")]
    end = light_end(fan, marks)
    assert (str(end.last_lit), str(end.first_dark), end.look_at) == ("3.5", "3.6", None)
    assert end.looks == 0


def test_strands_that_are_not_lit_say_nothing(fan: Design) -> None:
    alone = Lit(frozenset([1]))
    assert light_end(fan, [Mark(alone, 2, 1, 10, "stuck")]) == light_end(fan, [])


def test_where_all_is_lit_nothing_is_left_to_look_at(fan: Design) -> None:
    marks = [Mark(everything(fan), n, 1, 10, "ok") for n in range(1, 5)]
    end = light_end(fan, marks)
    assert (end.first_dark, end.look_at, end.looks) == (None, None, 0)
    assert str(end.last_lit) == "4.1"


@pytest.mark.parametrize("fault", ["1.1=dead", "2.4=dead", "3Ad=open", "4.2=no-data-out"])
def test_eyes_on_a_virtual_prop_find_where_its_light_ends(fan: Design, fault: str) -> None:
    prop = VirtualProp(fan, parse_faults([fault], fan))
    prop.receive(np.full((fan.node_count, 3), 255, dtype=np.uint8))
    light, order = prop.light().max(axis=1) > 0.5, data_order(fan).tolist()
    marks: list[Mark] = []
    end = light_end(fan, marks)
    while end.look_at is not None:
        node = end.look_at
        seen: Seen = "ok" if light[fan.index(node.strand, node.node)] else "dark"
        marks.append(Mark(everything(fan), node.strand, node.node, node.node, seen))
        end = light_end(fan, marks)
    dark = next(index for index in order if not light[index])
    assert end.first_dark == fan.node_at(dark)
    assert len(marks) <= 6  # 40 nodes
