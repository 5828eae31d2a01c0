"""A blown fuse at one of several feeds is a suspect distinct from that feed's joints."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.spice import spice_deck
from benchtest.circuit.tolerance import HAND_SOLDERED
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.inference.cache import ConditionalCache
from benchtest.diagnosis.inference.posterior import FaultHypothesis
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood, linear_predictions
from benchtest.diagnosis.model.fault_response import OPEN_COLUMN
from benchtest.diagnosis.model.faults import fault_space
from benchtest.diagnosis.model.wiring_faults import SHORTED_SD_V
from benchtest.diagnosis.planning.request_rules import joint_drop_reading
from benchtest.errors import InputError
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.design import BusPad, Design, StrandEnd
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.virtual_prop import VirtualProp
from benchtest.wording import repair_text
from tests.outside.ngspice import by_ngspice, compare

MakeFan = Callable[..., Design]
MAX_READINGS = 18


def _fused(design: Design, mohm: float = 0.0) -> Design:
    feeds = tuple(dataclasses.replace(f, fuse_a=7.5, fuse_mohm=mohm) for f in design.feeds)
    return dataclasses.replace(design, feeds=feeds)


@pytest.fixture(scope="module")
def weir(make_fan: MakeFan) -> Design:
    """Return two buses with a feed at each end of the foot."""
    return _fused(make_fan(6, 14, feeds=("foot:1", "foot:6"), wire="24 AWG"))


@pytest.fixture(scope="module")
def engine(weir: Design) -> Engine:
    return Engine(weir)


@pytest.mark.parametrize("mohm", [0.0, 11.0], ids=["rating alone", "resistance given"])
def test_with_a_blown_fuse_the_other_feed_carries_all_current(
    make_fan: MakeFan, tmp_path: Path, mohm: float
) -> None:
    """Compare with ngspice, with the supply's line removed from the deck of the whole prop."""
    design = _fused(make_fan(4, 6, feeds=("foot:1", "crown:4")), mohm)
    duty = all_lit(design).duty(design)
    probes = [parse_probe(text, design) for text in ("feed2", "feed2+>crown:4+", "3A", "2B")]
    lines = spice_deck(design, duty, {}, probes).splitlines()
    (at,) = [n for n, line in enumerate(lines) if line.startswith("Vfeed_2")]
    name, behind, tail, volts = lines[at].split()
    lines[at] = f"{name} blown {tail} {volts}\nRblown blown 0 1e9\nRbehind {behind} 0 1e12"
    theirs = by_ngspice("\n".join(lines) + "\n", tmp_path)
    solution = solve(Circuit(design, {"feed2": math.inf}), duty)
    volts_v = [theirs[f"probe_{n}"] for n in range(1, 5)]
    assert solution.volts_at(probes) == pytest.approx(volts_v, abs=1e-5)
    assert solution.feed_a["feed2"] == pytest.approx(0.0, abs=1e-9)
    assert solution.feed_a["feed1"] == pytest.approx(theirs["feed_1"], abs=1e-5)
    assert solution.volts(probes[1]) == pytest.approx(0.0, abs=1e-6)  # no current


def test_its_deck_has_the_same_volts(make_fan: MakeFan, tmp_path: Path) -> None:
    design = _fused(make_fan(3, 4, feeds=("foot:1", "crown:3")))
    compare(design, all_lit(design).duty(design), {"feed1": math.inf}, tmp_path)


def test_only_feeds_next_to_others_have_fuse_faults(make_fan: MakeFan) -> None:
    two = make_fan(2, 3, crown=False, feeds=("foot:1", "foot:2"))
    assert [j.name for j in fault_space(two).joints if j.is_fuse] == ["feed1", "feed2"]
    assert not any(joint.is_fuse for joint in fault_space(make_fan(2, 3)).joints)
    feeds = tuple(
        dataclasses.replace(feed, at=StrandEnd(number, "A"))
        for number, feed in enumerate(two.feeds, 1)
    )
    apart = dataclasses.replace(two, buses=(), feeds=feeds)
    assert not any(joint.is_fuse for joint in fault_space(apart).joints)
    with pytest.raises(InputError, match="fuse of feed feed1: give inf for a blown one"):
        Circuit(two, {"feed1": 0.5})


def _take_readings(engine: Engine, prop: VirtualProp) -> tuple[Finding, list[Reading]]:
    """Take requested readings until the finding is settled."""
    readings: list[Reading] = []
    finding = engine.diagnose(readings)
    while len(readings) < MAX_READINGS and not finding.next.settled:
        lit, probe = finding.next.lit, finding.next.probe
        assert lit is not None
        assert probe is not None
        prop.receive((lit.duty(prop.design) * 255).astype(np.uint8))
        readings.append(Reading(lit, probe, prop.measure(probe)))
        finding = engine.diagnose(readings)
    return finding, readings


@pytest.mark.parametrize("seed", [4, 5])
@pytest.mark.parametrize("feed", ["feed1", "feed2"])
def test_a_blown_fuse_is_found(weir: Design, engine: Engine, feed: str, seed: int) -> None:
    prop = VirtualProp(weir, [parse_fault(f"{feed}=blown", weir)], seed)
    finding, _ = _take_readings(engine, prop)
    first = finding.suspects[0]
    assert (first.where, first.fault) == (feed, "open")
    assert first.probability > 0.9
    assert "fuse of 7.5 A" in repair_text(first, weir)
    assert feed not in {band.name for band in finding.joints}
    # both sides of a fuse cannot be probed
    assert joint_drop_reading(engine.responses, engine.permitted, feed, None, []) is None
    assert prop.repair(feed)


@pytest.mark.parametrize("joint", ["feed2+", "feed2-"])
def test_an_open_joint_of_that_feed_is_not_its_fuse(
    weir: Design, engine: Engine, joint: str
) -> None:
    finding, _ = _take_readings(engine, VirtualProp(weir, [parse_fault(f"{joint}=open", weir)], 5))
    assert sum(s.probability for s in finding.suspects if s.where == joint) > 0.9


def test_a_supply_behind_a_blown_fuse_moves_no_reading(weir: Design, engine: Engine) -> None:
    """Compare with differences of solved circuits, each supply 10 mV higher."""
    lit, probes = all_lit(weir), [parse_probe(text, weir) for text in ("3A", "foot:3+>foot:4+")]
    readings = [Reading(lit, probe, 1.0) for probe in probes]
    space = engine.responses.space
    place = [joint.name for joint in space.joints].index("feed2")

    def covariance(supply: float) -> np.ndarray:
        tolerances = dataclasses.replace(HAND_SOLDERED, supply=supply)
        likelihood = ReadingLikelihood(engine.responses, readings, DEFAULT_METER, tolerances)
        assert not likelihood.responses.base(lit).nonlinear[place, OPEN_COLUMN]
        return np.asarray(linear_predictions(likelihood, place, np.array([OPEN_COLUMN]))[1][0])

    def volts(more_v: dict[str, float]) -> np.ndarray:
        fed = weir.with_supply_volts(
            {feed.name: feed.volts + more_v.get(feed.name, 0.0) for feed in weir.feeds}
        )
        solution = solve(Circuit(fed, {"feed2": math.inf}), lit.duty(fed))
        return np.asarray(solution.volts_at(probes))

    per_v = [(volts({name: 0.01}) - volts({})) / 0.01 for name in ("feed1", "feed2")]
    assert per_v[1] == pytest.approx(0.0, abs=1e-6)
    sd = [0.01 * feed.volts * moved for feed, moved in zip(weir.feeds, per_v, strict=True)]
    expected = sum(np.outer(moved, moved) for moved in sd)
    found = covariance(0.01) - covariance(0.0)
    # the effect of unequal supplies on a joint's own drop is that of the healthy prop
    assert found == pytest.approx(expected, rel=5e-3, abs=2e-6)


def test_a_clamp_at_the_dead_feed_finds_it(weir: Design, engine: Engine) -> None:
    lit = all_lit(weir)
    readings = [
        Reading(lit, parse_probe("feed2", weir), None, amps=0.0),
        Reading(lit, parse_probe("feed2+>foot:6+", weir), 0.0),
        Reading(lit, parse_probe("feed2->foot:6-", weir), 0.0),
        Reading(parse_lit_set("none", weir), parse_probe("foot:6", weir), 4.99),
    ]
    first = engine.diagnose(readings).suspects[0]
    assert (first.where, first.fault) == ("feed2", "open")


def test_a_drop_across_its_feed_joint_clears_a_fuse_next_to_an_unequal_supply(
    weir: Design, tmp_path: Path
) -> None:
    """Compare with ngspice: the drop is 4 mV with the fuse and 0 without it."""
    unequal = weir.with_supply_volts({"feed1": 5.02, "feed2": 4.93})
    lit, probe = all_lit(unequal), parse_probe("feed2+>foot:6+", unequal)
    spice_v = []
    for mohm in (0.0, 1e9):
        feed = dataclasses.replace(unequal.feeds[1], fuse_mohm=mohm)
        built = dataclasses.replace(unequal, feeds=(unequal.feeds[0], feed))
        deck = spice_deck(built, lit.duty(built), {"feed2+": 0.02}, [probe])
        spice_v.append(by_ngspice(deck, tmp_path)["probe_1"])
    assert abs(spice_v[1]) < 1e-4 < 3e-3 < spice_v[0]
    responses = Engine(unequal).responses
    (fuse,) = [n for n, one in enumerate(responses.space.joints) if one.name == "feed2"]
    reading = Reading(lit, probe, 0.004)
    likelihood = ReadingLikelihood(responses, [reading], DEFAULT_METER)
    mean, covariance = likelihood.under(fuse, OPEN_COLUMN)
    assert mean[0] == pytest.approx(spice_v[1], abs=1e-4)
    assert math.sqrt(covariance[0, 0]) < 0.0005


@pytest.fixture(scope="module")
def halves(make_fan: MakeFan) -> Design:
    """Return two pieces of copper with a feed each; data runs from one to the other."""
    design = _fused(make_fan(5, 10, crown=False, feeds=("foot:2", "foot:5")))
    (foot,) = design.buses
    west = dataclasses.replace(foot, name="west", ends=foot.ends[:2])
    east = dataclasses.replace(foot, name="east", ends=foot.ends[2:])
    one, two = design.feeds
    feeds = (
        dataclasses.replace(one, at=BusPad("west", 2)),
        dataclasses.replace(two, at=BusPad("east", 5)),
    )
    return dataclasses.replace(design, buses=(west, east), feeds=feeds)


def test_dead_copper_is_at_the_common_return(halves: Design, tmp_path: Path) -> None:
    """Compare with ngspice, the fuse as a resistance of 1 MΩ."""
    asked = [("none", "1B+>feed2+"), ("none", "3B+>1B-"), ("none", "1B"), ("3-5", "4B")]
    readings = [
        Reading(parse_lit_set(lit, halves), parse_probe(p, halves), 0.0) for lit, p in asked
    ]
    responses = Engine(halves).responses
    likelihood = ReadingLikelihood(responses, readings, DEFAULT_METER)
    (shorted,) = [
        fault.shorted
        for fault in responses.space.chain
        if fault.shorted is not None and fault.where == "feed1" and not fault.shorted.amps_sd
    ]
    mean, covariance = likelihood.dead_short(shorted)
    blown = dataclasses.replace(halves.feeds[0], fuse_mohm=1e9)
    design = dataclasses.replace(halves, feeds=(blown, halves.feeds[1]))
    for place, reading in enumerate(readings):
        deck = spice_deck(design, reading.lit.duty(design), {}, [reading.probe])
        theirs_v = by_ngspice(deck, tmp_path)["probe_1"]
        assert abs(mean[place] - theirs_v) < np.sqrt(covariance[place, place])


def test_all_dark_with_two_feeds_requests_voltages_and_finds_the_fuse(halves: Design) -> None:
    engine = Engine(halves)
    marks = [Mark(all_lit(halves), n, 1, 10, "dark") for n in range(1, 6)]
    ask = engine.diagnose(marks=marks).next
    assert ask.probe is not None
    assert ask.probe.is_rail
    place = ask.probe.red.place
    assert isinstance(place, BusPad | StrandEnd)
    assert place.strand in (1, 2)
    readings = [
        Reading(parse_lit_set("none", halves), parse_probe(probe, halves), 0.0)
        for probe in ("1A", "feed1")
    ]
    top = engine.diagnose(readings, marks).suspects[0]
    assert (top.where, top.fault) == ("feed1", "short")
    assert top.probability > 0.9
    assert "fuse" in repair_text(top, halves)


@pytest.mark.parametrize("joints", [("2A+",), ("2A+", "2A-")])
def test_leakage_drops_no_more_across_an_open_joint_than_the_voltage_left(
    make_fan: MakeFan, joints: tuple[str, ...]
) -> None:
    """Behind the blown fuse of the only feed; one joint open, or a strand cut off by two."""
    design = make_fan(3, 6, crown=False)
    given = tuple(FaultHypothesis(joint, "open", OPEN_COLUMN) for joint in joints)
    cache = ConditionalCache(design, fault_space(design), HAND_SOLDERED)
    responses, lit = cache.responses(given), all_lit(design)
    probes = [parse_probe(text, design) for text in ("foot:2+>2A+", "foot:1+>2A+", "1A")]
    readings = [Reading(lit, probe, 0.01) for probe in probes]
    likelihood = ReadingLikelihood(responses, readings, DEFAULT_METER)
    (fuse,) = [
        fault.shorted
        for fault in responses.space.chain
        if fault.shorted is not None and not fault.shorted.amps_sd
    ]
    _, covariance = likelihood.dead_short(fuse)
    assert np.sqrt(np.diag(covariance)).max() < 2.0 * SHORTED_SD_V
    assert np.isfinite(likelihood.dead_log_likelihood(fuse))
