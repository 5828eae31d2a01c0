"""A wrongly wired prop behaves as its wires, and the diagnosis names the fault."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.diagnosis import Engine
from benchtest.drive.universe_layout import frame_from_slots
from benchtest.errors import NameFault
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, all_lit, parse_lit_set
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_probe
from benchtest.virtual.injected_faults import parse_faults
from benchtest.virtual.observer import Observation, observe
from benchtest.virtual.virtual_prop import VirtualProp
from tests.wire import slots_of

MakeFan = Callable[..., Design]
COLOURS = ("red", "green", "blue")


@pytest.fixture(scope="module")
def fan(make_fan: MakeFan) -> Design:
    return make_fan(strands=5, nodes=8)


@pytest.fixture(scope="module")
def engine(fan: Design) -> Engine:
    return Engine(fan)


def _show(prop: VirtualProp, lit: LitSet) -> list[Observation]:
    prop.receive(np.rint(lit.duty(prop.design) * 255).astype(np.uint8))
    return observe(prop)


def _alone(number: int, colour: str = "white") -> LitSet:
    return LitSet(frozenset([number]), 1.0, colour)


def _walk(prop: VirtualProp, lits: list[LitSet]) -> list[Mark]:
    """Return the marks of each lit set: lit nodes, and nodes lit that should be dark."""
    marks = []
    for lit in lits:
        found = [sight.mark(lit) for sight in _show(prop, lit)]
        spoken = {mark.strand for mark in found}
        strands = [s for s in prop.design.strands if s.number not in spoken]
        marks += found + [Mark(lit, s.number, 1, s.nodes, "ok") for s in strands]
    return marks


@pytest.mark.parametrize(
    ("fault", "suspect"),
    [
        ("2=swapped:3", ("2 3", "swapped")),
        ("colour_order=GRB", ("colour_order", "colour-order")),
        ("4=BGR", ("4", "colour-order")),
    ],
)
def test_a_walk_of_one_strand_at_a_time_in_each_colour_names_it(
    fan: Design, engine: Engine, fault: str, suspect: tuple[str, str]
) -> None:
    prop = VirtualProp(fan, parse_faults([fault], fan), seed=1)
    lits = [_alone(n, colour) for n in range(1, 6) for colour in COLOURS]
    finding = engine.diagnose(marks=_walk(prop, lits))
    top = finding.suspects[0]
    assert (top.where, top.fault) == suspect
    assert top.probability > 0.9
    assert prop.repair(top.where)
    assert engine.diagnose(marks=_walk(prop, lits)).healthy > 0.8


def test_a_reversed_strand_and_all_after_it_are_dark_with_healthy_volts(
    fan: Design, engine: Engine
) -> None:
    prop = VirtualProp(fan, parse_faults(["3=reversed"], fan), seed=2)
    lit = all_lit(fan)
    marks = _walk(prop, [lit])
    assert [mark.seen for mark in marks] == ["ok", "ok", "dark", "dark", "dark"]
    probes = [parse_probe(name, fan) for name in ("3A", "3B")]
    finding = engine.diagnose([Reading(lit, p, prop.measure(p)) for p in probes], marks)
    assert set(finding.alike[0]) == {"3", "2Ad", "3Ad"}
    tried = [s.where for s in finding.suspects if s.probability > 0.05]
    assert any(prop.repair(where) for where in tried)
    assert {sight.seen for sight in _show(prop, lit)} == {"ok"}


def test_shorted_rails_or_a_blown_fuse_leave_no_volts_and_no_light(
    fan: Design, engine: Engine
) -> None:
    feed, lit = fan.feeds[0].name, all_lit(fan)
    prop = VirtualProp(fan, parse_faults([f"{feed}=short"], fan), seed=3)
    marks = _walk(prop, [lit])
    assert {mark.seen for mark in marks} == {"dark"}
    probe = parse_probe("4A", fan)
    assert abs(prop.volts(probe)) < 1e-6
    reading = Reading(lit, probe, prop.measure(probe))
    finding = engine.diagnose([reading], marks)
    assert (finding.suspects[0].where, finding.suspects[0].fault) == (feed, "short")
    assert prop.repair(feed)
    assert prop.volts(probe) > 4.5


def test_swapped_strands_draw_current_where_they_light(fan: Design) -> None:
    sound, crossed = VirtualProp(fan), VirtualProp(fan, parse_faults(["2=swapped:3"], fan))
    _show(crossed, _alone(2))
    _show(sound, _alone(3))
    probe = parse_probe("foot:3+>3A+", fan)
    assert crossed.volts(probe) == pytest.approx(sound.volts(probe))
    assert observe(crossed) == [Observation(2, 1, 8, "dark"), Observation(3, 1, 8, "stuck")]


@pytest.mark.parametrize(("given", "taken"), [("RGB", "GRB"), ("GRB", "BRG"), ("RGBW", "BGRW")])
def test_another_colour_order_shows_the_slots_in_that_order(
    make_fan: MakeFan, make_kind: Callable[..., NodeKind], given: str, taken: str
) -> None:
    # the other direction: E1.31 slots laid out in the design's order, decoded in the other
    colours = "red green blue white" if "W" in given else "red green blue"
    kind = make_kind(colours=colours, colour_order=given)
    fan = make_fan(2, 3, kind=kind)
    frame = np.arange(fan.node_count * kind.channels, dtype=np.uint8).reshape(-1, kind.channels)
    prop = VirtualProp(fan, parse_faults([f"colour_order={taken}"], fan))
    prop.receive(frame)
    other = dataclasses.replace(fan, node=dataclasses.replace(kind, colour_order=taken))
    assert np.array_equal(prop.received_data(), frame_from_slots(other, slots_of(fan, frame)))
    one = VirtualProp(fan, parse_faults([f"2={taken}"], fan))
    one.receive(frame)
    assert np.array_equal(one.received_data(), np.vstack([frame[:3], prop.received_data()[3:]]))


def test_latched_light_is_seen_on_a_strand_that_is_not_lit(fan: Design) -> None:
    prop = VirtualProp(fan)
    _show(prop, all_lit(fan))
    prop.inject_fault(parse_faults(["4=reversed"], fan)[0])
    assert _show(prop, parse_lit_set("1", fan)) == [
        Observation(1, 1, 8, "ok"),
        Observation(4, 1, 8, "stuck"),
        Observation(5, 1, 8, "stuck"),
    ]


def test_repairing_a_healthy_place_changes_nothing(fan: Design) -> None:
    prop = VirtualProp(fan, parse_faults(["2=swapped:3"], fan))
    assert not prop.repair("4")
    assert not prop.repair(fan.feeds[0].name)
    assert list(map(str, prop.faults.values())) == ["2=swapped:3"]
    with pytest.raises(NameFault):
        prop.repair("9")
