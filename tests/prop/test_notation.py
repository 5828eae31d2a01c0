"""Notation of places, points, probes, joints and lit sets: written and read back."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.errors import BenchError, NameFault
from benchtest.prop.design import Design, NodeName, Point, Probe, rail_probe
from benchtest.prop.joints import data_joints, data_order, find_joint, power_joints
from benchtest.prop.lit_set import LitSet, all_lit, format_ranges, parse_lit_set
from benchtest.prop.notation import (
    location_strand,
    meter_places,
    name_locations,
    parse_location,
    parse_place,
    parse_point,
    parse_probe,
)


@pytest.fixture(scope="module")
def fan(make_fan: Callable[..., Design]) -> Design:
    return make_fan(12, 30)


def test_every_place_and_point_is_read_back(fan: Design) -> None:
    found = [*meter_places(fan), NodeName(4, 17), NodeName(12, 30)]
    for place in found:
        assert parse_place(str(place), fan) == place
        assert parse_probe(str(place), fan) == rail_probe(place)
        for rail in ("+", "-"):
            assert str(parse_point(f"{place}{rail}", fan)) == f"{place}{rail}"


def test_every_joint_is_found_and_its_drop_is_a_probe(fan: Design) -> None:
    for joint in power_joints(fan):
        assert find_joint(joint.name, fan) == joint
        assert parse_probe(str(joint.probe), fan) == joint.probe
    assert str(find_joint("4A+", fan).probe) == "foot:4+>4A+"


def test_a_fan_between_two_buses_has_the_joints_counted_by_hand(fan: Design) -> None:
    # N strands: 4 N power joints at strand ends and 2 at the feed; 2 N data joints less the last
    # output, which carries nothing
    assert len(power_joints(fan)) == 4 * 12 + 2
    names = [joint.name for joint in data_joints(fan)]
    assert len(names) == 2 * 12 - 1
    assert names[:5] == ["1Ad", "1Bd", "2Bd", "2Ad", "3Ad"]
    assert names[-1] == "12Bd"


def test_data_runs_in_a_zigzag(fan: Design) -> None:
    order = data_order(fan).tolist()
    assert sorted(order) == list(range(360))
    assert order[29:32] == [29, 59, 58]  # out of 1B, into 2B and back


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("99A", "strands 1 to 12"),
        ("4.31", "nodes 1 to 30"),
        ("fot:4", 'did you mean "foot"'),
        ("foot:13", "no pad at strand 13"),
        ("4A+", 'write "4A" for the volts between its rails'),
        ("4A+>4A+", "both leads are on 4A"),
        ("4A>4B-", "has no rail"),
        ("4Q", 'has no place "4Q"'),
        ("", "has no place"),
        ("\x1b[31m4A", "has no place"),
    ],
)
def test_an_invalid_probe_is_rejected_with_a_remedy(fan: Design, text: str, words: str) -> None:
    with pytest.raises(NameFault) as caught:
        parse_probe(text, fan)
    assert words in str(caught.value)
    assert str(caught.value).isprintable()


def test_a_misspelled_joint_gets_a_suggestion(fan: Design) -> None:
    with pytest.raises(NameFault, match="did you mean"):
        find_joint("4a+", fan)


@pytest.mark.parametrize(
    ("text", "strands"),
    [("all", range(1, 13)), ("none", ()), ("4", (4,)), ("1 3 5-8", (1, 3, 5, 6, 7, 8)),
     ("1,3", (1, 3))],
)  # fmt: skip
def test_lit_strands_are_read(fan: Design, text: str, strands: tuple[int, ...]) -> None:
    assert parse_lit_set(text, fan).strands == frozenset(strands)


@pytest.mark.parametrize("text", ["", "0", "13", "8-5", "a", "1-", "-3", "1--3", "٣", "9" * 50])
def test_invalid_lit_sets_are_rejected(fan: Design, text: str) -> None:
    with pytest.raises(NameFault):
        parse_lit_set(text, fan)


@given(st.sets(st.integers(1, 12)))
def test_lit_sets_are_written_and_read_back(fan: Design, strands: set[int]) -> None:
    lit = LitSet(frozenset(strands))
    assert parse_lit_set(lit.text(fan), fan) == lit
    assert len(format_ranges(strands).split()) <= len(strands)


def test_duty_lights_the_channels_of_the_colour(fan: Design) -> None:
    duty = LitSet(frozenset([2]), 0.5, "yellow").duty(fan)
    assert duty[30].tolist() == [0.5, 0.5, 0.0]
    assert duty.sum() == 30.0
    assert all_lit(fan).duty(fan).all()


def test_invalid_levels_and_colours_are_rejected(fan: Design) -> None:
    for level in (-0.1, 1.1, float("nan")):
        with pytest.raises(BenchError, match="level"):
            parse_lit_set("all", fan, level)
    with pytest.raises(NameFault, match='did you mean "white"'):
        parse_lit_set("all", fan, colour="wite")
    with pytest.raises(NameFault, match="no such channel"):
        parse_lit_set("all", fan, colour="white-channel")


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=30))
def test_any_text_is_a_name_or_raises_a_name_fault(fan: Design, text: str) -> None:
    readers = (parse_probe, parse_point, parse_place, parse_lit_set, find_joint)
    for read in readers:
        with contextlib.suppress(NameFault):
            read(text, fan)


@given(st.sampled_from("AB"), st.integers(1, 12), st.integers(1, 30), st.sampled_from("+-"))
def test_probes_between_any_two_points_are_read_back(
    fan: Design, end: str, strand: int, node: int, rail: str
) -> None:
    red = parse_point(f"{strand}{end}{rail}", fan)
    black = Point(NodeName(strand, node), red.rail)
    probe = Probe(red, black)
    assert parse_probe(str(probe), fan) == probe


def test_locations_are_named_by_kind_and_both_rails_of_an_end_once(fan: Design) -> None:
    names = ["4A-", "4.7", "4A+", "7B+", "5Ad", "2 3", fan.feeds[0].name, "colour_order"]
    locations = [parse_location(name, fan) for name in names]
    assert name_locations(locations) == [
        "joint 4A", "node 4.7", "joint 7B+", "joint 5Ad", "strands 2 and 3", fan.feeds[0].name,
        "colour_order",
    ]  # fmt: skip
    strands = [location_strand(location) for location in locations]
    assert strands == [4, 4, 4, 7, 5, None, None, None]
