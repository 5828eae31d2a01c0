"""Two supplies on one prop by ngspice: circulating current, and links of the return alone."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchtest.circuit.feed_limits import circulating_warning
from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.spice import spice_deck
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from tests.outside.ngspice import by_ngspice, compare

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]

WORDS = re.compile(
    r"feeds (?P<high>\S+) \((?P<high_v>\S+) V\) and (?P<low>\S+) \((?P<low_v>\S+) V\) .*: "
    r"(?P<out>\S+) A circulates out of (?P=high) with nothing lit, "
    r"(?P<back>\S+) A of it into (?P=low);"
)


def _unequal(make_fan: MakeFan, make_kind: MakeKind, *volts: float) -> Design:
    """A fan without quiescent current, fed by different supplies at distant pads."""
    places = ("foot:1", "crown:5", "foot:4")[: len(volts)]
    design = make_fan(5, 8, kind=make_kind(quiescent_ma=0.0), feeds=places)
    feeds = [
        dataclasses.replace(feed, volts=own) for feed, own in zip(design.feeds, volts, strict=True)
    ]
    return dataclasses.replace(design, feeds=tuple(feeds))


def _dark(design: Design) -> FloatArray:
    return np.zeros((design.node_count, design.node.channels))


@pytest.mark.parametrize("volts", [(5.0, 5.1), (5.1, 5.0), (5.0, 5.02), (5.0, 5.1, 5.0)])
def test_the_current_between_different_supplies(
    make_fan: MakeFan, make_kind: MakeKind, tmp_path: Path, volts: tuple[float, ...]
) -> None:
    design = _unequal(make_fan, make_kind, *volts)
    theirs = by_ngspice(spice_deck(design, _dark(design)), tmp_path)
    amps = [theirs[f"feed_{number}"] for number in range(1, len(volts) + 1)]
    assert sum(amps) == pytest.approx(0.0, abs=1e-9)
    found = WORDS.match(circulating_warning(Circuit(design)) or "")
    assert found
    high, low = amps.index(max(amps)), amps.index(min(amps))
    assert (found["high"], found["low"]) == (design.feeds[high].name, design.feeds[low].name)
    assert (float(found["high_v"]), float(found["low_v"])) == (volts[high], volts[low])
    assert float(found["out"]) == pytest.approx(amps[high], abs=0.0051)  # two places
    assert float(found["back"]) == pytest.approx(-amps[low], abs=0.0051)


def test_two_cables_and_their_joints_in_series(make_fan: MakeFan, make_kind: MakeKind) -> None:
    """Both supplies on one pad: 0.1 V over two loops of 3 m of 14 AWG and two joints of 2 mΩ."""
    design = _unequal(make_fan, make_kind, 5.0, 5.1)
    feeds = tuple(dataclasses.replace(feed, at=design.feeds[0].at) for feed in design.feeds)
    found = WORDS.match(
        circulating_warning(Circuit(dataclasses.replace(design, feeds=feeds))) or ""
    )
    assert found
    ohm = 2 * (3.0 * 2.525e-3 / 0.3048 + 2 * 2e-3)  # 2.525 Ω per 1000 ft: NBS Circular 31
    assert float(found["out"]) == pytest.approx(0.1 / ohm, abs=0.0051)
    assert found["out"] == found["back"]


def test_equal_supplies_cause_no_current(make_fan: MakeFan, make_kind: MakeKind) -> None:
    assert circulating_warning(Circuit(_unequal(make_fan, make_kind, 5.1, 5.1))) is None


def test_a_millivolt_gives_no_warning(make_fan: MakeFan, make_kind: MakeKind) -> None:
    assert circulating_warning(Circuit(_unequal(make_fan, make_kind, 5.0, 5.0001))) is None


APART = """
format = 1
name = "Gull wing"
[node]
kind = "ws2811-5v"
[[strand]]
count = 4
nodes = 12
pitch_mm = 50.0
lead_mm = [40.0, 40.0]
wire = "24 AWG"
[data]
path = "from-A"
[[link]]
from = "1B"
to = "2A"
[[link]]
from = "2B"
to = "3A"
length_mm = 120.0
rails = "-"
joint_mohm = 20.0
[[link]]
from = "3B"
to = "4A"
[[feed]]
name = "left"
at = "1A"
volts = 5.0
wire = "18 AWG"
length_mm = 900.0
[[feed]]
name = "right"
at = "4B"
volts = 5.3
wire = "18 AWG"
length_mm = 1800.0
"""


@pytest.mark.parametrize("lit", ["all", "1-2", "4", "none"])
def test_returns_joined_alone(tmp_path: Path, lit: str) -> None:
    """One supply a half: each gives the current of its own half through its own +."""
    design = parse_design(APART, "gull.toml")
    solution = compare(design, parse_lit_set(lit, design).duty(design), {}, tmp_path)
    half_a = solution.node_a.reshape(2, -1).sum(axis=1)
    assert list(solution.feed_a.values()) == pytest.approx(half_a.tolist(), rel=1e-9)


def test_joined_on_both_rails_they_drive_current_into_each_other(tmp_path: Path) -> None:
    """The same prop with both rails linked: more than a quarter of an ampere crosses the link."""
    design = parse_design(APART.replace('rails = "-"\n', ""), "gull.toml")
    solution = compare(design, all_lit(design).duty(design), {}, tmp_path)
    half_a = solution.node_a.reshape(2, -1).sum(axis=1)
    assert solution.feed_a["right"] > half_a[1] + 0.25
    assert circulating_warning(solution.circuit) is not None


def test_nothing_circulates_over_a_return_alone() -> None:
    assert circulating_warning(Circuit(parse_design(APART, "gull.toml"))) is None


PLUGGED = """
format = 1
name = "Willow fan"
[node]
kind = "ws2811-5v"
[[strand]]
count = 2
nodes = 10
pitch_mm = 30.0
wire = "22 AWG"
[[bus]]
name = "foot"
joins = ["1A"]
copper = { weight_oz = 2.0, width_mm = 8.0 }
spacing_mm = 40.0
[[link]]
from = "1B"
to = "2A"
[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "16 AWG"
length_mm = 1500.0
"""
STRAND_A = 10 * 36.8e-3
"""Ten nodes of three channels of 12 mA and 0.8 mA, none undervoltage. [A]"""


@pytest.mark.parametrize(
    ("table", "probe", "amps"),
    [
        ("[[bus]]", "foot:1+>1A+", 2 * STRAND_A),
        ("[[bus]]", "1A->foot:1-", 2 * STRAND_A),
        ("[[link]]", "1B+>2A+", STRAND_A),
        ("[[link]]", "2A->1B-", STRAND_A),
        ("[[feed]]", "main+>foot:1+", 2 * STRAND_A),
        ("[[feed]]", "foot:1->main-", 2 * STRAND_A),
    ],
)
def test_joints_have_the_milliohms_of_their_table(
    tmp_path: Path, table: str, probe: str, amps: float
) -> None:
    """Plug pins of 12 mΩ drop 12 mV an ampere, and no other joint changes: still 2 mΩ."""
    design = parse_design(PLUGGED.replace(table, f"{table}\njoint_mohm = 12.0"), "fan.toml")
    duty = all_lit(design).duty(design)
    drops = [parse_probe(probe, design), parse_probe(_elsewhere(probe), design)]
    found = by_ngspice(spice_deck(design, duty, {}, drops), tmp_path)
    assert found["probe_1"] == pytest.approx(0.012 * amps, rel=1e-6)
    elsewhere_a = STRAND_A if "2A" in _elsewhere(probe) else 2 * STRAND_A
    assert found["probe_2"] == pytest.approx(0.002 * elsewhere_a, rel=1e-6)
    compare(design, duty, {}, tmp_path)


def _elsewhere(probe: str) -> str:
    """Across a joint of another table."""
    return "foot:1+>1A+" if "2A" in probe or "main" in probe else "1B+>2A+"
