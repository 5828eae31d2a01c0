"""Ratings of wire, levels that keep them, and the colour that fades first."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from benchtest.circuit.design_review import (
    RatingCheck,
    check_ratings,
    find_first_fade,
    rated_current_a,
)
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import Solution, solve
from benchtest.prop.conductors import awg_diameter_mm, board_copper, parse_wire
from benchtest.prop.design import Design, Feed, Link, Strand, StrandEnd
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import NodeKind, catalogue

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]
FadingWords = tuple[str, str, float, float]

# Amperes of 14, 12 and 10 AWG copper after a fuse: NFPA 70 (NEC), 240.4(D), (3), (5) and (7).
NEC_FUSE_A = {14: 15.0, 12: 20.0, 10: 30.0}

# Most amperes, by AWG, of single leads in open air, and with 700 circular mils an ampere, the
# careful rule: Handbook of Electronic Tables and Formulas, as wire-gauge charts print it.
HANDBOOK_A = {
    10: (15.0, 55.0),
    12: (9.3, 41.0),
    14: (5.9, 32.0),
    16: (3.7, 22.0),
    18: (2.3, 16.0),
    20: (1.5, 11.0),
    22: (0.92, 7.0),
    24: (0.577, 3.5),
    26: (0.361, 2.2),
    28: (0.226, 1.4),
    30: (0.142, 0.86),
}

# Copper wires that melt at so many amperes, by diameter in inches: Preece's law, printed tables.
PREECE_A = {0.0205: 30.0, 0.0325: 60.0, 0.0457: 100.0, 0.0625: 160.0, 0.0784: 225.0, 0.095: 300.0}

# Amperes at a rise of 20 °C by inches of a 1 oz outer trace: table after MIL-STD-275, from memory.
TRACE_20K_A = {0.010: 1.2, 0.050: 3.6, 0.100: 6.0, 0.200: 10.0, 0.250: 12.3}


@pytest.mark.parametrize(("gauge", "amps"), NEC_FUSE_A.items())
def test_house_wire_has_the_rating_of_the_electrical_code(gauge: int, amps: float) -> None:
    assert rated_current_a(parse_wire(f"{gauge} AWG")) == pytest.approx(amps)


@pytest.mark.parametrize(("gauge", "careful_bold"), HANDBOOK_A.items())
def test_wire_is_rated_between_the_handbooks_two_columns(
    gauge: int, careful_bold: tuple[float, float]
) -> None:
    careful_a, bold_a = careful_bold
    assert careful_a < rated_current_a(parse_wire(f"{gauge} AWG")) < bold_a


@pytest.mark.parametrize(("inches", "melts_a"), PREECE_A.items())
def test_wire_is_rated_far_below_its_melting_current(inches: float, melts_a: float) -> None:
    """Between a quarter and a twentieth of it: the insulation of hot wire fails first."""
    mm2 = math.pi / 4.0 * (inches * 25.4) ** 2
    amps = rated_current_a(parse_wire(f"{mm2:.4f} mm2"))
    assert melts_a / 20.0 < amps < melts_a / 4.0


@pytest.mark.parametrize(("inches", "amps"), TRACE_20K_A.items())
def test_board_copper_is_rated_for_twenty_kelvin(inches: float, amps: float) -> None:
    assert rated_current_a(board_copper(1.0, inches * 25.4)) == pytest.approx(amps, rel=0.08)


def test_thicker_wire_is_never_rated_less() -> None:
    amps = [rated_current_a(parse_wire(f"{gauge} AWG")) for gauge in range(4, 41)]
    assert all(np.diff(amps) < 0.0)
    assert awg_diameter_mm(22) > awg_diameter_mm(24)


def test_clad_aluminium_is_rated_for_no_more_heat_in_the_wire() -> None:
    """At equal I² R: 1 / sqrt(1.55), ASTM B566's ratio; the code fuses 10 AWG at 25 of 30 A."""
    copper_a, clad_a = (rated_current_a(parse_wire(f"10 AWG{more}")) for more in ("", " CCA"))
    assert clad_a / copper_a < 1.55**-0.5
    assert rated_current_a(parse_wire("12 AWG CCA")) == pytest.approx(
        15.0
    )  # NFPA 70 (NEC), 240.4(D)(4)
    assert clad_a < 25.0  # NFPA 70 (NEC), 240.4(D)(6)


@pytest.mark.parametrize("celsius", [-40.0, 20.0, 60.0, 120.0])
@pytest.mark.parametrize("wire", ["22 AWG", "22 AWG CCA"])
def test_temperature_does_not_change_the_metal_of_a_wire(wire: str, celsius: float) -> None:
    conductor = parse_wire(wire)
    assert rated_current_a(conductor.at_celsius(celsius)) == rated_current_a(conductor)


# --- the level at which a limit is reached ---

LEVEL_STEP = 1 / 1024
"""Levels are halved ten times."""


def _full(design: Design) -> Solution:
    return solve(Circuit(design), all_lit(design).duty(design))


def _limit(design: Design, words: str) -> RatingCheck:
    full = _full(design)
    (found,) = [one for one in check_ratings(full.circuit, full) if one.part.startswith(words)]
    return found


def _with_feed(design: Design, **figures: Any) -> Design:
    return dataclasses.replace(
        design, feeds=(dataclasses.replace(design.feeds[0], **figures), *design.feeds[1:])
    )


@pytest.mark.parametrize("family", ["sink", "resistor", "series-colours", "regulated"])
@pytest.mark.parametrize(("what", "share"), [("fuse", 0.75), ("supply", 0.8)])
def test_the_level_of_a_fuse_and_a_supply_is_the_root_of_its_current(
    make_fan: MakeFan, make_kind: MakeKind, family: str, what: str, share: float
) -> None:
    """SciPy's brentq on the feed's current, each level a circuit of its own.

    75 % of a fuse: fuse makers' derating; 80 % of a supply: common practice, no source.
    """
    design = make_fan(3, 12, kind=make_kind(family), wire="26 AWG")
    limit_a = 0.6 * _full(design).feed_a["feed1"] / share
    design = _with_feed(design, **{f"{what}_a": limit_a})

    def beyond_a(level: float) -> float:
        duty = level * all_lit(design).duty(design)
        return solve(Circuit(design), duty).feed_a["feed1"] - share * limit_a

    found = _limit(design, what)
    assert found.allowed_a == pytest.approx(share * limit_a)
    assert not found.is_hint
    root = brentq(beyond_a, 0.0, 1.0, xtol=1e-9)
    assert root - LEVEL_STEP <= found.level <= root


def test_a_part_within_its_rating_allows_full_white(make_fan: MakeFan) -> None:
    design = _with_feed(make_fan(3, 12), fuse_a=10.0, supply_a=10.0)
    full = _full(design)
    assert [one.level for one in check_ratings(full.circuit, full)] == [1.0] * 6
    # 36 nodes of three channels of 12 mA and 0.8 mA
    assert _limit(design, "fuse").amps == pytest.approx(36 * 36.8e-3, rel=1e-9)


def test_a_fuse_that_the_dark_prop_exceeds_allows_no_level(make_fan: MakeFan) -> None:
    """36 dark nodes of 0.8 mA are 29 mA."""
    assert _limit(_with_feed(make_fan(3, 12), fuse_a=0.02), "fuse").level == 0.0


def test_a_strand_fed_from_one_end_carries_all_its_nodes_there(make_fan: MakeFan) -> None:
    """Lead A carries 20 nodes at level x: 20 (0.8 + 36 x) mA; solved for the wire's rating."""
    design = make_fan(2, 20, crown=False, wire="30 AWG")
    found = _limit(design, "strand")
    assert found.amps == pytest.approx(20 * 36.8e-3, rel=1e-9)
    root = (rated_current_a(parse_wire("30 AWG")) / 20 * 1e3 - 0.8) / 36.0
    assert found.is_hint
    assert root - LEVEL_STEP <= found.level <= root < 1.0


def test_a_strand_of_one_node_carries_that_node(make_fan: MakeFan) -> None:
    assert _limit(make_fan(2, 1, crown=False), "strand").amps == pytest.approx(36.8e-3, rel=1e-9)


def test_a_bus_carries_most_next_to_its_feed(make_fan: MakeFan) -> None:
    """Fed at pad 1 of 4, its first piece carries the three strands beyond."""
    found = _limit(make_fan(4, 10, crown=False), "bus foot")
    assert found.amps == pytest.approx(3 * 10 * 36.8e-3, rel=1e-9)


def test_a_ring_carries_most_in_the_piece_that_closes_it(make_fan: MakeFan) -> None:
    """Fed at pad 1 of 3: the last piece has a third of strand 2 and two thirds of strand 3."""
    design = make_fan(3, 30, crown=False, ring=True)
    short = dataclasses.replace(design.strands[1], nodes=6)
    strands = (design.strands[0], short, design.strands[2])
    found = _limit(dataclasses.replace(design, strands=strands), "bus foot")
    assert found.amps == pytest.approx((6 / 3 + 2 * 30 / 3) * 36.8e-3, rel=1e-9)


@pytest.mark.parametrize("link_mm", [0.0, 80.0])
def test_a_link_carries_all_strands_beyond_it(link_mm: float, make_kind: MakeKind) -> None:
    """Three strands end to end, fed at 1A: the first link carries two of them."""
    found = _limit(_chain(make_kind(), link_mm), "link")
    assert found.part == "link 1B~2A (26 AWG)"
    assert found.amps == pytest.approx(2 * 5 * 36.8e-3, rel=1e-9)


def _chain(kind: NodeKind, link_mm: float) -> Design:
    wire = parse_wire("26 AWG")
    strands = tuple(Strand(number, 5, 30.0, (10.0, 10.0), wire) for number in (1, 2, 3))
    links = tuple(Link(StrandEnd(n, "B"), StrandEnd(n + 1, "A"), link_mm, wire) for n in (1, 2))
    path = tuple(StrandEnd(number, "A") for number in (1, 2, 3))
    feed = Feed("main", StrandEnd(1, "A"), kind.volts, parse_wire("18 AWG"), 500.0)
    return Design("Tide arch", kind, strands, path, (), links, (feed,))


# --- which colour fades first ---


def _fading(design: Design) -> tuple[Solution, NodeKind, FadingWords]:
    full = _full(design)
    found = find_first_fade(full)
    return full, design.node, (str(found.node), found.colour, found.share, found.spare_v)


def test_with_full_light_the_colour_with_least_to_spare_is_named(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    """Blue needs the most volts here: 3.9 V."""
    kind = make_kind(full_v={"red": 2.65, "green": 3.75, "blue": 3.9})
    full, _, (node, colour, share, spare_v) = _fading(make_fan(3, 12, kind=kind))
    assert (node, colour, share) == (str(full.lowest_node[0]), "blue", 1.0)
    assert spare_v == pytest.approx(full.node_v.min() - 3.9, abs=1e-12)


def test_an_undervoltage_sink_fades_smoothly(make_fan: MakeFan, make_kind: MakeKind) -> None:
    """p² (3 - 2p) with p the share of the volts from 2.75 V, where blue is dark, to 3.75 V."""
    design = make_fan(2, 25, kind=make_kind(channel_ma=45.0), crown=False, wire="32 AWG")
    full, _, (node, colour, share, spare_v) = _fading(design)
    lowest_v = full.node_v.min()
    part = (lowest_v - 2.75) / (3.75 - 2.75)
    assert 0.0 < part < 1.0
    assert (node, spare_v) == (str(full.lowest_node[0]), 0.0)
    assert colour in ("green", "blue")
    assert share == pytest.approx(part * part * (3 - 2 * part), rel=1e-9)


def test_a_resistor_node_fades_along_its_line(make_fan: MakeFan) -> None:
    """(volts - 9.9) / (12 - 9.9) for green and blue: 9.9 V are the catalogue's, for three LEDs."""
    design = make_fan(2, 12, kind=catalogue()["ws2811-12v-resistor"])
    full, _, (_, colour, share, spare_v) = _fading(design)
    assert colour in ("green", "blue")
    assert share == pytest.approx((full.node_v.min() - 9.9) / (12.0 - 9.9), rel=1e-9)
    assert 0.5 < share < 1.0
    assert spare_v == 0.0


def test_a_regulated_node_has_full_light_down_to_its_regulators_limit(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    full, kind, (_, colour, share, spare_v) = _fading(make_fan(2, 12, kind=make_kind("regulated")))
    assert colour == "blue"
    assert share == pytest.approx(1.0, abs=1e-12)
    assert spare_v == pytest.approx(full.node_v.min() - kind.full_v["blue"], abs=1e-12)
