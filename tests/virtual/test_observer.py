"""Observations match what is visible, no more and no less."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchtest.evidence.marks import Mark
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.node_kinds import NodeKind
from benchtest.virtual.injected_faults import parse_fault, parse_faults
from benchtest.virtual.observer import Observation, observe
from benchtest.virtual.virtual_prop import VirtualProp

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]


def _look(design: Design, *faults: str, lit: str = "all", level: float = 1.0) -> list[Observation]:
    prop = VirtualProp(design, parse_faults(faults, design))
    prop.receive(_frame(design, lit, level))
    return observe(prop)


def _frame(design: Design, lit: str, level: float = 1.0) -> np.ndarray:
    duty = parse_lit_set(lit, design, level).duty(design)
    return np.rint(duty * 255).astype(np.uint8)


@pytest.fixture(scope="module")
def comb(make_fan: MakeFan) -> Design:
    return make_fan(strands=4, nodes=10, crown=False)


@pytest.mark.parametrize("level", [1.0, 0.2, 0.01])
def test_a_healthy_strand_is_ok_at_any_level(comb: Design, level: float) -> None:
    assert _look(comb, level=level) == [Observation(n, 1, 10, "ok") for n in (1, 2, 3, 4)]


def test_strands_that_should_be_dark_are_left_out(comb: Design) -> None:
    assert _look(comb, lit="2 4") == [Observation(2, 1, 10, "ok"), Observation(4, 1, 10, "ok")]
    assert _look(comb, lit="none") == []


def test_a_dead_node_and_all_after_it_are_seen_dark(comb: Design) -> None:
    # strand 4 is entered at B, so node 7 is fourth in line
    assert _look(comb, "4.7=dead", lit="4") == [
        Observation(4, 1, 7, "dark"),
        Observation(4, 8, 10, "ok"),
    ]


def test_one_dark_node_is_seen_alone(comb: Design) -> None:
    assert _look(comb, "3.5=dark", lit="3") == [
        Observation(3, 1, 4, "ok"),
        Observation(3, 5, 5, "dark"),
        Observation(3, 6, 10, "ok"),
    ]


def test_an_open_data_joint_darkens_strand_after_strand(comb: Design) -> None:
    assert _look(comb, "3Ad=open") == [
        Observation(1, 1, 10, "ok"),
        Observation(2, 1, 10, "ok"),
        Observation(3, 1, 10, "dark"),
        Observation(4, 1, 10, "dark"),
    ]


def test_a_strand_at_low_voltage_is_seen_warm(comb: Design) -> None:
    sights = _look(comb, "4A+=5", lit="4")
    assert {sight.seen for sight in sights} == {"warm"}


def test_a_small_loss_is_not_seen(comb: Design) -> None:
    # a sink keeps its current down to 3.75 V: a fifth of a volt lost is invisible
    assert _look(comb, "4A+=0.5") == _look(comb)


def test_one_colour_alone_is_seen_dim_not_warm(make_fan: MakeFan, make_kind: MakeKind) -> None:
    kind = make_kind(family="resistor")
    comb = make_fan(strands=1, nodes=10, crown=False, kind=kind)
    prop = VirtualProp(comb, parse_faults(["1A+=45"], comb))
    prop.receive(np.tile(np.array([[255, 0, 0]], dtype=np.uint8), (10, 1)))
    # a resistor's current falls at once: at 9 V red has (9.0 - 6.2) / (12.0 - 6.2) of it
    assert prop.solution.node_v == pytest.approx(np.full(10, 9.0), abs=0.3)
    assert observe(prop) == [Observation(1, 1, 10, "dim")]


def test_latched_light_is_seen_stuck(comb: Design) -> None:
    prop = VirtualProp(comb)
    prop.receive(_frame(comb, "all"))
    prop.inject_fault(parse_fault("3Ad=open", comb))
    prop.receive(_frame(comb, "all", 0.5))
    assert [sight.seen for sight in observe(prop)] == ["ok", "ok", "stuck", "stuck"]


def test_an_observation_becomes_a_mark(comb: Design) -> None:
    lit = parse_lit_set("4", comb)
    assert Observation(4, 1, 7, "dark").mark(lit) == Mark(lit, 4, 1, 7, "dark")


def test_nodes_that_brown_out_are_seen_flickering(make_fan: MakeFan) -> None:
    """They light, pull the voltage down, lose their data, and light again."""
    comb = make_fan(strands=4, nodes=60, crown=False)
    feed = comb.feeds[0].name
    assert {sight.seen for sight in _look(comb, f"{feed}-=4")} == {"flicker"}
    dark = VirtualProp(comb, parse_faults([f"{feed}-=4"], comb))
    dark.receive(_frame(comb, "none"))
    assert not dark.browned_out().any()
    assert observe(dark) == []
