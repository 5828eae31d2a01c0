"""A virtual prop follows its data line, its circuit, its faults and its repairs."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.errors import CircuitFault, NameFault
from benchtest.evidence.meter import Meter
from benchtest.prop.design import Design
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_probe
from benchtest.virtual.injected_faults import parse_fault, parse_faults
from benchtest.virtual.virtual_prop import VirtualProp

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]


def _prop(design: Design, *faults: str, seed: int | None = None) -> VirtualProp:
    return VirtualProp(design, parse_faults(faults, design), seed)


def _white(prop: VirtualProp, level: int = 255) -> None:
    shape = (prop.design.node_count, prop.design.node.channels)
    prop.receive(np.full(shape, level, dtype=np.uint8))


def _volts(prop: VirtualProp, probe: str) -> float:
    return prop.volts(parse_probe(probe, prop.design))


def _lit(prop: VirtualProp) -> list[int]:
    """Return the indices of the lit nodes."""
    return np.flatnonzero(prop.light().max(axis=1) > 0.05).tolist()


@pytest.fixture(scope="module")
def comb(make_fan: MakeFan) -> Design:
    """Four strands of ten nodes on one bus at A: each is fed from one end only."""
    return make_fan(strands=4, nodes=10, crown=False)


@pytest.fixture(scope="module")
def fan(make_fan: MakeFan) -> Design:
    return make_fan(strands=5, nodes=10)


def test_it_is_dark_until_the_first_frame(comb: Design) -> None:
    prop = _prop(comb)
    assert _lit(prop) == []
    assert prop.amps("feed1") == pytest.approx(
        40 * 0.8e-3
    )  # quiescent current flows even in the dark


def test_full_white_draws_the_nodes_rated_current(comb: Design) -> None:
    prop = _prop(comb)
    _white(prop)
    # 40 nodes of 0.8 mA and three channels of 12 mA, all with headroom to spare
    assert prop.amps("feed1") == pytest.approx(40 * 36.8e-3)
    assert prop.light() == pytest.approx(np.ones((40, 3)))


def test_a_level_is_a_share_of_the_current(comb: Design) -> None:
    prop = _prop(comb)
    _white(prop, 51)  # a fifth of 255
    assert prop.amps("feed1") == pytest.approx(40 * (0.8e-3 + 0.2 * 36e-3))


def test_the_supply_cable_drops_by_the_wire_table(comb: Design) -> None:
    # 14 AWG: 2.525 Ω per 1000 ft of annealed copper at 20 °C, NBS Circular 31 table VI; from memory
    prop = _prop(comb)
    _white(prop)
    cable_ohm = 2.525 / 304.8 * 1.5
    drop_v = 2 * (cable_ohm + 0.002) * 40 * 36.8e-3
    assert _volts(prop, "foot:1") == pytest.approx(5.0 - drop_v, abs=1e-4)


def test_a_bad_joint_drops_its_resistance_times_the_strands_current(comb: Design) -> None:
    prop = _prop(comb, "3A+=0.8")
    _white(prop)
    # ten nodes after it, at full current while each has 3.75 V
    assert _volts(prop, "foot:3+>3A+") == pytest.approx(0.8 * 0.368)
    assert _volts(prop, "foot:3->3A-") == pytest.approx(-0.002 * 0.368)


def test_white_goes_warm_at_low_voltage(comb: Design) -> None:
    prop = _prop(comb, "4A+=5")
    _white(prop)
    light = prop.light()[30:]
    assert (light[:, 0] > 0.9).all()  # red needs least
    assert (light[:, 2] < 0.85 * light[:, 0]).all()
    prop.receive(np.tile(np.array([[255, 0, 0]], dtype=np.uint8), (40, 1)))
    assert prop.light()[30:, 0] == pytest.approx(np.ones(10))  # red alone draws less


def test_a_strand_without_supply_is_dark_with_some_volts(comb: Design) -> None:
    prop = _prop(comb, "2A+=open")
    _white(prop)
    assert not prop.light()[10:20].max() > 0.05
    # 1.5 to 4.3 V through the protection diodes of its data pins: common practice, no source
    assert 1.5 < _volts(prop, "2A") < 4.4
    assert _volts(prop, "foot:2+>2A+") + _volts(prop, "2A") == pytest.approx(
        _volts(prop, "foot:2"), abs=1e-4
    )


def test_a_strand_fed_at_both_ends_lights_with_an_open_joint(fan: Design) -> None:
    prop = _prop(fan, "2A+=open")
    _white(prop)
    assert _lit(prop) == list(range(50))


def test_all_after_an_open_data_joint_is_dark(fan: Design) -> None:
    prop = _prop(fan, "4Bd=open")  # the input of strand 4
    _white(prop)
    assert _lit(prop) == list(range(30))


def test_a_data_joint_that_breaks_later_leaves_the_last_light(fan: Design) -> None:
    prop = _prop(fan)
    _white(prop)
    prop.inject_fault(parse_fault("4Bd=open", fan))
    prop.receive(np.zeros((50, 3), dtype=np.uint8))
    assert _lit(prop) == list(range(30, 50))


def test_a_fault_without_a_solution_is_rejected_and_changes_nothing(make_fan: MakeFan) -> None:
    """Supplies of 5.0 and 5.2 V on one pad, no cables: joints go to 0 Ω one by one."""
    fan = make_fan(strands=2, nodes=3, feeds=("foot:1", "foot:1"), feed_mm=0.0)
    high = dataclasses.replace(fan.feeds[1], volts=5.2)
    fan = dataclasses.replace(fan, feeds=(fan.feeds[0], high))
    prop = _prop(fan, "feed1+=0", "feed1-=0", "feed2+=0")
    _white(prop)
    before_v = _volts(prop, "2A")
    with pytest.raises(CircuitFault, match="feed1, feed2"):
        prop.inject_fault(parse_fault("feed2-=0", fan))
    assert _volts(prop, "2A") == before_v
    assert not prop.repair("feed2-")


def test_a_dead_node_darkens_all_after_it(fan: Design) -> None:
    prop = _prop(fan, "1.4=dead")
    _white(prop)
    assert _lit(prop) == [0, 1, 2]
    assert prop.amps("feed1") == pytest.approx(3 * 36.8e-3 + 47 * 0.8e-3)


def test_a_backup_line_leaves_only_the_dead_node_dark(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    prop = _prop(make_fan(strands=5, nodes=10, kind=make_kind(backup_data=True)), "1.4=dead")
    _white(prop)
    assert _lit(prop) == [place for place in range(50) if place != 3]


def test_nodes_whose_logic_loses_its_supply_go_dark(comb: Design) -> None:
    prop = _prop(comb, "4A+=60")
    _white(prop)
    assert _lit(prop) == list(range(30))
    assert (prop.solution.node_v[30:] > 0).all()


def test_the_same_frame_again_changes_nothing(comb: Design) -> None:
    prop = _prop(comb, "3A+=0.8", seed=1)
    _white(prop)
    before = prop.solution
    _white(prop)
    assert prop.solution is before


def test_a_later_change_of_the_senders_array_has_no_effect(comb: Design) -> None:
    prop = _prop(comb)
    frame = np.full((40, 3), 255, dtype=np.uint8)
    prop.receive(frame)
    frame[:] = 0
    assert prop.sent_frame().all()
    assert prop.latched().all()


def test_one_seed_gives_the_same_readings_in_the_same_order(comb: Design) -> None:
    probes = [parse_probe(text, comb) for text in ("3A", "4B", "foot:3+>3A+")]
    rounds = []
    for _ in range(2):
        prop = _prop(comb, "3A+=0.8", seed=11)
        _white(prop)
        rounds.append([prop.measure(probe) for probe in probes * 3])
    assert rounds[0] == rounds[1]


@pytest.mark.parametrize("spec", ["0.5%+3/6000", "0.8%+5/2000", "0.1%+1/20000"])
def test_the_meter_shows_steps_of_its_range_within_its_class(comb: Design, spec: str) -> None:
    meter = Meter.parse(spec)
    for seed in range(20):
        prop = VirtualProp(comb, parse_faults(["3A+=0.8"], comb), seed, meter)
        _white(prop)
        for text in ("3A", "4B", "foot:3+>3A+", "foot:2+>2A+", "4A->foot:4-"):
            probe = parse_probe(text, comb)
            shown, true = prop.measure(probe), prop.volts(probe)
            assert abs(shown - true) <= meter.error_limit_v(true) + 1e-9
            steps = shown / meter.resolution_v(true)
            assert steps == pytest.approx(round(steps), abs=1e-6)


def test_readings_of_one_probe_differ(comb: Design) -> None:
    prop = _prop(comb, seed=2)
    _white(prop)
    probe = parse_probe("4B", comb)
    assert len({prop.measure(probe) for _ in range(20)}) > 1


@pytest.mark.parametrize("fault", ["3A+=0.8", "3A+=open", "3Ad=open", "3.4=dead", "3.4=dark"])
def test_a_repair_of_the_faulty_place_heals_it(comb: Design, fault: str) -> None:
    where = fault.partition("=")[0]
    prop = _prop(comb, fault, seed=3)
    _white(prop)
    assert not prop.repair("1A-")
    assert list(map(str, prop.faults.values())) == [fault]
    assert prop.repair(where)
    assert not prop.repair(where)
    assert not prop.faults
    # its controller keeps sending: no new frame is needed
    assert _lit(prop) == list(range(40))
    assert abs(_volts(prop, "foot:3+>3A+")) < 0.02


def test_remaking_a_joint_draws_another_healthy_resistance(comb: Design) -> None:
    prop = _prop(comb, seed=3)
    before = prop.built.joint_ohm["2A+"]
    prop.repair("2A+")
    assert prop.built.joint_ohm["2A+"] != before
    assert 0.0002 < prop.built.joint_ohm["2A+"] < 0.02  # four factors of 1.8 up or down


def test_a_repair_of_an_unknown_joint_is_rejected(comb: Design) -> None:
    with pytest.raises(NameFault, match="no joint"):
        _prop(comb).repair("9A+")
    with pytest.raises(NameFault):
        _prop(comb).repair("1.99")


def test_a_prop_whose_feed_is_open_has_no_volts(comb: Design) -> None:
    prop = _prop(comb, "feed1+=open")
    _white(prop)
    assert _lit(prop) == []
    assert prop.amps("feed1") == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("name", ["main", "yard"])
def test_a_blown_fuse_stops_the_current_of_its_feed(make_fan: MakeFan, name: str) -> None:
    """The feed's name does not matter, not even a name that ends like a data joint's."""
    design = make_fan(3, 10, feeds=("foot:1", "crown:3"))
    named = tuple(
        dataclasses.replace(feed, name=name if place == 0 else "other")
        for place, feed in enumerate(design.feeds)
    )
    design = dataclasses.replace(design, feeds=named)
    prop = _prop(design, f"{name}=blown")
    _white(prop)
    assert prop.solution.feed_a[name] == 0.0
    assert prop.solution.feed_a["other"] > 0.5
    assert prop.repair(name)
    assert prop.solution.feed_a[name] > 0.1
