"""The failing node is found by bisection, in as few looks as possible."""

from __future__ import annotations

from bisect import bisect_left
from importlib.resources import files
from math import ceil, log2

import pytest

from benchtest.errors import InputError
from benchtest.prop.design import Design
from benchtest.prop.joints import data_order
from benchtest.prop.reader import parse_design
from benchtest.session.log.events import PartSeen
from benchtest.session.log.node_search import Search, begin_search, next_search, search_nodes


@pytest.fixture(scope="module")
def willow() -> Design:
    """Twelve strands of 30 nodes: 360."""
    text = files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")
    return parse_design(text, "willow-fan.toml")


def _found(nodes: int, fails: int, onwards: bool) -> Search:
    """Return the finished search of an observer without errors."""
    search = Search(None, 1, nodes)
    while not search.found:
        low, high = search.half
        assert high < search.high  # a look at all remaining nodes would not help
        bad = range(fails, nodes + 1) if onwards else range(fails, fails + 1)
        search = search.after(not any(low <= node <= high for node in bad))
    return search


@pytest.mark.parametrize("onwards", [False, True])
@pytest.mark.parametrize("nodes", [1, 2, 3, 30, 50, 360])
def test_every_node_is_found_in_no_more_looks_than_bisection_needs(
    nodes: int, onwards: bool
) -> None:
    # Knuth, The Art of Computer Programming 3, 6.2.1, from memory: N places are distinguished by
    # ceil(lg N) yes-or-no answers, and not by fewer. Python's own bisect finds the same place.
    for fails in range(1, nodes + 1):
        search = _found(nodes, fails, onwards)
        broken = [place >= fails for place in range(1, nodes + 1)]
        assert search.low == bisect_left(broken, True) + 1 == fails
        assert search.looks <= ceil(log2(nodes))


def test_node_217_of_360_takes_at_most_nine_looks() -> None:
    assert _found(360, 217, onwards=False).looks <= 9
    assert _found(360, 217, onwards=True).looks <= 9


def test_nodes_are_counted_in_the_order_that_data_reaches_them(willow: Design) -> None:
    nodes = search_nodes(willow, None)
    assert nodes == [willow.node_at(int(place)) for place in data_order(willow)]
    assert str(nodes[216]) == "8.24"  # zigzag: strand 8 runs from B; 217 - 7 × 30 = 7th from there
    assert [str(node) for node in search_nodes(willow, 2)[:2]] == ["2.30", "2.29"]


def test_a_search_where_everything_lights_is_lost() -> None:
    search = Search(2, 1, 4)
    while not (search.found or search.lost):
        search = search.after(right=True)
    assert search.after(right=True).lost


def test_only_the_half_that_is_due_can_be_answered(willow: Design) -> None:
    with pytest.raises(InputError, match="not the half"):
        next_search(None, willow, PartSeen(1, 17, True))
    with pytest.raises(InputError, match="prop has 1 to 12"):
        next_search(None, willow, PartSeen(1, 15, True, strand=13))
    whole = next_search(None, willow, PartSeen(1, 180, True))
    assert (whole.low, whole.high) == (181, 360)
    # another strand is another search
    assert next_search(whole, willow, PartSeen(1, 15, False, strand=3)) == Search(3, 1, 15, 1)
    assert begin_search(willow, 3) == Search(3, 1, 30)
