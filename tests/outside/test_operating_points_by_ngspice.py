"""Operating points of whole props by ngspice, to 10 µV at every strand end, pad and node."""

from __future__ import annotations

import dataclasses
import math
import re
import shutil
import subprocess
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.spice import spice_deck
from benchtest.circuit.wiring import FloatArray
from benchtest.prop.catalogue import catalogue
from benchtest.prop.design import Design, Family, NodeKind, NodeName, Probe, rail_probe
from benchtest.prop.joints import power_joints
from benchtest.prop.lit import everything, parse_lit
from benchtest.prop.names import places

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]
FAMILIES: list[Family] = ["sink", "resistor", "series-colours"]
MOST_V = 10e-6
"""What the two may differ by; they differ by less than a nanovolt where ngspice settles well."""


def _everywhere(design: Design) -> list[Probe]:
    """The rail voltage at every place and node, and the drop across every power joint."""
    nodes = [
        NodeName(strand.number, node)
        for strand in design.strands
        for node in range(1, strand.nodes + 1)
    ]
    across = [joint.probe for joint in power_joints(design)]
    return [*map(rail_probe, places(design)), *map(rail_probe, nodes), *across]


def _by_ngspice(deck: str, folder: Path) -> dict[str, float]:
    """What ngspice prints, by the names that the deck gives."""
    if shutil.which("ngspice") is None:
        pytest.fail("ngspice is not on this machine; tests/run installs it where it may")
    path = folder / "prop.cir"
    path.write_text(deck, encoding="utf-8")
    done = subprocess.run(
        ["ngspice", "-b", str(path)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,  # ngspice ends with 1 when a deck has no .print line, however well it went
    )
    found = re.findall(r"^(\w+) = (\S+)$", done.stdout, re.MULTILINE)
    assert found, done.stdout + done.stderr
    return {name: float(value) for name, value in found}


def _compare(
    design: Design, duty: FloatArray, joint_ohm: Mapping[str, float], folder: Path
) -> FloatArray:
    """Both solutions agree everywhere. Gives the node volts."""
    probes = _everywhere(design)
    theirs = _by_ngspice(spice_deck(design, duty, joint_ohm, probes), folder)
    solution = Circuit(design, joint_ohm).solve(duty)
    ours = {f"probe_{number}": solution.volts(probe) for number, probe in enumerate(probes, 1)}
    amps = {f"feed_{number}": a for number, a in enumerate(solution.feed_a.values(), 1)}
    assert theirs.keys() == ours.keys() | amps.keys()
    for number, probe in enumerate(probes, 1):
        name = f"probe_{number}"
        assert theirs[name] == pytest.approx(ours[name], abs=MOST_V), str(probe)
    for name, current_a in amps.items():
        assert theirs[name] == pytest.approx(current_a, abs=1e-6)
    return solution.node_v


@pytest.mark.parametrize("name", sorted(catalogue()))
def test_full_white_on_a_healthy_prop_of_every_kind(
    make_fan: MakeFan, tmp_path: Path, name: str
) -> None:
    design = make_fan(4, 10, kind=catalogue()[name])
    _compare(design, everything(design).duty(design), {}, tmp_path)


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
    _compare(design, everything(design).duty(design), joint_ohm, tmp_path)


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
    node_v = _compare(design, everything(design).duty(design), {}, tmp_path)
    assert node_v.min() < 0.8 * kind.volts


def test_colours_and_levels_of_a_seeded_picture(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(3, 8, wire="28 AWG")
    duty = np.random.default_rng(4).random((design.node_count, design.node.channels))
    _compare(design, duty, {"3B-": 1.5}, tmp_path)


@pytest.mark.parametrize("rail", ["+", "-"])
@pytest.mark.parametrize("lit", ["all", "1 3", "none"])
def test_a_strand_cut_off_by_open_joints(
    make_fan: MakeFan, tmp_path: Path, rail: str, lit: str
) -> None:
    """Both joints of one rail open: what is left comes through the data line's diodes."""
    design = make_fan(3, 8)
    joint_ohm = {f"2A{rail}": math.inf, f"2B{rail}": math.inf}
    node_v = _compare(design, parse_lit(lit, design).duty(design), joint_ohm, tmp_path)
    # 1.4 to 4.4 V behind an open joint at 5 V: common practice, no source
    assert 1.4 <= node_v[8:16].min() <= node_v[8:16].max() <= 4.4


def test_two_feeds_of_different_volts_and_ring_buses(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(4, 8, ring=True, feeds=("foot:1", "crown:3"))
    high = dataclasses.replace(design.feeds[1], volts=5.2, fuse_mohm=11.0)
    design = dataclasses.replace(design, feeds=(design.feeds[0], high))
    _compare(design, everything(design).duty(design), {"4A-": 0.3}, tmp_path)


def test_joints_of_no_resistance(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(3, 8)
    _compare(design, everything(design).duty(design), {"default": 0.0}, tmp_path)


def test_twelve_strands_of_thirty(make_fan: MakeFan, tmp_path: Path) -> None:
    design = make_fan(12, 30)
    _compare(design, everything(design).duty(design), {"4A+": 0.8, "9B-": 0.1}, tmp_path)
