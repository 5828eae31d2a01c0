"""Checks of single colours, and the appearance of a wrong colour order."""

from __future__ import annotations

from itertools import permutations

import pytest

from benchtest.prop.design import Design
from benchtest.session.log.colour_checks import (
    colour_remedy,
    likely_orders,
    next_look,
    wrong_strands,
)

NAMES = {"R": "red", "G": "green", "B": "blue"}


@pytest.mark.parametrize("real", ["".join(letters) for letters in permutations("RGB")])
def test_the_order_that_the_nodes_take_is_among_the_likely_ones(fan: Design, real: str) -> None:
    # The wire carries one octet a colour (WS2811 data sheet). The file has RGB: the octet of each
    # letter's place lights the colour that the node has at that place.
    shows = {NAMES[said]: NAMES[letter] for said, letter in zip("RGB", real, strict=True)}
    seen = {asked: dict.fromkeys((1, 2, 3, 4), asked == shown) for asked, shown in shows.items()}
    orders = likely_orders(fan.node, seen)
    assert (real in orders) is (real != "RGB")
    if wrong_strands(seen):
        assert len(orders) <= 2
        assert orders[0] in colour_remedy(fan, seen)


def test_a_colour_that_is_not_right_everywhere_is_looked_at_strand_by_strand(fan: Design) -> None:
    seen: dict[str, dict[int, bool]] = {}
    assert next_look(fan, seen, frozenset()) == ("red", [1, 2, 3, 4])
    apart = frozenset({"red"})
    for strand in (1, 2, 3, 4):
        assert next_look(fan, seen, apart) == ("red", [strand])
        seen.setdefault("red", {})[strand] = strand != 3
    assert next_look(fan, seen, apart) == ("green", [1, 2, 3, 4])
    assert wrong_strands(seen) == [3]
    assert "Only strand 3 shows a wrong colour" in colour_remedy(fan, seen)
    assert likely_orders(fan.node, seen) == []


def test_a_strand_worked_on_is_looked_at_alone(fan: Design) -> None:
    seen = {colour: {1: True, 2: True, 4: True} for colour in ("red", "green", "blue")}
    assert next_look(fan, seen, frozenset()) == ("red", [3])
