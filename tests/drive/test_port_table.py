"""Port tables: CSV of a controller's outputs, read, written, and its faults."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import replace

import pytest

from benchtest.drive.port_table import parse_ports, strand_addresses, write_ports
from benchtest.errors import FileFaults
from benchtest.prop.design import Design, NodeRun, Output

MakeFan = Callable[..., Design]


def _two(fan: Design) -> Design:
    runs = (NodeRun(1, 1, 30), NodeRun(2, 11, 30)), (NodeRun(2, 1, 10), NodeRun(3, 1, 30))
    outputs = (
        Output(4, 100, runs[0], 512, True),
        Output(9, 1, runs[1], 510, False, "GRB", 1, 2, "192.0.2.7"),
    )
    return replace(fan, outputs=outputs)


def test_a_table_reads_back_as_the_same_outputs(make_fan: MakeFan) -> None:
    fan = make_fan(3, 30)  # zigzag: strand 2 is entered at B, so its node 30 is first
    split = _two(fan)
    text = write_ports(split)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(r["strand"], r["first_node"], r["nodes"]) for r in rows] == [
        ("1", "1", "50"), ("2", "10", "40"),
    ]  # fmt: skip
    assert parse_ports(text, "ports.csv", fan) == split


def test_four_columns_are_enough(make_fan: MakeFan) -> None:
    fan = make_fan(3, 30)
    text = "strand,first_node,universe,channel\n3,,12,340\n1,,4,1\n"
    found = parse_ports(text, "ports.csv", fan)
    assert [(o.universe, o.channel, o.slots) for o in found.outputs] == [
        (4, 1, 510),
        (12, 340, 510),
    ]
    assert found.outputs[1].runs == (NodeRun(3, 1, 30),)


def test_each_strand_has_an_address(make_fan: MakeFan) -> None:
    rows = strand_addresses(_two(make_fan(3, 30)))
    assert [(r.strand, r.first_node, r.last_node, r.output) for r in rows] == [
        (1, 1, 30, 1), (2, 30, 11, 1), (2, 10, 1, 2), (3, 1, 30, 2),
    ]  # fmt: skip
    # counted: 30 nodes from channel 100 end at 189; 20 more at 249
    assert [(r.universe, r.channel, r.last_channel) for r in rows[:2]] == [
        (4, 100, 189),
        (4, 190, 249),
    ]
    # one null node, then two nodes share an address: 5 addresses from channel 4 on
    assert (rows[2].universe, rows[2].channel, rows[2].last_channel) == (9, 4, 18)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "write a first line"),
        ("strand,first_node,universe\n", "column channel is missing"),
        ("strand,first_node,universe,channel\n", "has no row"),
        ("strand,first_node,universe,channel\n2,,4,1\n", "line 2: data reaches 1.1 first"),
        ("strand,first_node,universe,channel\n1,,,1\n", "line 2: universe is empty"),
        ("strand,first_node,universe,channel\n1,,64000,513\n",
         'universe is "64000"; give a whole number 1 to 63999; channel is "513"'),
        ("strand,first_node,universe,channel\n1,,1,1\n1,1,2,1\n", "another row begins at 1.1 too"),
        ("strand,first_node,universe,channel,nodes\n1,,1,1,30\n3,,2,1,\n",
         "line 2: nodes is 30, but 60 nodes"),
        ("strand,first_node,universe,channel\n1,,1,1\n3,,1,30\n",
         "line 3: uses channel 30 of universe 1, as line 2 does"),
        # strand 2 of the zigzag is entered at B
        ("strand,first_node,universe,channel\n1,1,1,1\n2,1,1,91\n",
         "as line 2 does; move one of the two; data enters strand 2 at B, so its first node is 30"),
        ("strand,first_node,universe,channel,nodes\n1,,1,1,30\n2,,1,80,30\n3,,0,1,30\n",
         "line 3: uses channel 80 of universe 1, as line 2 does"),
        ("strand,first_node,universe,channel,packed\n1,,1,1,maybe\n", 'packed is "maybe"'),
        ("strand,first_node,universe,channel,host\n1,,1,1,a b\n", 'host is "a b"'),
        ("strand,first_node,universe,channel,slots\n1,,1,1,2\n", "line 2: slots: is 2"),
    ],
)  # fmt: skip
def test_faults_of_a_table_have_their_line(make_fan: MakeFan, text: str, words: str) -> None:
    with pytest.raises(FileFaults) as caught:
        parse_ports(text, "ports.csv", make_fan(3, 30))
    assert words in str(caught.value)


def test_holes_in_several_rows_are_reported_at_once(make_fan: MakeFan) -> None:
    text = "strand,first_node,universe,channel\n1,,,1\n2,99,4,\n,,,\n9,1,1,1\n"
    with pytest.raises(FileFaults) as caught:
        parse_ports(text, "ports.csv", make_fan(3, 30))
    assert len(caught.value.faults) == 3  # a line of empty cells is no row
