"""Copper cut off by an open joint: its unknown voltage is common to all readings."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.spice import spice_deck
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.likelihood.measurement import (
    ISLAND_LIT_SHARE,
    ISLAND_OWN_V,
    ISLAND_SHARE,
    island_covariance,
    island_leads,
    taps_of,
)
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_probe
from tests.outside.ngspice import by_ngspice

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]

REST = {
    "as designed": (150.0, 5.0),
    "a stiff line at 3.3 V": (22.0, 3.3),
    "a line that rests low": (470.0, 0.4),
    "hardly any line": (20_000.0, 5.0),
}
"""Resistance of the data line and the level it shows a slow meter. [Ω, V]"""


def _with_line(deck: str, line_ohm: float, high_v: float) -> str:
    """Return the deck with other data lines; protection diodes of 0.7 V, as before."""
    deck = re.sub(r"/150\.0(?=\+1e-08\*x)", f"/{line_ohm!r}", deck)
    assert f"/{line_ohm!r}" in deck
    return deck.replace("+(4.3))", f"+({high_v - 0.7!r}))")


def _read(
    design: Design, joint: str, rest: tuple[float, float], asked: list[tuple[str, str]], to: Path
) -> list[Reading]:
    """Return readings by ngspice; nodes without voltage, and those after them, are dark."""
    found = []
    for lit, text in asked:
        lights, probe = parse_lit_set(lit, design), parse_probe(text, design)
        duty = lights.duty(design)
        duty[(int(joint[0]) - 1) * design.strands[0].nodes :] = 0.0
        deck = spice_deck(design, duty, {joint: math.inf}, [probe])
        volts = by_ngspice(_with_line(deck, *rest), to)["probe_1"]
        found.append(Reading(lights, probe, round(volts, 3)))
    return found


def _probability(finding: Finding, where: str) -> float:
    return sum(s.probability for s in finding.suspects if s.where == where)


@pytest.mark.parametrize("rest", REST.values(), ids=REST)
@pytest.mark.parametrize("volts", [5.0, 12.0], ids=["5 V", "12 V"])
@pytest.mark.parametrize("rail", ["+", "-"])
def test_a_drop_separates_an_open_return_from_an_open_supply(
    make_fan: MakeFan, make_kind: MakeKind, tmp_path: Path, rail: str, volts: float,
    rest: tuple[float, float],
) -> None:  # fmt: skip
    """Either drop does: that of the open joint, or the small one of the other."""
    design = make_fan(4, 6, crown=False, kind=make_kind(volts=volts))
    joint, other = f"3A{rail}", f"3A{'-' if rail == '+' else '+'}"
    engine = Engine(design)
    asked = [("all", "2A"), ("all", "3A"), ("none", "3A"), ("all", f"foot:3{rail}>{joint}")]
    asked.append(("all", f"foot:3{other[-1]}>{other}"))
    readings = _read(design, joint, rest, asked, tmp_path)
    by_rails = engine.diagnose(readings[:3])
    assert _probability(by_rails, joint) + _probability(by_rails, other) > 0.85
    assert _probability(by_rails, joint) > 0.05  # rail voltages do not separate the two
    for drop in readings[3:]:
        finding = engine.diagnose([*readings[:3], drop])
        assert _probability(finding, joint) > 0.75, str(drop.probe)
        assert finding.suspects[0].fault == "open"


def test_readings_of_one_island_share_their_error(make_fan: MakeFan) -> None:
    """Compare with hand calculation at 5 V."""
    design = make_fan(3, 4, crown=False)
    asked = [("all", "2A"), ("all", "2B"), ("none", "2A"), ("all", "foot:2+>2A+"), ("all", "3A")]
    readings = [
        Reading(parse_lit_set(lit, design), parse_probe(p, design), 1.0) for lit, p in asked
    ]
    circuit = Circuit(design, {"2A+": math.inf})
    groups = taps_of(circuit, readings)
    leads = [island_leads(circuit, group.readings) for group in groups]
    found = island_covariance(leads, [group.rows for group in groups], 5.0)
    whole = 25.0 * (ISLAND_SHARE**2 + ISLAND_LIT_SHARE**2)
    assert found[0, 0] == pytest.approx(whole + ISLAND_OWN_V**2)
    assert found[0, 1] == pytest.approx(whole)
    assert found[0, 2] == pytest.approx(25.0 * ISLAND_SHARE**2)  # another lit set
    assert found[0, 3] == pytest.approx(-whole)  # the black lead is on it
    assert not found[4].any()
    apart = np.array([1.0, -1.0, 0.0, 0.0, 0.0])
    assert apart @ found @ apart == pytest.approx(2.0 * ISLAND_OWN_V**2)
