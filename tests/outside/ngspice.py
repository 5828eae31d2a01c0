"""Whole props solved by ngspice, and the permissible difference of both solutions."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest

from benchtest.circuit.netlist import FloatArray
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution, solve
from benchtest.circuit.spice import spice_deck
from benchtest.prop.design import Design, NodeName, Probe, rail_probe
from benchtest.prop.joints import power_joints
from benchtest.prop.notation import meter_places

MOST_V = 10e-6
"""Permissible difference; it is below a nanovolt where ngspice converges well."""
MOST_A = 1e-6
"""Permissible difference of the current of a feed."""

_AS_MADE, _SUPPLIES_FIRST = "itl1=500", "itl1=50 gminsteps=0"
"""Options of a deck. Where Newton's method does not converge, ngspice raises gmin and then the
supplies. Nodes at too low a voltage converge by the supplies alone, at a third of the time and to
the same last digit; copper that is cut off converges by gmin alone."""


def everywhere(design: Design) -> list[Probe]:
    """The rail voltage at every place and node, and the drop across every power joint."""
    nodes = [
        NodeName(strand.number, node)
        for strand in design.strands
        for node in range(1, strand.nodes + 1)
    ]
    across = [joint.probe for joint in power_joints(design)]
    return [*map(rail_probe, meter_places(design)), *map(rail_probe, nodes), *across]


def by_ngspice(deck: str, folder: Path) -> dict[str, float]:
    """Return the figures that ngspice prints, by the names of the deck."""
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


def compare(
    design: Design,
    duty: FloatArray,
    joint_ohm: Mapping[str, float],
    folder: Path,
    most_a: float = MOST_A,
    short_ohm: Mapping[Probe, float] | None = None,
) -> Solution:
    """Compare both solutions everywhere. Returns ours."""
    probes = everywhere(design)
    deck = spice_deck(design, duty, joint_ohm, probes, short_ohm)
    assert _AS_MADE in deck
    if math.inf not in joint_ohm.values():
        deck = deck.replace(_AS_MADE, _SUPPLIES_FIRST)
    theirs = by_ngspice(deck, folder)
    solution = solve(Circuit(design, joint_ohm, short_ohm), duty)
    volts = {f"probe_{number}": solution.volts(probe) for number, probe in enumerate(probes, 1)}
    amps = {f"feed_{number}": a for number, a in enumerate(solution.feed_a.values(), 1)}
    assert theirs.keys() == volts.keys() | amps.keys(), theirs.keys() ^ (volts.keys() | amps.keys())
    what = dict(zip([*volts, *amps], [*map(str, probes), *solution.feed_a], strict=True))
    apart = [
        f"{name} ({what[name]}): ngspice {theirs[name]:.9g}, ours {ours:.9g}"
        for figures, most in ((volts, MOST_V), (amps, most_a))
        for name, ours in figures.items()
        if not math.isclose(theirs[name], ours, rel_tol=0.0, abs_tol=most)
    ]
    assert not apart, "\n".join([f"{len(apart)} of {len(what)} figures apart", *apart])
    return solution
