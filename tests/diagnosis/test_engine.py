"""The engine names hidden faults, clears healthy props, and is deterministic."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable

import pytest

from benchtest.diagnosis import Engine, diagnose
from benchtest.diagnosis.model import fault_response as response
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Design, Link, StrandEnd
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.wording import finding_json
from tests.diagnosis.conftest import Bench


@pytest.mark.parametrize(
    ("joint", "ohm", "seed"),
    [("7B-", 0.1, 2), ("12B+", 2.0, 3), ("5A-", math.inf, 4), ("main-", 0.06, 5)],
)
def test_bad_joint_between_two_buses_is_named_within_ten_readings(
    fan: Design, fan_engine: Engine, joint: str, ohm: float, seed: int
) -> None:
    joint = joint.replace("main", fan.feeds[0].name)
    bench = Bench(fan, {joint: ohm}, seed)
    finding = bench.find(fan_engine)
    assert finding.suspects[0].where == joint
    assert len(bench.readings) <= 10
    assert finding.healthy < 0.05


def test_healthy_prop_is_found_healthy_and_cleared(fan: Design, fan_engine: Engine) -> None:
    finding = Bench(fan, {}, seed=10).find(fan_engine, at_most=20)
    assert finding.healthy > 0.9
    assert finding.next.settled
    assert finding.cleared_ohm is not None
    assert finding.cleared_ohm < 0.25  # a resistance above must be visible
    assert all(suspect.probability < 0.05 for suspect in finding.suspects)


def test_no_joint_is_cleared_without_readings(fan_engine: Engine) -> None:
    finding = fan_engine.diagnose()
    assert finding.cleared_ohm is None
    assert not finding.next.settled
    assert 0.5 < finding.healthy < 0.95  # from the prior odds of this many joints


def test_joint_of_an_undervoltage_strand_on_one_bus_is_named(
    make_fan: Callable[..., Design],
) -> None:
    one_bus = make_fan(6, 20, crown=False)
    bench = Bench(one_bus, {"3A+": 4.0}, seed=7)
    finding = bench.find(Engine(one_bus))
    assert finding.suspects[0].where == "3A+"
    assert finding.suspects[0].probability > 0.8


def test_open_joint_that_isolates_a_strand_is_named(make_fan: Callable[..., Design]) -> None:
    one_bus = make_fan(6, 20, crown=False)
    bench = Bench(one_bus, {"3A-": math.inf}, seed=8)
    finding = bench.find(Engine(one_bus))
    assert (finding.suspects[0].where, finding.suspects[0].fault) == ("3A-", "open")


def test_joint_of_a_wire_to_wire_link_is_named(make_fan: Callable[..., Design]) -> None:
    bare = make_fan(3, 15, crown=False)
    chain = dataclasses.replace(
        bare,
        buses=(),
        feeds=(dataclasses.replace(bare.feeds[0], at=StrandEnd(1, "A")),),
        links=(
            Link(StrandEnd(1, "B"), StrandEnd(2, "B"), 50.0, parse_wire("22 AWG")),
            Link(StrandEnd(2, "A"), StrandEnd(3, "A"), 50.0, parse_wire("22 AWG")),
        ),
    )
    finding = Bench(chain, {"1B~2B+": 0.3}, seed=9).find(Engine(chain))
    assert finding.suspects[0].where == "1B~2B+"


def test_same_evidence_gives_the_same_finding_to_the_last_digit(fan: Design) -> None:
    bench = Bench(fan, {"9B+": 0.2}, seed=11)
    readings = [
        bench.read(parse_lit_set(lit, fan), parse_probe(probe, fan))
        for lit, probe in [("all", "9B"), ("9", "crown:9+>9B+"), ("1-6", "crown:3+>crown:9+")]
    ]
    marks = [Mark(all_lit(fan), 9, 1, 30, "ok")]
    one = json.dumps(finding_json(diagnose(fan, readings, marks), fan))
    two = json.dumps(finding_json(diagnose(fan, readings, marks), fan))
    assert one == two


def test_drop_across_one_joint_gives_its_resistance(fan: Design, fan_engine: Engine) -> None:
    bench = Bench(fan, {"4A+": 0.42}, seed=12)
    alone = parse_lit_set("4", fan)
    readings = [
        bench.read(alone, parse_probe(probe, fan))
        for probe in ("foot:4+>4A+", "4A", "4B", "crown:4+>4B+", "foot:4->4A-")
    ]
    finding = fan_engine.diagnose(readings)
    top = finding.suspects[0]
    assert (top.where, top.fault) == ("4A+", "resistive")
    assert top.ohms is not None
    assert top.ohms.low < 0.42 < top.ohms.high


def test_rail_voltages_do_not_separate_both_joints_of_one_end(
    make_fan: Callable[..., Design],
) -> None:
    one_bus = make_fan(4, 10, crown=False)
    bench = Bench(one_bus, {"2A+": 0.9}, seed=13)
    lit = all_lit(one_bus)
    readings = [bench.read(lit, parse_probe(f"{n}A", one_bus)) for n in range(1, 5)]
    finding = diagnose(one_bus, readings)
    assert {"2A+", "2A-"} in [set(names) for names in finding.alike]
    assert finding.next.probe is not None
    assert "2A" in str(finding.next.probe)


def test_one_misread_digit_does_not_accuse_a_joint(fan: Design, fan_engine: Engine) -> None:
    bench = Bench(fan, {}, seed=14)
    lit = all_lit(fan)
    readings = [bench.read(lit, parse_probe(f"{n}A", fan)) for n in range(1, 8)]
    wrong = readings[3]
    assert wrong.volts is not None
    readings[3] = dataclasses.replace(wrong, volts=wrong.volts - 1.0)
    finding = fan_engine.diagnose(readings)
    assert finding.healthy > 0.5
    assert not finding.next.settled  # that reading is to be repeated first


def test_readings_are_compared_with_those_of_a_healthy_unit(
    fan: Design, fan_engine: Engine
) -> None:
    bench = Bench(fan, {}, seed=15)
    reading = bench.read(all_lit(fan), parse_probe("4A", fan))
    low = dataclasses.replace(reading, volts=2.0)
    good, bad = fan_engine.diagnose([reading, low]).readings
    assert abs(good.z) < 3.0
    assert bad.z < -10.0
    assert bad.expected == pytest.approx(good.expected)


def test_expected_clamp_reading_is_the_sum_of_node_currents(
    fan: Design, fan_engine: Engine
) -> None:
    feed = fan.feeds[0].name
    lit = all_lit(fan)
    amps = fan.node_count * (3 * fan.node.channel_ma + fan.node.quiescent_ma) / 1000
    clamp = Reading(lit, parse_probe(feed, fan), None, amps=amps)
    judged = fan_engine.diagnose([clamp]).readings[0]
    assert judged.expected == pytest.approx(amps, rel=1e-6)  # every node has all its current
    assert judged.sd == pytest.approx(math.hypot(0.08 * amps, 0.02 * amps), rel=0.05)


def test_dropped_lit_sets_do_not_change_findings(
    make_fan: Callable[..., Design], monkeypatch: pytest.MonkeyPatch
) -> None:
    design = make_fan(3, 6)
    monkeypatch.setattr(response, "MAX_LIT_SET_CACHE_OCTETS", 0)
    monkeypatch.setattr(response, "MIN_CACHED_LIT_SETS", 3)
    busy = Engine(design)
    lit_sets = [parse_lit_set("1-2", design, level / 100, "white") for level in range(30, 100, 7)]
    for lit in [*lit_sets, lit_sets[0]]:
        readings = [Reading(lit, parse_probe("2A", design), 4.9)]
        finding = busy.diagnose(readings)
    assert finding_json(finding, design) == finding_json(Engine(design).diagnose(readings), design)
    (forecaster,) = busy.forecasters(busy.usual).by_meter.values()
    for made in (busy.responses.base, busy.responses.solution, forecaster.probe_forecast):
        before = [made(lit) for lit in lit_sets]
        busy.forget()
        same = [made(lit) is one for lit, one in zip(lit_sets, before, strict=True)]
        assert sum(same) <= 3  # the others were dropped, and are made again here
