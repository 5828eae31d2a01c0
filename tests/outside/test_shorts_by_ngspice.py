"""Shorts between points, by ngspice and by hand."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.errors import CircuitFault, InputError
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_probe
from tests.outside.ngspice import compare

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]


@pytest.mark.parametrize(
    ("shorts", "opens"),
    [
        ({"foot:2": 0.0}, []),
        ({"crown:3": 0.05}, []),
        ({"2A": 0.0}, []),
        ({"3B": 0.004}, []),
        ({"feed1": 0.0}, []),
        ({"2.4": 0.0}, []),
        ({"2.4": 0.05, "2.5": 0.1}, []),
        ({"1.1": 0.0, "4.8": 0.0}, []),
        ({"foot:2+>foot:3-": 0.0}, []),
        ({"2.3+>3.6-": 0.02}, []),
        ({"2.3+>3.3+": 0.0}, []),
        ({"1.5+>1.6+": 0.0}, []),
        ({"2.4": 0.0}, ["2A+", "2B+"]),
        ({"2.4+>foot:3+": 0.0}, ["2A+", "2B+"]),
        ({"3.2->4.2-": 0.3}, ["3A-", "3B-"]),
    ],
    ids=str,
)
def test_a_short(
    make_fan: MakeFan, tmp_path: Path, shorts: dict[str, float], opens: list[str]
) -> None:
    design = make_fan(4, 8)
    touching = {parse_probe(name, design): ohm for name, ohm in shorts.items()}
    cut = dict.fromkeys(opens, math.inf)
    duty = parse_lit_set("1-3", design).duty(design)
    solution = compare(design, duty, cut, tmp_path, 1e-5, touching)
    for probe, ohm in touching.items():
        if ohm == 0.0:
            assert solution.volts(probe) == 0.0


def test_the_current_of_a_supply_through_its_own_joined_rails(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    """5 V over 1.5 m of 14 AWG there and back and two joints of 2 mΩ."""
    design = make_fan(4, 8, kind=make_kind(quiescent_ma=0.0))
    touching = {parse_probe(str(design.feeds[0].at), design): 0.0}
    solution = solve(
        Circuit(design, short_ohm=touching), parse_lit_set("none", design).duty(design)
    )
    ohm = 2 * (1.5 * 2.525e-3 / 0.3048 + 2e-3)  # 2.525 Ω per 1000 ft: NBS Circular 31
    assert solution.feed_a["feed1"] == pytest.approx(5.0 / ohm, rel=1e-3)


def test_rails_joined_by_zero_resistance_are_rejected(make_fan: MakeFan) -> None:
    design = make_fan(3, 4)
    feed = dataclasses.replace(design.feeds[0], length_mm=0.0)
    bare = dataclasses.replace(design, feeds=(feed,))
    touching = {parse_probe("feed1", bare): 0.0}
    with pytest.raises(CircuitFault, match="feed feed1: its two rails are joined by zero"):
        Circuit(bare, short_ohm=touching)


@pytest.mark.parametrize("ohm", [-0.1, math.inf, math.nan])
def test_a_short_of_invalid_resistance_is_rejected(make_fan: MakeFan, ohm: float) -> None:
    design = make_fan(3, 4)
    with pytest.raises(InputError, match="short 2A: resistance"):
        Circuit(design, short_ohm={parse_probe("2A", design): ohm})
