"""Number of nodes that one data line refreshes at a rate, by the chips' own times."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest

from benchtest.drive.universe_layout import frames_per_s, node_s, nodes_per_output
from benchtest.prop.design import Design
from benchtest.prop.node_kinds import NodeKind

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]

BIT_US = Fraction(5, 4)
"""800 kHz: 1.25 µs a bit. Source: WS2811 and WS2812B data sheets, high-speed mode."""
RESET_US = 300
"""Low time between frames. Source: WS2813 data sheet. Older chips: 50 µs, from memory."""


def _most_nodes(rate: int, bits: int) -> int:
    """Return the whole nodes between two frames, in integers without rounding errors."""
    return int((Fraction(1_000_000, rate) - RESET_US) // (bits * BIT_US))


@pytest.mark.parametrize(
    ("rate", "nodes"),
    # (50 000 - 300) / 30 = 1656.7; (40 000 - 300) / 30 = 1323.3; (25 000 - 300) / 30 = 823.3
    [(20, 1656), (25, 1323), (40, 823)],
)
def test_one_line_refreshes_this_many_nodes_of_three_colours(
    make_fan: MakeFan, rate: int, nodes: int
) -> None:
    assert _most_nodes(rate, 24) == nodes
    assert nodes_per_output(make_fan(1, 2), rate) == nodes


@pytest.mark.parametrize(
    ("rate", "nodes"),
    # 32 bits are 40 µs: 49 700 / 40 = 1242.5; 39 700 / 40 = 992.5; 24 700 / 40 = 617.5
    [(20, 1242), (25, 992), (40, 617)],
)
def test_nodes_with_white_take_a_third_longer(
    make_fan: MakeFan, make_kind: MakeKind, rate: int, nodes: int
) -> None:
    design = make_fan(1, 2, kind=make_kind(colours="red green blue white"))
    assert node_s(design) == pytest.approx(40e-6)
    assert _most_nodes(rate, 32) == nodes
    assert nodes_per_output(design, rate) == nodes


@pytest.mark.parametrize("rate", range(1, 121))
def test_the_node_count_is_never_one_too_many(make_fan: MakeFan, rate: int) -> None:
    assert nodes_per_output(make_fan(1, 2), rate) == _most_nodes(rate, 24)


@pytest.mark.parametrize(("nodes", "rate"), [(360, 90.1), (400, 81.3), (1656, 20.0), (823, 40.0)])
def test_one_line_sends_this_many_frames_to_a_prop(
    make_fan: MakeFan, nodes: int, rate: float
) -> None:
    """360 nodes of 30 µs and the reset are 11.1 ms: 90 a second."""
    assert 1e6 / (nodes * 30 + RESET_US) == pytest.approx(rate, abs=0.05)
    assert frames_per_s(make_fan(1, nodes)) == pytest.approx(1e6 / (nodes * 30 + RESET_US))


def test_the_largest_prop_keeps_the_rate_and_one_node_more_does_not(make_fan: MakeFan) -> None:
    most = nodes_per_output(make_fan(1, 2), 40)
    assert frames_per_s(make_fan(1, most)) >= 40.0 > frames_per_s(make_fan(1, most + 1))


def test_more_frames_than_the_reset_allows_leave_no_node(make_fan: MakeFan) -> None:
    """300 µs alone fit 3333 times into a second."""
    assert nodes_per_output(make_fan(1, 2), 3_000) == 1
    assert nodes_per_output(make_fan(1, 2), 3_330) == 0
