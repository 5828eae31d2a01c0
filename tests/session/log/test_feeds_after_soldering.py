"""Feeds to measure again after soldering: those that copper joins to the place."""

from __future__ import annotations

import pytest

from benchtest.errors import NameFault
from benchtest.prop.reader import parse_design
from benchtest.session.log.power_checks import checks_after, feeds_soldered

# a pair of strands on a bus of their own, and two strands joined end to end, each part with a feed
TWO_PARTS = """
format = 1
name = "Moored floats"
[node]
kind = "ws2811-5v"
[[strand]]
count = 4
nodes = 6
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"
[[bus]]
name = "mast"
joins = ["1A", "2A"]
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[link]]
from = "3B"
to = "4B"
[[feed]]
name = "bow"
at = "mast:1"
volts = 5.0
wire = "18 AWG"
length_mm = 500.0
[[feed]]
name = "stern"
at = "3A"
volts = 5.0
wire = "18 AWG"
length_mm = 500.0
"""
DESIGN = parse_design(TWO_PARTS, "floats.toml")
BOTH = {"bow", "stern"}


@pytest.mark.parametrize(
    ("where", "feeds"),
    [
        ("2A+", {"bow"}),
        ("1.4", {"bow"}),
        ("3B~4B-", {"stern"}),
        ("4.6", {"stern"}),
        ("2Ad", {"bow"}),
        ("2Bd", {"bow"}),
        ("3Ad", {"stern"}),
        ("1 4", BOTH),  # two strands exchanged: the iron was at both
        ("stern", {"stern"}),
        ("bow-", {"bow"}),
        ("colour_order", set()),  # put right in the prop file
    ],
)
def test_an_iron_calls_for_the_rails_of_the_feeds_that_copper_joins(
    where: str, feeds: set[str]
) -> None:
    assert feeds_soldered(DESIGN, where) == feeds
    rails = {key for key in checks_after(DESIGN, where) if key[0] == "rails"}
    assert rails == {("rails", feed) for feed in feeds}


@pytest.mark.parametrize(
    ("where", "polarity"), [("bow+", {"bow"}), ("stern", {"stern"}), ("2A+", set())]
)
def test_polarity_is_checked_again_where_a_feeds_own_joint_was_worked_on(
    where: str, polarity: set[str]
) -> None:
    again = {feed for check, feed in checks_after(DESIGN, where) if check == "polarity"}
    assert again == polarity


def test_a_place_that_the_prop_does_not_have_is_refused() -> None:
    with pytest.raises(NameFault):
        feeds_soldered(DESIGN, "9A+")
