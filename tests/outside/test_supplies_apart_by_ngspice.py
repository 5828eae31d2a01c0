"""Isolated supplies, by ngspice: the nodes between them are dark, unless a data line joins them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from benchtest.circuit.network import Circuit
from benchtest.errors import CircuitFault
from benchtest.prop.design import Design, NodeName, rail_probe
from benchtest.prop.lit_set import all_lit
from benchtest.prop.reader import parse_design
from tests.outside.ngspice import compare


def _pier(strands: int, feeds: list[str], *, ring: bool = False) -> Design:
    """Strands in a row or in a ring, with a supply at each of some ends."""
    hops = [(n, n + 1) for n in range(1, strands)] + ([(strands, 1)] if ring else [])
    links = "".join(f'[[link]]\nfrom = "{one}B"\nto = "{two}A"\n' for one, two in hops)
    tables = "".join(
        f'[[feed]]\nname = "f{number}"\nat = "{at}"\nvolts = 5.0\nwire = "18 AWG"\n'
        "length_mm = 900.0\n"
        for number, at in enumerate(feeds, 1)
    )
    return parse_design(PIER.format(strands=strands, links=links, feeds=tables), "arch.toml")


PIER = """
format = 1
name = "Tide arch"
[node]
kind = "ws2811-5v"
[[strand]]
count = {strands}
nodes = 9
pitch_mm = 50.0
lead_mm = [40.0, 40.0]
wire = "24 AWG"
[data]
path = "from-A"
{links}{feeds}"""


def _cut(*joints: str) -> dict[str, float]:
    return dict.fromkeys(joints, math.inf)


@pytest.mark.parametrize(
    ("strands", "feeds", "cut", "dark"),
    [
        (3, ["1A", "3B"], ["1B~2A+", "2B~3A-"], 2),
        (3, ["1A", "3B"], ["1B~2A-", "2B~3A+"], 2),
        (5, ["1A", "3B", "5B"], ["1B~2A+", "2B~3A-", "3B~4A+", "4B~5A-"], 4),
        # the + of strand 2 is an island, which its data line holds: it floats with supply f1
        (4, ["1A", "4B"], ["1B~2A+", "2B~3A+", "3B~4A-"], 3),
    ],
    ids=str,
)
def test_a_strand_between_two_supplies_is_dark(
    tmp_path: Path, strands: int, feeds: list[str], cut: list[str], dark: int
) -> None:
    design = _pier(strands, feeds)
    solution = compare(design, all_lit(design).duty(design), _cut(*cut), tmp_path, 1e-5)
    between = solution.node_v.reshape(strands, -1)[dark - 1]
    assert between.max() == pytest.approx(0.0, abs=1e-12)
    assert not solution.node_a.reshape(strands, -1)[dark - 1].any()
    assert solution.volts(rail_probe(NodeName(1, 5))) > 4.0  # the others are unchanged


def test_an_island_fed_by_two_supplies_joins_them(tmp_path: Path) -> None:
    """The - of strand 1 is an island: one data line holds it to supply f1, the next one to f2."""
    design = _pier(2, ["1A", "2B"])
    cut = _cut("f1-", "f2+", "1B~2A-")
    solution = compare(design, all_lit(design).duty(design), cut, tmp_path)
    assert solution.node_v.min() > 0.5  # without the data lines they would be dark


def test_two_supplies_in_a_ring_through_nodes_are_rejected() -> None:
    """Out of one supply through strand 2 into the other, and back through strand 4."""
    design = _pier(4, ["1A", "3A"], ring=True)
    cut = _cut("1B~2A-", "2B~3A+", "3B~4A-", "4B~1A+")
    with pytest.raises(CircuitFault, match=r"feeds f1, f2 have no common return, .* node"):
        Circuit(design, cut)
