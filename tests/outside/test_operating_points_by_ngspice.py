"""Operating points of whole props by ngspice, to 10 µV at every strand end, pad and node."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchtest.circuit.spice import spice_deck
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Design, Feed, Strand, StrandEnd, rail_probe
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.node_kinds import Family, NodeKind, catalogue
from tests.outside.ngspice import by_ngspice, compare

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]
FAMILIES: list[Family] = ["sink", "resistor", "series-colours"]
"""Families with one solution for any joint resistances; regulated nodes are tried below."""


@pytest.mark.parametrize("name", sorted(catalogue()))
def test_full_white_on_a_healthy_prop_of_every_kind(
    make_fan: MakeFan, tmp_path: Path, name: str
) -> None:
    design = make_fan(4, 10, kind=catalogue()[name])
    compare(design, all_lit(design).duty(design), {}, tmp_path)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("joint_ohm", [{"2A+": 0.8}, {"2A+": math.inf}, {"2A-": 30.0, "2B-": 9.0}])
def test_a_bad_joint_in_every_family(
    make_fan: MakeFan,
    make_kind: MakeKind,
    tmp_path: Path,
    family: Family,
    joint_ohm: dict[str, float],
) -> None:
    design = make_fan(3, 8, kind=make_kind(family))
    compare(design, all_lit(design).duty(design), joint_ohm, tmp_path)


@pytest.mark.parametrize(
    ("family", "wire"),
    [("sink", "30 AWG"), ("resistor", "40 AWG"), ("series-colours", "40 AWG")],
)
def test_an_undervoltage_strand_in_every_family(
    make_fan: MakeFan, make_kind: MakeKind, tmp_path: Path, family: Family, wire: str
) -> None:
    """Thin wire from one end only: the far nodes are far below their full current."""
    kind = make_kind(family, channel_ma=40.0)
    design = make_fan(2, 25, kind=kind, crown=False, wire=wire)
    node_v = compare(design, all_lit(design).duty(design), {}, tmp_path).node_v
    assert node_v.min() < 0.8 * kind.volts


@pytest.mark.parametrize("joint_ohm", [{}, {"2A+": 0.8}, {"2A+": math.inf}, {"feed1-": 0.4}])
@pytest.mark.parametrize("lit", ["all", "2", "none"])
def test_regulated_nodes_hold_their_power(
    make_fan: MakeFan,
    make_kind: MakeKind,
    tmp_path: Path,
    joint_ohm: dict[str, float],
    lit: str,
) -> None:
    """The upper solution: each lit node takes 3 x 12 mA x 12 V, however few its volts."""
    design = make_fan(3, 8, kind=make_kind("regulated", quiescent_ma=0.0), wire="28 AWG")
    solution = compare(design, parse_lit_set(lit, design).duty(design), joint_ohm, tmp_path)
    assert solution.starts
    lit_w = 3 * 12e-3 * 12.0 * solution.duty.max(axis=1)
    assert solution.node_a * solution.node_v == pytest.approx(lit_w, rel=1e-9)


def test_regulated_nodes_of_a_seeded_picture(
    make_fan: MakeFan, make_kind: MakeKind, tmp_path: Path
) -> None:
    kind = make_kind("regulated", channel_ma=30.0)
    design = make_fan(3, 8, kind=kind, wire="30 AWG", feeds=("foot:1", "crown:3"))
    duty = np.random.default_rng(5).random((design.node_count, design.node.channels))
    assert compare(design, duty, {"3B-": 1.5, "1A+": 0.3}, tmp_path).starts


@pytest.mark.parametrize("watts", [1.0, 6.0, 20.0, 35.0])
def test_the_decks_regulated_law_in_closed_form(
    make_kind: MakeKind, tmp_path: Path, watts: float
) -> None:
    """ngspice alone: (V + sqrt(V² - 4 P R)) / 2 behind 1 Ω at 12 V, any text on feeders."""
    kind = make_kind("regulated", channel_ma=watts / 12 / 3 * 1e3, quiescent_ma=0.0)
    kind = dataclasses.replace(kind, full_v=dict.fromkeys(kind.colours, 6.0))
    end, wire = StrandEnd(1, "A"), parse_wire("22 AWG")
    feed = Feed("main", end, 12.0, wire, 0.0)
    design = Design("One", kind, (Strand(1, 1, 1.0, (0.0, 0.0), wire),), (end,), feeds=(feed,))
    duty = all_lit(design).duty(design)
    joint_ohm = {"main+": 1.0, "main-": 0.0}
    deck = spice_deck(design, duty, joint_ohm, [rail_probe(end)])
    expected_v = (12 + math.sqrt(144 - 4 * watts)) / 2
    assert by_ngspice(deck, tmp_path)["probe_1"] == pytest.approx(expected_v, abs=1e-6)


def test_colours_and_levels_of_a_seeded_picture(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(3, 8, wire="28 AWG")
    duty = np.random.default_rng(4).random((design.node_count, design.node.channels))
    compare(design, duty, {"3B-": 1.5}, tmp_path)


@pytest.mark.parametrize("rail", ["+", "-"])
@pytest.mark.parametrize("lit", ["all", "1 3", "none"])
def test_a_strand_cut_off_by_open_joints(
    make_fan: MakeFan, tmp_path: Path, rail: str, lit: str
) -> None:
    """Both joints of one rail open: the remaining volts come through the data line's diodes."""
    design = make_fan(3, 8)
    joint_ohm = {f"2A{rail}": math.inf, f"2B{rail}": math.inf}
    node_v = compare(design, parse_lit_set(lit, design).duty(design), joint_ohm, tmp_path).node_v
    # 1.4 to 4.4 V behind an open joint at 5 V: common practice, no source
    assert 1.4 <= node_v[8:16].min() <= node_v[8:16].max() <= 4.4


def test_two_feeds_of_different_volts_and_ring_buses(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(4, 8, ring=True, feeds=("foot:1", "crown:3"))
    high = dataclasses.replace(design.feeds[1], volts=5.2, fuse_mohm=11.0)
    design = dataclasses.replace(design, feeds=(design.feeds[0], high))
    compare(design, all_lit(design).duty(design), {"4A-": 0.3}, tmp_path)


def test_joints_of_zero_resistance(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(3, 8)
    compare(design, all_lit(design).duty(design), {"default": 0.0}, tmp_path)


def test_twelve_strands_of_thirty(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(12, 30)
    compare(design, all_lit(design).duty(design), {"4A+": 0.8, "9B-": 0.1}, tmp_path)
