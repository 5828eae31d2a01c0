"""Operating points of whole props by ngspice, to 10 µV at every strand end, pad and node."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchtest.prop.catalogue import catalogue
from benchtest.prop.design import Design, Family, NodeKind
from benchtest.prop.lit import everything, parse_lit
from tests.outside.ngspice import compare

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]
FAMILIES: list[Family] = ["sink", "resistor", "series-colours"]


@pytest.mark.parametrize("name", sorted(catalogue()))
def test_full_white_on_a_healthy_prop_of_every_kind(
    make_fan: MakeFan, tmp_path: Path, name: str
) -> None:
    design = make_fan(4, 10, kind=catalogue()[name])
    compare(design, everything(design).duty(design), {}, tmp_path)


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
    compare(design, everything(design).duty(design), joint_ohm, tmp_path)


@pytest.mark.parametrize(
    ("family", "wire"),
    [("sink", "30 AWG"), ("resistor", "40 AWG"), ("series-colours", "40 AWG")],
)
def test_a_starved_strand_in_every_family(
    make_fan: MakeFan, make_kind: MakeKind, tmp_path: Path, family: Family, wire: str
) -> None:
    """Thin wire from one end only: the far nodes are far out of their flat part."""
    kind = make_kind(family, channel_ma=40.0)
    design = make_fan(2, 25, kind=kind, crown=False, wire=wire)
    node_v = compare(design, everything(design).duty(design), {}, tmp_path).node_v
    assert node_v.min() < 0.8 * kind.volts


def test_colours_and_levels_of_a_seeded_picture(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(3, 8, wire="28 AWG")
    duty = np.random.default_rng(4).random((design.node_count, design.node.channels))
    compare(design, duty, {"3B-": 1.5}, tmp_path)


@pytest.mark.parametrize("rail", ["+", "-"])
@pytest.mark.parametrize("lit", ["all", "1 3", "none"])
def test_a_strand_cut_off_by_open_joints(
    make_fan: MakeFan, tmp_path: Path, rail: str, lit: str
) -> None:
    """Both joints of one rail open: what is left comes through the data line's diodes."""
    design = make_fan(3, 8)
    joint_ohm = {f"2A{rail}": math.inf, f"2B{rail}": math.inf}
    node_v = compare(design, parse_lit(lit, design).duty(design), joint_ohm, tmp_path).node_v
    # 1.4 to 4.4 V behind an open joint at 5 V: common practice, no source
    assert 1.4 <= node_v[8:16].min() <= node_v[8:16].max() <= 4.4


def test_two_feeds_of_different_volts_and_ring_buses(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(4, 8, ring=True, feeds=("foot:1", "crown:3"))
    high = dataclasses.replace(design.feeds[1], volts=5.2, fuse_mohm=11.0)
    design = dataclasses.replace(design, feeds=(design.feeds[0], high))
    compare(design, everything(design).duty(design), {"4A-": 0.3}, tmp_path)


def test_joints_of_no_resistance(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(3, 8)
    compare(design, everything(design).duty(design), {"default": 0.0}, tmp_path)


def test_twelve_strands_of_thirty(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(12, 30)
    compare(design, everything(design).duty(design), {"4A+": 0.8, "9B-": 0.1}, tmp_path)
