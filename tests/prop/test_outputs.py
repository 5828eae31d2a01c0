"""Outputs of a controller: their addresses, their file, and every fault at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.diagnosis.model.faults import fault_space
from benchtest.errors import FileFaults, InputError
from benchtest.prop.design import Design, NodeRun, Output
from benchtest.prop.joints import data_joints
from benchtest.prop.outputs import (
    output_addresses,
    parse_output_setting,
    used_slots,
    without_hosts,
)
from benchtest.prop.reader import parse_design
from benchtest.prop.writer import write_design

FILE = """
format = 1
name = "Willow fan"
[node]
kind = "ws2811-5v"
[[strand]]
count = 4
nodes = 100
pitch_mm = 30.0
wire = "22 AWG"
[[bus]]
name = "foot"
joins = "A"
wire = "18 AWG"
spacing_mm = 40.0
[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "16 AWG"
length_mm = 1500.0
"""


def _prop(outputs: str) -> Design:
    return parse_design(FILE + outputs, "fan.toml")


def _faults(outputs: str) -> list[str]:
    with pytest.raises(FileFaults) as caught:
        _prop(outputs)
    return str(caught.value).splitlines()


TWO = """
[[output]]
strands = "1-2"
universe = 4
slots = 512
packed = true
[[output]]
strands = "4 3"
universe = 9
colour_order = "GRB"
null_nodes = 1
group = 2
host = "192.0.2.7"
"""


def test_every_key_is_read_and_written() -> None:
    fan = _prop(TWO)
    runs = (NodeRun(1, 1, 100), NodeRun(2, 1, 100)), (NodeRun(4, 1, 100), NodeRun(3, 1, 100))
    assert fan.outputs == (
        Output(4, 1, runs[0], 512, True),
        # whole RGB nodes fill 510 of 512 slots
        Output(9, 1, runs[1], 510, False, "GRB", 1, 2, "192.0.2.7"),
    )
    assert [end.strand for end in fan.data_path] == [1, 2, 4, 3]
    assert parse_design(write_design(fan), "again.toml") == fan


def test_a_file_without_outputs_means_what_it_meant() -> None:
    assert _prop("").outputs == (Output(),)
    plain = _prop("[output]\nuniverse = 3\nchannel = 2\n")
    # from slot 2 on, floor(511 / 3) = 170 whole nodes fit
    assert used_slots(plain.outputs[0], 400, 3)[:2] == [(3, 1, 510), (4, 0, 509)]


@settings(max_examples=200, deadline=None)
@given(
    st.integers(1, 60),
    st.integers(1, 512),
    st.integers(1, 512),
    st.integers(1, 4),
    st.integers(0, 5),
    st.integers(1, 3),
    st.booleans(),
)
def test_addresses_equal_those_counted_slot_by_slot(
    nodes: int, slots: int, channel: int, channels: int, nulls: int, group: int, packed: bool
) -> None:
    slots = max(slots, channels, channel)
    output = Output(7, channel, slots=slots, packed=packed, null_nodes=nulls, group=group)
    universe, slot, expected = 7, channel, []
    for _ in range(nulls + -(-nodes // group)):
        if not packed and slot + channels - 1 > slots:
            universe, slot = universe + 1, 1
        place = []
        for _ in range(channels):
            if slot > slots:
                universe, slot = universe + 1, 1
            place.append((universe, slot - 1))
            slot += 1
        expected.append(place)
    counted = [expected[nulls + node // group] for node in range(nodes)]
    found = output_addresses(output, nodes, channels)
    pairs = zip(found.universe.tolist(), found.slot.tolist(), strict=True)
    assert [list(zip(*pair, strict=True)) for pair in pairs] == counted


def test_170_nodes_fill_a_universe_or_a_packed_one_ends_inside_a_node() -> None:
    whole, packed = Output(), Output(packed=True)
    # 512 = 170 * 3 + 2: packed, the first two channels of node 171 are slots 511 and 512
    assert output_addresses(packed, 171, 3).universe[170].tolist() == [1, 1, 2]
    assert output_addresses(packed, 171, 3).slot[170].tolist() == [510, 511, 0]
    assert output_addresses(whole, 171, 3).universe[170].tolist() == [2, 2, 2]


def test_faults_between_outputs_are_reported_next_to_those_of_single_keys() -> None:
    faults = _faults(
        '[[output]]\nstrands = "1"\n'
        '[[output]]\nstrands = "1 2"\nchannel = 100\n'
        '[[output]]\nstrands = "3"\nuniverse = 0\n'
        '[[output]]\nstrands = "4"\nuniverse = 9\nslots = 2\n'
    )
    assert [fault.removeprefix("fan.toml: ") for fault in faults] == [
        "output[3].universe: is 0; give a whole number from 1 to 63999",
        "output[2].strands: strand 1 is on output 1 already; put each node on one output",
        "output[4].slots: is 2; a whole node needs 3: give at least that, or packed = true",
        "output[2]: uses channel 100 of universe 1, as output 1 does; move one of the two",
    ]


def test_all_faults_of_the_outputs_are_reported_at_once() -> None:
    found = _faults(
        '[[output]]\nstrands = "1-2 9"\nuniverse = 0\n'
        '[[output]]\nstrands = "2"\nslots = 600\ncolour_order = "XYZ"\nhost = "a b"\ngruop = 2\n'
    )
    for words in (
        'output[1].strands: "9": the prop has strands 1 to 4',
        "output[1].universe: is 0; give a whole number from 1 to 63999",
        "output[2].slots: is 600; give a whole number from 1 to 512",
        "output[2].colour_order",
        'output[2].host: is "a b"',
        'output[2].gruop: is not a known key; did you mean "group"?',
    ):
        assert any(words in line for line in found), words


@pytest.mark.parametrize(
    ("outputs", "fault"),
    [
        ('[[output]]\nstrands="1-3"\n[[output]]\nstrands="3-4"\nuniverse=9\n',
         "output[2].strands: strand 3 is on output 1 already"),
        ('[[output]]\nstrands="1-2"\n[[output]]\nstrands="3.1-50 4"\nuniverse=9\n',
         "output: strand 3, nodes 51 to 100, is on no output"),
        ('[[output]]\nstrands="1-2"\n[[output]]\nstrands="3 4"\n',
         "output[2]: uses channel 1 of universe 1, as output 1 does"),
        ('[[output]]\nstrands="1-2"\n[[output]]\nuniverse=9\n', "output[2].strands: is missing"),
        ('[[output]]\nslots = 100\nchannel = 200\n', "channel: is 200, but only slots 1 to 100"),
        ('[[output]]\nslots = 2\n', "slots: is 2; a whole node needs 3"),
        ('[[output]]\nuniverse = 63998\n', "above 63999: start lower"),
        ('[[output]]\nstrands="1 2.1-50"\n[[output]]\nstrands="2.51-100 3-4"\nuniverse=9\n',
         "data does not reach strand 2 in this order"),
        ('[output]\nstrands = "1-4"\n', "strands: is not a known key"),
    ],
)  # fmt: skip
def test_outputs_that_disagree_are_rejected(outputs: str, fault: str) -> None:
    assert any(fault in line for line in _faults(outputs))


def test_an_output_begins_a_data_line_of_its_own() -> None:
    fan = _prop('[[output]]\nstrands="1-2"\n[[output]]\nstrands="3-4"\nuniverse=9\n')
    # the controller feeds 1 and 3; between 2 and 3 there is no data wire
    assert [joint.name for joint in data_joints(fan)] == ["1Ad", "1Bd", "2Bd", "3Ad", "3Bd", "4Bd"]
    spans = {f.where: (f.start, f.stop) for f in fault_space(fan).chain if f.kind == "data-open"}
    assert spans["1Bd"] == (100, 200)
    assert spans["3Ad"] == (200, 400)


def test_a_prop_moves_to_the_output_of_tonight() -> None:
    fan = _prop("[output]\nuniverse = 3\n")
    moved = parse_output_setting("universe=12, channel=340").moved(fan)
    assert moved.outputs == (Output(12, 340),)
    two = parse_output_setting("universe=14").moved(_prop(TWO))
    assert [one.universe for one in two.outputs] == [14, 19]
    packed = parse_output_setting("slots=300,packed=true").moved(fan).outputs[0]
    assert (packed.universe, packed.slots, packed.packed) == (3, 300, True)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is not a setting"),
        ("univers=3", 'did you mean "universe"?'),
        ("universe=0", 'universe is "0"; give a whole number 1 to 63999'),
        ("universe=64000,channel=513", 'channel is "513"; give a whole number 1 to 512'),
        ("universe=3,universe=4", "universe is given twice"),
        ("packed=maybe", 'packed is "maybe"; write true or false'),
    ],
)
def test_an_invalid_output_option_is_explained(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_output_setting(text)
    assert words in str(caught.value)


def test_an_output_that_the_prop_does_not_fit_is_refused() -> None:
    with pytest.raises(InputError, match="above 63999"):
        parse_output_setting("universe=63999").moved(_prop(""))


def test_a_virtual_prop_is_one_controller(make_fan: Callable[..., Design]) -> None:
    fan = _prop(TWO)
    assert [one.host for one in without_hosts(fan).outputs] == [None, None]
    clash = replace(fan, outputs=(fan.outputs[0], replace(fan.outputs[1], universe=4)))
    with pytest.raises(InputError, match="universe 4"):
        without_hosts(clash)
