"""Strands reversed or exchanged, wrong colour orders, and copper without voltage."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.model.faults import Priors, fault_space
from benchtest.diagnosis.model.wiring_faults import dead_copper, other_orders, recoloured, swaps
from benchtest.drive.universe_layout import frame_from_slots
from benchtest.evidence.marks import Mark, Seen
from benchtest.evidence.readings import Reading
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Design, Link, Strand, StrandEnd
from benchtest.prop.lit_set import LitSet, all_lit, parse_lit_set
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_probe
from benchtest.wording import reason_text, repair_text
from tests.wire import slots_of

MakeFan = Callable[..., Design]


@pytest.fixture(scope="module")
def small(make_fan: MakeFan) -> Design:
    """Return a prop whose data runs up strand 1, down 2, up 3, down 4, up 5."""
    return make_fan(5, 8)


@pytest.fixture(scope="module")
def engine(small: Design) -> Engine:
    return Engine(small)


def _alone(number: int, colour: str = "white") -> LitSet:
    return LitSet(frozenset([number]), 1.0, colour)


def _mark(lit: LitSet, strand: int, seen: Seen) -> Mark:
    return Mark(lit, strand, 1, 8, seen)


def _top(finding: Finding) -> tuple[str, str, float]:
    first = finding.suspects[0]
    return first.where, first.fault, first.probability


# -- reversed ---------------------------------------------------------------------------------


def test_a_reversed_strand_looks_like_an_open_data_joint_at_its_entry(
    small: Design, engine: Engine
) -> None:
    lit = all_lit(small)
    seen: list[Seen] = ["ok", "ok", "dark", "dark", "dark"]
    finding = engine.diagnose(marks=[_mark(lit, n, s) for n, s in enumerate(seen, 1)])
    # strand 3 is entered at A from 2A: by hand, both joints of that hop or the strand itself
    assert set(finding.alike[0]) == {"3", "2Ad", "3Ad"}
    assert {(s.where, s.fault) for s in finding.suspects if s.probability > 0.1} == {
        ("3", "reversed"),
        ("2Ad", "data-open"),
        ("3Ad", "data-open"),
    }


def test_normal_volts_at_a_dark_strand_favor_a_data_fault(small: Design, engine: Engine) -> None:
    marks = [_mark(all_lit(small), n, "ok" if n < 3 else "dark") for n in range(1, 6)]
    lit = parse_lit_set("none", small)
    volts = [Reading(lit, parse_probe(end, small), 4.99) for end in ("3A", "3B")]
    finding = engine.diagnose(volts, marks)
    assert {s.fault for s in finding.suspects if s.probability > 0.05} == {"data-open", "reversed"}


# -- swapped ----------------------------------------------------------------------------------


def test_exchanged_strands_show_each_others_light(make_fan: MakeFan) -> None:
    # by hand: data enters the first position at A and the second at B, for either strand
    fan = make_fan(2, 3)
    ((where, remap),) = swaps(fan)
    received = remap.received(np.array([[11], [12], [13], [21], [22], [23]]))
    assert where == "1 2"
    # node 1.3 is first in strand 1 when entered at B; strand 2, entered at B, means 2.3 first
    assert received[:, 0].tolist() == [21, 22, 23, 11, 12, 13]


def test_exchanged_strands_of_different_length_shift_the_border(make_fan: MakeFan) -> None:
    fan = make_fan(2, 3)
    strands = (fan.strands[0], dataclasses.replace(fan.strands[1], nodes=2))
    path = (StrandEnd(1, "A"), StrandEnd(2, "A"))
    ((_, remap),) = swaps(dataclasses.replace(fan, strands=strands, data_path=path))
    # frame 11 12 13 21 22 on the wire; the strand of two is first and receives 11 12, then 13 21 22
    received = remap.received(np.array([[11], [12], [13], [21], [22]]))
    assert received[:, 0].tolist() == [13, 21, 22, 11, 12]


@pytest.mark.parametrize("seed", range(5))
def test_an_exchange_matches_the_slots_of_another_data_path(make_fan: MakeFan, seed: int) -> None:
    # reference: E1.31 slots of the design, received by a prop with the other data path
    rng = np.random.default_rng(seed)
    fan = make_fan(4, 3)
    strands = tuple(_resized(strand, int(rng.integers(1, 6))) for strand in fan.strands)
    numbers = rng.permutation(4) + 1
    path = tuple(StrandEnd(int(n), "A" if rng.random() < 0.5 else "B") for n in numbers)
    design = dataclasses.replace(fan, strands=strands, data_path=path)
    frame = rng.integers(0, 256, size=(design.node_count, 3), dtype=np.uint8)
    for place, (where, remap) in enumerate(swaps(design)):
        one, two = path[place], path[place + 1]
        crossed = (StrandEnd(two.strand, one.end), StrandEnd(one.strand, two.end))
        wired = dataclasses.replace(design, data_path=(*path[:place], *crossed, *path[place + 2 :]))
        shown = frame_from_slots(wired, slots_of(design, frame))
        assert where == f"{one.strand} {two.strand}"
        assert np.array_equal(remap.received(frame), shown)


def _resized(strand: Strand, nodes: int) -> Strand:
    return dataclasses.replace(strand, nodes=nodes)


def test_the_other_strand_lighting_up_is_an_exchange(small: Design, engine: Engine) -> None:
    lit = _alone(3)
    finding = engine.diagnose(marks=[_mark(lit, 3, "dark"), _mark(lit, 4, "stuck")])
    assert _top(finding)[:2] == ("3 4", "swapped")
    more = _alone(4)
    marks = [_mark(lit, 3, "dark"), _mark(lit, 4, "stuck"), _mark(lit, 5, "ok")]
    marks += [_mark(more, 3, "stuck"), _mark(more, 4, "dark"), _mark(more, 5, "dark")]
    found = engine.diagnose(marks=marks)
    where, fault, probability = _top(found)
    assert (where, fault) == ("3 4", "swapped")
    assert probability > 0.9
    assert "4.1 to 8 stuck" in reason_text(found.suspects[0], small)
    assert "the other's light" in reason_text(found.suspects[0], small)


def test_an_exchange_is_invisible_with_both_strands_lit(small: Design) -> None:
    rate_factors = Engine(small, Priors(swapped=0.1))
    both = parse_lit_set("3 4", small)
    finding = rate_factors.diagnose(marks=[_mark(both, 3, "ok"), _mark(both, 4, "ok")])
    before = {s.where: s.probability for s in rate_factors.diagnose().suspects}
    after = {s.where: s.probability for s in finding.suspects}
    assert after["3 4"] >= before["3 4"]
    assert after.get("4 5", 0.0) < 0.2 * before["4 5"]  # 4 would be dark


def test_voltages_show_an_exchange_by_the_loaded_strand(fan: Design, fan_engine: Engine) -> None:
    # strand 4 lights instead of 3: its joints have the drop
    alone, received = _alone(3), _alone(4)
    solution = solve(fan_engine.responses.circuit, received.duty(fan))
    probes = ["foot:3+>3A+", "foot:4+>4A+", "crown:4->4B-"]
    asked = [parse_probe(probe, fan) for probe in probes]
    readings = [Reading(alone, probe, solution.volts(probe)) for probe in asked]
    where, fault, probability = _top(fan_engine.diagnose(readings))
    assert (where, fault) == ("3 4", "swapped")
    assert probability > 0.9


def test_an_exchange_and_a_bad_joint_are_both_found(fan: Design, fan_engine: Engine) -> None:
    # 3 and 4 exchanged, so "3" lights strand 4, and its joint 4A+ has 0.6 ohm
    alone, received = _alone(3), _alone(4)
    solution = solve(Circuit(fan, {"4A+": 0.6}), received.duty(fan))
    probes = ["foot:3+>3A+", "foot:4+>4A+", "crown:4+>4B+", "foot:4->4A-"]
    asked = [parse_probe(probe, fan) for probe in probes]
    readings = [Reading(alone, probe, solution.volts(probe)) for probe in asked]
    marks = [Mark(alone, 3, 1, 30, "dark"), Mark(alone, 4, 1, 30, "stuck")]
    marks += [Mark(received, 4, 1, 30, "dark"), Mark(received, 3, 1, 30, "stuck")]
    finding = fan_engine.diagnose(readings, marks)
    guilty = {(s.where, s.fault) for s in finding.suspects if s.probability > 0.5}
    assert guilty == {("3 4", "swapped"), ("4A+", "resistive")}


# -- strands that are not lit -----------------------------------------------------------------


def test_an_unlit_strand_marked_dark_is_right(engine: Engine) -> None:
    lit = _alone(2)
    marks = [_mark(lit, 2, "ok"), _mark(lit, 1, "ok"), _mark(lit, 3, "dark")]
    before, after = engine.diagnose().healthy, engine.diagnose(marks=marks).healthy
    assert after > before
    assert engine.diagnose(marks=marks[:2]).healthy == pytest.approx(after, abs=0.01)


def test_stuck_light_behind_a_break_shows_where_data_ends(small: Design, engine: Engine) -> None:
    lit = parse_lit_set("1-3", small)
    marks = [_mark(lit, n, "ok") for n in (1, 2, 3)]
    marks += [_mark(lit, 4, "stuck"), _mark(lit, 5, "stuck")]
    finding = engine.diagnose(marks=marks)
    guilty = {s.where for s in finding.suspects if s.probability > 0.1}
    assert guilty == {"4", "3Bd", "4Bd"}


# -- order of colours -------------------------------------------------------------------------


def test_every_wrong_order_moves_a_colour_and_leaves_white(
    make_kind: Callable[..., NodeKind],
) -> None:
    assert len(other_orders(("red", "green", "blue"))) == 5
    four = make_kind(colours="red green blue white").colours
    orders = other_orders(four)
    assert len(orders) == 5
    assert all(order[3] == 3 and sorted(order) == [0, 1, 2, 3] for order in orders)
    white, red = np.ones((1, 4)), np.array([[1.0, 0.0, 0.0, 0.0]])
    assert all((recoloured(np.array([0]), order).received(white) == 1.0).all() for order in orders)
    # GRB for RGB: green receives the slot of red, and red that of green
    assert recoloured(np.array([0]), (1, 0, 2, 3)).received(red)[0].tolist() == [0.0, 1.0, 0.0, 0.0]


def test_red_wrong_on_every_strand_is_the_setting(small: Design, engine: Engine) -> None:
    white, red = all_lit(small), all_lit(small, colour="red")
    marks = [_mark(white, n, "ok") for n in range(1, 6)]
    before = {(s.where, s.fault): s.probability for s in engine.diagnose().suspects}
    after = {(s.where, s.fault): s.probability for s in engine.diagnose(marks=marks).suspects}
    # a white look does not contradict it
    assert after["colour_order", "colour-order"] >= before["colour_order", "colour-order"]
    marks += [_mark(red, n, "wrong-colour") for n in (1, 3)]
    finding = engine.diagnose(marks=marks)
    assert _top(finding)[:2] == ("colour_order", "colour-order")
    assert _top(finding)[2] > 0.95
    assert '"RGB"' in repair_text(finding.suspects[0], small)


def test_red_wrong_on_one_strand_is_that_strand(small: Design, engine: Engine) -> None:
    marks = [
        _mark(all_lit(small, colour=colour), n, "wrong-colour" if n == 4 else "ok")
        for colour in ("red", "green")
        for n in range(1, 6)
    ]
    where, fault, probability = _top(engine.diagnose(marks=marks))
    assert (where, fault) == ("4", "colour-order")
    assert probability > 0.9


def test_a_colour_that_keeps_its_position_looks_right(engine: Engine) -> None:
    colours: tuple[tuple[str, Seen], ...] = (
        ("red", "wrong-colour"), ("green", "wrong-colour"), ("blue", "ok"), ("yellow", "ok"),
    )  # fmt: skip
    marks = [_mark(_alone(1, colour), 1, seen) for colour, seen in colours]
    where, fault, _ = _top(engine.diagnose(marks=marks))
    assert fault == "colour-order"
    assert where == "colour_order"  # one strand seen: the setting is likelier than the strand


# -- short ------------------------------------------------------------------------------------


def test_no_volts_anywhere_is_a_short_at_the_feed(small: Design, engine: Engine) -> None:
    lit, feed = all_lit(small), small.feeds[0].name
    marks = [_mark(lit, n, "dark") for n in range(1, 6)]
    readings = [Reading(lit, parse_probe(p, small), v) for p, v in ((feed, 0.02), ("foot:3", 0.01))]
    where, fault, probability = _top(engine.diagnose(readings, marks))
    assert (where, fault) == (feed, "short")
    assert probability > 0.9


@pytest.mark.parametrize(("amps", "probability"), [(0.0, 0.9), (14.0, 0.9)])
def test_a_blown_fuse_carries_no_current_and_a_short_may_carry_all(
    small: Design, engine: Engine, amps: float, probability: float
) -> None:
    lit, feed = all_lit(small), small.feeds[0].name
    readings = [
        Reading(lit, parse_probe(feed, small), None, amps=amps),
        Reading(lit, parse_probe("3A", small), 0.05),
    ]
    finding = engine.diagnose(readings)
    assert _top(finding)[:2] == (feed, "short")
    assert _top(finding)[2] > probability


def test_voltage_at_the_cable_only_is_a_feed_joint(small: Design, engine: Engine) -> None:
    lit, feed = all_lit(small), small.feeds[0].name
    readings = [Reading(lit, parse_probe(p, small), v) for p, v in ((feed, 5.0), ("foot:3", 1.9))]
    finding = engine.diagnose(readings)
    guilty = {s.where for s in finding.suspects if s.probability > 0.1}
    assert guilty <= {f"{feed}+", f"{feed}-"}


def test_normal_volts_clear_the_feed(small: Design, engine: Engine) -> None:
    lit, feed = parse_lit_set("none", small), small.feeds[0].name
    finding = engine.diagnose([Reading(lit, parse_probe("foot:1", small), 4.99)])
    assert feed not in {s.where for s in finding.suspects}


def test_all_dark_requests_a_voltage_first(small: Design, engine: Engine) -> None:
    lit = all_lit(small)
    finding = engine.diagnose(marks=[_mark(lit, n, "dark") for n in range(1, 6)])
    feed = small.feeds[0].name
    assert {"1Ad", "1", feed} <= {s.where for s in finding.suspects if s.probability > 0.05}
    assert finding.next.probe is not None
    assert finding.next.probe.is_rail
    assert finding.next.expect_bits > 1.0  # normal, none, or that of an open joint


def test_a_short_affects_only_its_own_copper(make_fan: MakeFan) -> None:
    """Separate copper for two supplies that share only the return."""
    fan = make_fan(2, 3, crown=False, feeds=("foot:1", "foot:2"))
    feeds = tuple(
        dataclasses.replace(feed, at=StrandEnd(number, "A"))
        for number, feed in enumerate(fan.feeds, 1)
    )
    link = Link(StrandEnd(1, "B"), StrandEnd(2, "B"), 50.0, parse_wire("22 AWG"), ("-",))
    apart = dataclasses.replace(fan, buses=(), feeds=feeds, links=(link,))
    found = [(feed, set(s.strands), set(s.feeds)) for feed, s in dead_copper(apart)]
    # each twice: a short, and a blown fuse
    assert found == [("feed1", {1}, {"feed1"})] * 2 + [("feed2", {2}, {"feed2"})] * 2
    both = [(feed, set(s.strands)) for feed, s in dead_copper(fan)]
    assert both == [
        ("feed1", {1, 2}),
        ("feed2", {1, 2}),
    ]  # with one fuse blown the other feed remains
    second = next(f for f in fault_space(apart).chain if f.where == "feed2")
    assert (second.start, second.stop) == (3, 6)
