"""Names together with where on the prop they are."""

from __future__ import annotations

import pytest

from benchtest.prop.located import located
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
    "colour_order": "colour_order",
    "2 3": "2 3",
}
CHAIN_PLACES = {
    "1B~2B+": "1B~2B+ (+ wire between strands 1 and 2, ends 1B and 2B)",
    "left+": "left+ (feed left's + cable at end 1A)",
    "4Bd": "4Bd (strand 4's data wire at end 4B)",
}


@pytest.mark.parametrize(
    ("text", "places"), [(SMALL_FAN, FAN_PLACES), (CHAIN, CHAIN_PLACES)], ids=["fan", "chain"]
)
def test_a_name_comes_with_where_it_is(text: str, places: dict[str, str]) -> None:
    design = parse_design(text, "prop.toml")
    assert {name: located(design, name) for name in places} == places
