"""Current limits of feeds."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.feed_limits import (
    PermittedLitSets,
    find_level_limit,
    surely_within_limits,
)
from benchtest.circuit.network import Circuit
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.node_kinds import NodeKind

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]


def test_the_highest_level_within_the_limit_is_given(
    make_fan: Callable[..., Design],
) -> None:
    fan = make_fan(1, 1)
    feed = dataclasses.replace(fan.feeds[0], fuse_a=5.0, supply_a=5.0)
    fan = dataclasses.replace(fan, feeds=(feed,))
    lit, dark = {feed.name: 10.0}, {feed.name: 1.0}
    limit = find_level_limit(fan, 1.0, lit, dark)
    assert limit is not None
    # 80 % of 5 A is 4 A; 1 A flows in the dark, so 3 of the other 9 A are allowed
    assert limit.level == pytest.approx(0.33)
    assert "80 %" in limit.why
    assert find_level_limit(fan, 0.3, {feed.name: 3.7}, dark) is None


def test_a_lit_set_is_permitted_up_to_the_fuse(make_fan: MakeFan, make_kind: MakeKind) -> None:
    """10 nodes of 3 channels of 12 mA, and 40 of 0.8 mA: 0.392 A with one of four strands lit."""
    design = make_fan(4, 10, kind=make_kind(channel_ma=12.0, quiescent_ma=0.8))
    one = LitSet(frozenset([2]))
    for fuse_a, permitted in ((0.393, True), (0.391, False)):
        feed = dataclasses.replace(design.feeds[0], fuse_a=fuse_a, supply_a=None)
        fused = dataclasses.replace(design, feeds=(feed,))
        assert surely_within_limits(fused, one.duty(fused)) == permitted
        permitted_sets = PermittedLitSets(Circuit(fused))
        assert permitted_sets(one) == permitted
        assert permitted_sets(LitSet(frozenset()))
        assert not permitted_sets(all_lit(fused))


def test_regulated_nodes_are_never_surely_within_limits(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    """They draw more as their volts fall."""
    design = make_fan(1, 1, kind=make_kind("regulated"))
    feed = dataclasses.replace(design.feeds[0], fuse_a=100.0)
    design = dataclasses.replace(design, feeds=(feed,))
    assert not surely_within_limits(design, np.ones((1, 3)))
