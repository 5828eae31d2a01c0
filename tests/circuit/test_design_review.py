"""The best place for one more feed, against every place tried through the text of a prop file."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pytest

from benchtest.circuit.design_review import (
    MAX_FIRST_PLACES,
    ExtraFeed,
    best_extra_feed,
    extra_feed_places,
)
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.prop.design import BusPad, Design
from benchtest.prop.lit_set import all_lit
from benchtest.prop.reader import parse_design

MakeFan = Callable[..., Design]

ARCH = """
format = 1
name = "Tide arch"
[node]
kind = "ws2811-5v"
[[strand]]
count = 5
nodes = 20
pitch_mm = 40.0
lead_mm = [30.0, 80.0]
wire = "24 AWG"
[data]
path = "from-A"
[[link]]
follow = "data"
length_mm = 50.0
"""
FAN = """
format = 1
name = "Willow fan"
[node]
kind = "ws2812b-5v"
[[strand]]
count = 6
nodes = 18
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "26 AWG"
[[bus]]
name = "foot"
joins = "A"
copper = { weight_oz = 1.0, width_mm = 4.0 }
spacing_mm = 40.0
"""
CROWN = """
[[bus]]
name = "crown"
joins = ["1B", "3B", "5B"]
wire = "20 AWG"
spacing_mm = 90.0
"""
PROPS = {
    "arch": (ARCH, "1A"),
    "arch from its middle": (ARCH, "3A"),
    "fan": (FAN, "foot:2"),
    "fan with half a crown": (FAN + CROWN, "foot:6"),
    "fan fed at the crown": (FAN + CROWN, "crown:3"),
}


def _feed(name: str, at: str) -> str:
    words = f'name = "{name}"\nat = "{at}"\nvolts = 5.0\nwire = "16 AWG"\nlength_mm = 1200.0\n'
    return f"\n[[feed]]\n{words}"


def _every_place(design: Design) -> list[str]:
    """Every pad, and both ends of every strand."""
    ends = [f"{strand.number}{end}" for strand in design.strands for end in "AB"]
    return [*(str(pad) for bus in design.buses for pad in bus.pads), *ends]


def _lowest_v(text: str, at: str) -> float:
    design = parse_design(text + _feed("more", at), "prop.toml")
    return float(solve(Circuit(design), all_lit(design).duty(design)).node_v.min())


def _best(design: Design) -> ExtraFeed:
    found = best_extra_feed(design, solve(Circuit(design), all_lit(design).duty(design)))
    assert found is not None
    return found


@pytest.mark.parametrize("prop", PROPS)
def test_no_pad_and_no_strand_end_is_better(prop: str) -> None:
    bare, fed_at = PROPS[prop]
    text = bare + _feed("main", fed_at)
    design = parse_design(text, "prop.toml")
    tried = {at: _lowest_v(text, at) for at in _every_place(design)}
    found = _best(design)
    assert found.lowest_v == pytest.approx(tried[str(found.at)], abs=1e-9)
    pads_and_free_ends = {str(place) for place in extra_feed_places(design)}
    best_v = max(volts for at, volts in tried.items() if at in pads_and_free_ends)
    assert found.lowest_v == pytest.approx(best_v, abs=2e-6)
    # an end at a bus is its pad behind one more joint: no cable is soldered there for this
    assert found.lowest_v >= max(tried.values()) - 5e-3
    assert found.lowest_v > solve(Circuit(design), all_lit(design).duty(design)).lowest_node[1]


@pytest.mark.parametrize(("strands", "fed_at"), [(20, "foot:1"), (24, "crown:7"), (40, "foot:5")])
def test_the_best_of_many_places_is_found_with_few_tried(
    make_fan: MakeFan, strands: int, fed_at: str
) -> None:
    """More pads than are tried at once: every one tried here."""
    design = make_fan(strands, 8, feeds=(fed_at,), feed_mm=400.0)
    assert len(extra_feed_places(design)) > MAX_FIRST_PLACES
    duty = all_lit(design).duty(design)
    lowest_v = []
    for pad in (pad for bus in design.buses for pad in bus.pads):
        more = dataclasses.replace(design.feeds[0], name="more", at=pad)
        wider = dataclasses.replace(design, feeds=(*design.feeds, more))
        lowest_v.append(float(solve(Circuit(wider), duty).node_v.min()))
    assert _best(design).lowest_v == pytest.approx(max(lowest_v), abs=2e-6)


def test_the_feed_with_the_greatest_load_is_given(make_fan: MakeFan) -> None:
    """In a fan with a feed at one end pad, a second feed takes about half of the current."""
    design = make_fan(6, 10, crown=False)
    found = _best(design)
    whole_a = 60 * 36.8e-3
    assert whole_a / 2 <= found.most_feed_a < 0.7 * whole_a
    assert isinstance(found.at, BusPad)
    assert found.at.strand > 3


def test_a_prop_with_a_feed_everywhere_has_no_place_left(make_fan: MakeFan) -> None:
    design = make_fan(1, 4, feeds=("foot:1", "crown:1"))
    full = solve(Circuit(design), all_lit(design).duty(design))
    assert best_extra_feed(design, full) is None


def test_an_existing_feed_may_have_the_name_of_the_extra_one() -> None:
    text = ARCH + _feed("another", "1A")
    design = parse_design(text, "prop.toml")
    found = _best(design)
    assert found.lowest_v == pytest.approx(_lowest_v(text, str(found.at)), abs=1e-9)
