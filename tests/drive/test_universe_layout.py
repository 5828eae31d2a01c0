"""Whole nodes in universes, in wire order and back."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.drive.universe_layout import (
    UniverseLayout,
    frame_from_slots,
    universe_numbers,
    universe_slices,
)
from benchtest.prop.design import Design, NodeRun, Output
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.outputs import used_slots
from tests.wire import slots_of


@pytest.mark.parametrize(
    ("nodes", "rgbw", "universes"),
    # 170 whole RGB nodes or 128 RGBW nodes of 512 slots: floor(512 / 3), floor(512 / 4)
    [(170, False, 1), (171, False, 2), (360, False, 3), (512, False, 4), (128, True, 1),
     (129, True, 2), (360, True, 3)],
)  # fmt: skip
def test_universes_hold_whole_nodes(
    make_fan: Callable[..., Design],
    make_kind: Callable[..., NodeKind],
    nodes: int,
    rgbw: bool,
    universes: int,
) -> None:
    kind = make_kind(colours="red green blue white") if rgbw else make_kind()
    fan = make_fan(1, nodes, kind=kind)
    assert universe_numbers(fan) == list(range(1, universes + 1))
    per_node = kind.channels
    for part in universe_slices(fan):
        assert part.count % per_node == 0
        assert part.slot + part.count <= 512


def test_data_runs_backwards_through_a_strand_entered_at_b(make_fan: Callable[..., Design]) -> None:
    fan = make_fan(2, 3)  # zigzag: 1 enters at A, 2 at B
    frame = np.arange(18, dtype=np.uint8).reshape(6, 3)
    (slots,) = UniverseLayout(fan).slots(frame)
    order = [0, 1, 2, 5, 4, 3]
    assert slots == frame[order].tobytes()


def test_colours_are_in_the_order_of_the_chip(
    make_fan: Callable[..., Design], make_kind: Callable[..., NodeKind]
) -> None:
    fan = make_fan(1, 1, kind=make_kind(colour_order="GRB"))
    (slots,) = UniverseLayout(fan).slots(np.array([[1, 2, 3]], dtype=np.uint8))
    assert slots == bytes([2, 1, 3])


@settings(max_examples=40, deadline=None)
@given(
    strands=st.integers(1, 5),
    nodes=st.integers(1, 90),
    channel=st.integers(1, 512),
    rgbw=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_slots_convert_back_to_the_same_frame(
    make_fan: Callable[..., Design],
    make_kind: Callable[..., NodeKind],
    strands: int,
    nodes: int,
    channel: int,
    rgbw: bool,
    seed: int,
) -> None:
    kind = make_kind(colours="red green blue white") if rgbw else make_kind(colour_order="GRB")
    fan = dataclasses.replace(make_fan(strands, nodes, kind=kind), outputs=(Output(5, channel),))
    rng = np.random.default_rng(seed)
    frame = rng.integers(0, 256, (fan.node_count, kind.channels)).astype(np.uint8)
    assert np.array_equal(frame_from_slots(fan, slots_of(fan, frame)), frame)


def test_missing_slots_are_dark(make_fan: Callable[..., Design]) -> None:
    fan = make_fan(1, 200)
    assert not frame_from_slots(fan, {}).any()
    assert frame_from_slots(fan, {1: b"\xff" * 4})[:2].tolist() == [[255, 255, 255], [255, 0, 0]]


@settings(max_examples=40, deadline=None)
@given(
    nodes=st.integers(1, 250),
    channel=st.integers(1, 100),
    slots=st.integers(100, 512),
    packed=st.booleans(),
    nulls=st.integers(0, 3),
    seed=st.integers(0, 1000),
)
def test_outputs_with_gaps_convert_back_to_the_same_frame(
    make_fan: Callable[..., Design],
    nodes: int,
    channel: int,
    slots: int,
    packed: bool,
    nulls: int,
    seed: int,
) -> None:
    runs = tuple((NodeRun(n, 1, nodes),) for n in (1, 2))
    last = Output(7, channel, (), slots, packed, null_nodes=nulls)
    universe = used_slots(last, nodes, 3)[-1][0]
    outputs = (
        dataclasses.replace(last, runs=runs[0]),
        # the second output shares no universe with the first, and is of another colour order
        Output(universe + 1, channel, runs[1], slots, packed, "BGR", nulls),
    )
    fan = dataclasses.replace(make_fan(2, nodes), outputs=outputs)
    frame = np.random.default_rng(seed).integers(0, 256, (fan.node_count, 3)).astype(np.uint8)
    assert np.array_equal(frame_from_slots(fan, slots_of(fan, frame)), frame)


def test_two_outputs_may_share_a_universe(make_fan: Callable[..., Design]) -> None:
    outputs = (
        Output(3, 1, (NodeRun(1, 1, 2),)),
        Output(3, 10, (NodeRun(2, 1, 2),), colour_order="GRB"),
    )
    fan = dataclasses.replace(make_fan(2, 2), outputs=outputs)
    frame = np.arange(1, 13, dtype=np.uint8).reshape(4, 3)
    (part,) = universe_slices(fan)
    assert (part.universe, part.slot, part.count) == (3, 0, 15)
    # strand 2 is entered at B: its node 2 first; slots 7 to 9 are of no output
    assert slots_of(fan, frame) == {3: bytes([1, 2, 3, 4, 5, 6, 0, 0, 0, 11, 10, 12, 8, 7, 9])}


def test_nodes_of_a_group_show_one_address(make_fan: Callable[..., Design]) -> None:
    fan = dataclasses.replace(make_fan(1, 5), outputs=(Output(group=2),))
    frame = np.zeros((5, 3), dtype=np.uint8)
    frame[3] = (9, 8, 7)
    assert slots_of(fan, frame) == {1: bytes([0, 0, 0, 9, 8, 7, 0, 0, 0])}
    shown = frame_from_slots(fan, slots_of(fan, frame))
    assert shown.tolist() == [[0, 0, 0], [0, 0, 0], [9, 8, 7], [9, 8, 7], [0, 0, 0]]
