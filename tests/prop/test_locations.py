"""Locations of faults and repairs: read back, and described in words."""

from __future__ import annotations

import pytest

from benchtest.errors import NameFault
from benchtest.prop.notation import (
    describe_location,
    location_ends,
    location_strands,
    parse_location,
)
from benchtest.prop.reader import parse_design
from tests.props import SMALL_FAN

CHAIN = SMALL_FAN.partition("[[bus]]")[0] + (
    '[[link]]\nfollow = "data"\n[[feed]]\nname = "left"\nat = "1A"\nvolts = 5.0\n'
    'wire = "16 AWG"\nlength_mm = 500.0\n'
)
FAN_PLACES = {
    "4A+": "4A+ (strand 4's + wire at the foot board)",
    "2B-": "2B- (strand 2's - wire at the crown board)",
    "3Ad": "3Ad (strand 3's data wire at the foot board)",
    "main-": "main- (feed main's - cable at pad foot:1)",
    "main": "main (feed at pad foot:1)",
    "3.7": "3.7 (node 7 of strand 3, counted from end A)",
    "2": "2 (strand 2)",
    "colour_order": "colour_order (a setting in the prop file)",
    "2 3": "2 3 (strands 2 and 3)",
}
CHAIN_PLACES = {
    "1B~2B+": "1B~2B+ (+ wire between strands 1 and 2, ends 1B and 2B)",
    "left+": "left+ (feed left's + cable at end 1A)",
    "1Ad": "1Ad (strand 1's data wire at end 1A)",
    "3B~4Bd": "3B~4Bd (data wire between strands 3 and 4, ends 3B and 4B)",
}


@pytest.mark.parametrize(
    ("text", "places"), [(SMALL_FAN, FAN_PLACES), (CHAIN, CHAIN_PLACES)], ids=["fan", "chain"]
)
def test_a_location_is_read_back_and_described(text: str, places: dict[str, str]) -> None:
    design = parse_design(text, "prop.toml")
    for name, place in places.items():
        location = parse_location(name, design)
        assert str(location) == name
        assert parse_location(str(location), design) == location
        assert describe_location(location, design) == place


def test_a_location_has_the_strands_and_ends_that_it_touches() -> None:
    design = parse_design(SMALL_FAN, "prop.toml")
    found = {}
    for name in ("4A+", "3Ad", "3.7", "2 3", "main-", "main", "colour_order"):
        location = parse_location(name, design)
        ends = " ".join(str(end) for end in location_ends(location))
        found[name] = (location_strands(location), ends)
    assert found == {
        "4A+": ((4,), "4A"),
        "3Ad": ((3,), "3A"),
        "3.7": ((3,), ""),
        "2 3": ((2, 3), "2A 2B 3A 3B"),
        "main-": ((), ""),
        "main": ((), ""),
        "colour_order": ((), ""),
    }


@pytest.mark.parametrize("name", ["", "9", "0", "4 99", "4.99", "9A+", "4Ad", "mai", "4A+-", "٣"])
def test_an_unknown_location_is_rejected(name: str) -> None:
    design = parse_design(SMALL_FAN, "prop.toml")
    with pytest.raises(NameFault):
        parse_location(name, design)
