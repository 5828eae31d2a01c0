"""Data reach the nodes that the wiring of the data line connects."""

from __future__ import annotations

from collections.abc import Callable

import networkx
import numpy as np
import pytest

from benchtest.prop.design import Design
from benchtest.prop.joints import data_order
from benchtest.prop.node_kinds import NodeKind
from benchtest.virtual.injected_faults import parse_faults
from benchtest.virtual.virtual_prop import DataLine

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]


def _reached(design: Design, *faults: str, asleep: tuple[int, ...] = ()) -> list[str]:
    """Return the names of the nodes that data reach."""
    awake = np.ones(design.node_count, dtype=bool)
    awake[list(asleep)] = False
    reached = DataLine(design, parse_faults(faults, design)).reached(awake)
    return [str(design.node_at(int(index))) for index in np.flatnonzero(reached)]


@pytest.fixture(scope="module")
def fan(make_fan: MakeFan) -> Design:
    """Three strands of four nodes; data run up strand 1, down 2, up 3."""
    return make_fan(strands=3, nodes=4)


def test_data_reach_every_node_of_a_healthy_prop(fan: Design) -> None:
    assert len(_reached(fan)) == 12


@pytest.mark.parametrize(
    ("joint", "reached"),
    [
        ("1Ad", 0),  # from the controller
        ("1Bd", 4),  # out of strand 1
        ("2Bd", 4),  # into strand 2: the same nodes after it
        ("2Ad", 8),
        ("3Ad", 8),
    ],
)
def test_no_node_after_an_open_data_joint_is_reached(fan: Design, joint: str, reached: int) -> None:
    assert len(_reached(fan, f"{joint}=open")) == reached


def test_no_node_after_a_dead_node_is_reached(fan: Design) -> None:
    # strand 2 is entered at B: its node 3 is second in line
    assert _reached(fan, "2.3=dead") == ["1.1", "1.2", "1.3", "1.4", "2.3", "2.4"]


def test_a_dark_node_forwards_data(fan: Design) -> None:
    line = DataLine(fan, parse_faults(["2.3=dark"], fan))
    assert line.reached(np.ones(12, dtype=bool)).all()
    assert np.flatnonzero(line.dark).tolist() == [fan.index(2, 3)]


def test_a_node_without_data_out_lights_as_the_last(fan: Design) -> None:
    line = DataLine(fan, parse_faults(["1.2=no-data-out"], fan))
    assert np.flatnonzero(line.reached(np.ones(12, dtype=bool))).tolist() == [0, 1]
    assert not line.dark.any()


def test_a_node_without_supply_receives_and_forwards_nothing(fan: Design) -> None:
    assert _reached(fan, asleep=(1,)) == ["1.1"]


@pytest.fixture(scope="module")
def backed(make_fan: MakeFan, make_kind: MakeKind) -> Design:
    """The same design of nodes with a backup line."""
    return make_fan(strands=3, nodes=4, kind=make_kind(backup_data=True))


def test_a_backup_line_bypasses_one_dead_node(backed: Design) -> None:
    assert len(_reached(backed, "1.2=dead")) == 12


def test_a_backup_line_does_not_bypass_two_dead_nodes_in_a_row(backed: Design) -> None:
    assert _reached(backed, "1.2=dead", "1.3=dead") == ["1.1", "1.2", "1.3"]


def test_a_backup_line_does_not_bypass_an_open_joint(backed: Design) -> None:
    assert len(_reached(backed, "2Bd=open")) == 4


def test_the_line_matches_a_search_of_its_wires(make_fan: MakeFan, make_kind: MakeKind) -> None:
    # Two data wires a node, as data sheets of backup-line chips draw them: the data input is
    # connected to the node before, the backup input to that node's input. networkx searches that
    # graph.
    rng = np.random.default_rng(5)
    for backup in (False, True) * 20:
        design = make_fan(strands=3, nodes=5, kind=make_kind(backup_data=backup))
        dead = sorted(rng.choice(15, size=int(rng.integers(0, 5)), replace=False).tolist())
        faults = [f"{design.node_at(index)}=dead" for index in dead]
        assert _reached(design, *faults) == _searched(design, set(dead), backup)


def _searched(design: Design, dead: set[int], backup: bool) -> list[str]:
    order = data_order(design).tolist()
    wires = networkx.DiGraph([("controller", ("into", order[0]))])
    for place, index in enumerate(order):
        if index not in dead:
            wires.add_edge(("into", index), ("out", index))
        if place + 1 < len(order):
            behind = order[place + 1]
            wires.add_edge(("out", index), ("into", behind))
            if backup:
                wires.add_edge(("into", index), ("backup", behind))
                if behind not in dead:
                    wires.add_edge(("backup", behind), ("out", behind))
    heard = networkx.descendants(wires, "controller")
    reached = [i for i in range(len(order)) if {("into", i), ("backup", i)} & heard]
    return [str(design.node_at(index)) for index in reached]
