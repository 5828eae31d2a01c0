"""Shorts with resistance, and supplies at their current limit."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.spice import spice_deck
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.likelihood.rail_shorts import SHORT_OHM
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.fault_response import short_places
from benchtest.diagnosis.thresholds import OHMMETER_SHORT_SHARE
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.design import BusPad, Design, Probe
from benchtest.prop.lit_set import LitSet, all_lit, parse_lit_set
from benchtest.prop.node_kinds import NodeKind
from benchtest.prop.notation import parse_probe
from benchtest.wording import repair_text
from tests.diagnosis.conftest import Bench
from tests.outside.ngspice import by_ngspice

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]
MOST_READINGS = 8


class DeadCopper:
    """A unit as designed, with a short and a supply that lowers its voltage at its limit."""

    def __init__(self, design: Design, at: str, ohm: float, limit_a: float) -> None:
        self.design, self.limit_a = design, limit_a
        self.touching = {parse_probe(at, design): ohm}
        self._fed: dict[LitSet, tuple[Design, np.ndarray]] = {}

    def fed(self, lit: LitSet) -> tuple[Design, np.ndarray]:
        """Return the design with the resulting supply voltage, and the duty of lit nodes."""
        if lit not in self._fed:
            self._fed[lit] = self._solve(lit)
        return self._fed[lit]

    def _solve(self, lit: LitSet) -> tuple[Design, np.ndarray]:
        (feed,) = self.design.feeds
        for duty in (lit.duty(self.design), np.zeros_like(lit.duty(self.design))):
            low, high, volts = 0.0, feed.volts, feed.volts
            for _ in range(14):
                made = self.design.with_supply_volts({feed.name: volts})
                solution = solve(Circuit(made, short_ohm=self.touching), duty)
                if solution.feed_a[feed.name] <= self.limit_a:
                    low = volts
                else:
                    high = volts
                volts = 0.5 * (low + high) if low < high else volts
            made = self.design.with_supply_volts({feed.name: max(low, 0.01)})
            solution = solve(Circuit(made, short_ohm=self.touching), duty)
            if solution.node_v.min() >= self.design.node.logic_v:
                break
        return made, duty

    def read(self, lit: LitSet, probe: Probe) -> Reading:
        made, duty = self.fed(lit)
        volts = solve(Circuit(made, short_ohm=self.touching), duty).volts(probe)
        return Reading(lit, probe, round(volts, 4 if abs(volts) < 0.6 else 3))

    def work(self, engine: Engine) -> Finding:
        """Take requested readings until the finding is settled or the short is certain."""
        readings: list[Reading] = []
        finding = engine.diagnose(readings)
        while len(readings) < MOST_READINGS and not finding.next.settled:
            assert finding.next.lit is not None
            assert finding.next.probe is not None
            readings.append(self.read(finding.next.lit, finding.next.probe))
            finding = engine.diagnose(readings)
        return finding


def _rated(design: Design, supply_a: float | None) -> Design:
    feeds = tuple(dataclasses.replace(feed, supply_a=supply_a) for feed in design.feeds)
    return dataclasses.replace(design, feeds=feeds)


@pytest.mark.parametrize(
    ("at", "ohm", "limit_a", "volts", "is_rated"),
    [
        ("crown:2", 0.8, 9.0, 5.0, True),
        ("foot:5", 0.3, 9.0, 5.0, False),
        ("crown:5", 0.06, 9.0, 5.0, True),
        ("crown:4", 1.5, 9.0, 5.0, False),
        ("crown:3", 1.0, 7.0, 12.0, True),
        ("foot:4", 0.2, 7.0, 12.0, False),
    ],
    ids=str,
)
def test_a_short_with_resistance_is_found_and_no_joint(
    make_fan: MakeFan, make_kind: MakeKind, at: str, ohm: float, limit_a: float, volts: float,
    is_rated: bool,
) -> None:  # fmt: skip
    fan = make_fan(6, 14, wire="24 AWG", feed_mm=900.0, kind=make_kind(volts=volts))
    design = _rated(fan, limit_a if is_rated else None)
    finding = DeadCopper(design, at, ohm, 1.05 * limit_a).work(Engine(design))
    first = finding.suspects[0]
    assert (first.where, first.fault) == ("feed1", "short")
    assert first.probability > 0.9
    assert sum(s.probability for s in finding.suspects if s.fault in ("resistive", "open")) < 0.2
    # volts at one place under other lit sets repeat the same information
    assert max(Counter(row.reading.probe for row in finding.readings).values()) <= 3


def test_changes_by_a_short_are_those_of_the_circuit_with_it(make_fan: MakeFan) -> None:
    """By the circuit solved with a resistance there, while its supply keeps its volts."""
    design = _rated(make_fan(4, 10, wire="24 AWG", feed_mm=900.0), 20.0)
    responses, ohm = Engine(design).responses, float(SHORT_OHM[6])
    touching = {parse_probe("crown:3", design): ohm}
    circuit, lits = Circuit(design, short_ohm=touching), ("all", "2", "none")
    asked = [(parse_lit_set(lit, design), parse_probe(text, design))
             for lit in lits for text in ("crown:1+>crown:4+", "feed1", "3B")]  # fmt: skip
    readings = [
        Reading(lit, probe, solve(circuit, lit.duty(design)).volts(probe)) for lit, probe in asked
    ]
    likelihood = ReadingLikelihood(responses, readings, DEFAULT_METER)
    (place,) = [n for n, fault in enumerate(responses.space.chain)
                if fault.shorted is not None and fault.shorted.amps_sd]  # fmt: skip
    short = likelihood.resistive_short(place)
    assert short is not None
    assert short.likely_places()[0] == "crown:3"
    assert likelihood.resistive_short_shares(place)[0] > 0.1
    for lit in (parse_lit_set("1 3", design), all_lit(design)):
        sound, shorted = responses.base(lit).solution, solve(circuit, lit.duty(design))
        change_v = shorted.point_v - sound.point_v
        assert np.abs(change_v).max() > 0.02
        assert short.change_v(0, sound) == pytest.approx(change_v, rel=0.03, abs=5e-4)


@pytest.mark.parametrize("left_v", [0.03, 0.11])
@pytest.mark.parametrize("feed_mm", [900.0, 4000.0])
def test_equal_repeats_do_not_count_against_a_hard_short(
    make_fan: MakeFan, left_v: float, feed_mm: float
) -> None:
    """Its voltage at a place is one unknown of the unit, for all lit sets."""
    design = make_fan(4, 10, wire="24 AWG", feed_mm=feed_mm)
    engine, probe = Engine(design), parse_probe("foot:2", design)
    dark = [Mark(all_lit(design), s.number, 1, s.nodes, "dark") for s in design.strands]
    lits = [parse_lit_set(text, design) for text in ("none", "none", "2", "all", "all", "2")]
    found = []
    for count in range(1, len(lits) + 1):
        readings = [Reading(lit, probe, left_v) for lit in lits[:count]]
        suspects = engine.diagnose(readings, dark).suspects
        found.append(sum(s.probability for s in suspects if s.fault == "short"))
    assert min(found[1:]) >= found[0] - 0.001


def test_unequal_repeats_are_a_short_with_a_supply_in_hiccup_mode(make_fan: MakeFan) -> None:
    design = make_fan(4, 10, wire="24 AWG")
    probe, dark = parse_probe("foot:2", design), all_lit(design)
    marks = [Mark(dark, s.number, 1, s.nodes, "dark") for s in design.strands]
    readings = [Reading(dark, probe, volts) for volts in (0.31, 0.02, 0.15)]
    first = Engine(design).diagnose(readings, marks).suspects[0]
    assert (first.where, first.fault) == ("feed1", "short")
    assert first.probability > 0.9


def test_a_reading_that_named_a_suspect_is_not_requested_again(make_fan: MakeFan) -> None:
    design = make_fan(4, 10, wire="24 AWG")
    marks = [Mark(all_lit(design), s.number, 1, s.nodes, "dark") for s in design.strands]
    readings = [Reading(parse_lit_set("none", design), parse_probe("foot:1", design), 0.052)]
    finding = Engine(design).diagnose(readings, marks)
    assert finding.suspects[0].probability > 0.95
    assert (finding.next.lit, finding.next.probe) != (readings[0].lit, readings[0].probe)


def test_advice_names_the_place_of_the_short(make_fan: MakeFan) -> None:
    design = _rated(make_fan(8, 14, wire="24 AWG", feed_mm=900.0), 20.0)
    unit = DeadCopper(design, "crown:7", 0.5, 21.0)
    lit = all_lit(design)
    asked = ["crown:1+>crown:8+", "crown:1->crown:8-", "crown:8", "foot:1", "crown:4+>crown:8+"]
    readings = [unit.read(lit, parse_probe(text, design)) for text in asked]
    first = Engine(design).diagnose(readings).suspects[0]
    assert first.fault == "short"
    near = repair_text(first, design).partition("look first near ")[2].split(" and ")
    assert set(near) & {"crown:6", "crown:7", "crown:8"}


def test_readings_of_a_short_by_ngspice_find_it(
    make_fan: MakeFan, make_kind: MakeKind, tmp_path: Path
) -> None:
    """Solve a resistor between the rails, with the supply lowered to its limit."""
    design = _rated(make_fan(4, 8, wire="24 AWG", kind=make_kind(channel_ma=16.0)), 4.0)
    unit = DeadCopper(design, "crown:3", 1.1, 4.3)
    asked = [("all", "crown:1+>crown:4+"), ("none", "foot:1"), ("all", "3B"), ("none", "3B")]
    readings = []
    for lit, text in asked:
        lights, probe = parse_lit_set(lit, design), parse_probe(text, design)
        made, duty = unit.fed(lights)
        deck = spice_deck(made, duty, {}, [probe], unit.touching)
        readings.append(Reading(lights, probe, round(by_ngspice(deck, tmp_path)["probe_1"], 4)))
    first = Engine(design).diagnose(readings).suspects[0]
    assert (first.where, first.fault) == ("feed1", "short")
    assert first.probability > 0.9


def test_a_bad_joint_or_a_healthy_unit_is_no_short(make_fan: MakeFan) -> None:
    design = make_fan(6, 20)
    engine, lits = Engine(design), [all_lit(design), parse_lit_set("none", design)]
    for seed, faults in ((1, {"4A+": 0.4}), (2, {"feed1-": 0.3}), (3, {"2B-": 5.0}), (4, {})):
        bench = Bench(design, faults, seed)
        # without a rail voltage, undervoltage has the same effect for any cause
        bench.readings += [bench.read(lit, parse_probe("foot:1", design)) for lit in lits]
        finding = bench.find(engine)
        assert sum(s.probability for s in finding.suspects if s.fault == "short") < 0.02
        if faults:
            assert finding.suspects[0].where == next(iter(faults))
        else:
            assert finding.healthy > 0.8


def test_shorts_are_tried_at_every_pad_and_at_ends_without_a_bus(make_fan: MakeFan) -> None:
    design = make_fan(3, 4)
    assert [str(place) for place in short_places(design)] == [
        "foot:1", "foot:2", "foot:3", "crown:1", "crown:2", "crown:3",
    ]  # fmt: skip


def test_two_slips_are_no_short(make_fan: MakeFan) -> None:
    """Read rails 0.1 V low everywhere, as with a source resistance, and two slips."""
    design = make_fan(8, 30)
    circuit = Circuit(design.with_supply_volts({design.feeds[0].name: 4.9}))
    readings = []
    for text in ("all", "1-4", "5-8", "1 3 5 7"):
        lit = parse_lit_set(text, design)
        for strand in (2, 4, 5, 7):
            volts = solve(circuit, lit.duty(design)).volts(parse_probe(f"{strand}B", design))
            slip = {("1-4", 5): 0.010, ("1 3 5 7", 4): -0.012}.get((text, strand), 0.0)
            readings.append(Reading(lit, parse_probe(f"{strand}B", design), round(volts, 3) + slip))
    finding = Engine(design).diagnose(readings)
    assert all(
        suspect.probability < 0.5 for suspect in finding.suspects if suspect.fault == "short"
    )


def test_rails_at_full_voltage_and_nodes_without_are_no_short(make_fan: MakeFan) -> None:
    """Read 5.0 V at the feed and at strand 1, whose nodes flicker.

    A short weak enough for these volts would leave every node its light.
    """
    design = make_fan(4, 20, crown=False)
    lit = all_lit(design)
    looks = [lit, *(all_lit(design, 0.25, colour) for colour in ("red", "green"))]
    marks = [
        Mark(look, s.number, 1, s.nodes, "flicker" if s.number < 3 else "ok")
        for look in looks
        for s in design.strands
    ]
    probes = ("feed1", "1A", "4A")
    readings = [Reading(lit, parse_probe(probe, design), 5.0) for probe in probes]
    case = EvidenceSet(readings, marks, DEFAULT_METER, ())
    unconditional = Engine(design).usual.cache.of(case)
    for number, fault in enumerate(unconditional.space.chain):
        if fault.shorted is not None:
            assert unconditional.chain[number] < unconditional.healthy + 1.0


def test_a_prop_that_lights_has_no_short_without_voltage(make_fan: MakeFan) -> None:
    """Read drops along a rail, as joined rails also cause, on a prop whose nodes all light."""
    design = make_fan(4, 20, crown=False)
    lit = all_lit(design, 0.25, "red")
    marks = [Mark(lit, s.number, 1, s.nodes, "ok") for s in design.strands]
    full = all_lit(design)
    readings = [
        Reading(full, parse_probe("foot:1+>foot:4+", design), drop_v) for drop_v in (0.037, 0.048)
    ]
    case = EvidenceSet(readings, marks, DEFAULT_METER, ())
    unconditional = Engine(design).usual.cache.of(case)
    likelihood = unconditional.likelihood
    assert likelihood is not None
    for number, fault in enumerate(unconditional.space.chain):
        if fault.shorted is not None and fault.shorted.amps_sd:
            short = likelihood.rail_short(fault.shorted)
            assert short is not None
            lit_anyway = short.log_likelihood
            dark_log = len(design.strands) * np.log(0.005)  # `ok` of a strand without voltage
            dead = likelihood.dead_log_likelihood(fault.shorted) + dark_log
            assert unconditional.chain[number] < max(lit_anyway, dead) + 1.0


def test_a_short_on_one_piece_of_copper_leaves_the_other_supply_alone(make_fan: MakeFan) -> None:
    """Read 0 V on the copper of feed1: feed2 and its strands cannot be the cause."""
    design = make_fan(4, 10, crown=False, feeds=("foot:1", "foot:4"))
    (foot,) = design.buses
    west = dataclasses.replace(foot, name="west", ends=foot.ends[:2])
    east = dataclasses.replace(foot, name="east", ends=foot.ends[2:])
    ends = BusPad("west", 1), BusPad("east", 4)
    feeds = tuple(dataclasses.replace(f, at=at) for f, at in zip(design.feeds, ends, strict=True))
    design = dataclasses.replace(design, buses=(west, east), feeds=feeds)
    lit = parse_lit_set("none", design)
    readings = [Reading(lit, parse_probe(probe, design), 0.0) for probe in ("1A", "feed1")]
    likelihood = ReadingLikelihood(Engine(design).responses, readings, DEFAULT_METER)
    weight = {}
    for fault in likelihood.responses.space.chain:
        if fault.shorted is not None and fault.shorted.amps_sd:
            short = likelihood.rail_short(fault.shorted)
            assert short is not None
            weight[fault.where] = short.log_likelihood
    assert weight["feed1"] > weight["feed2"] + 100.0


def test_a_bad_feed_joint_is_no_short_once_its_cable_is_read(make_fan: MakeFan) -> None:
    """Compare drops along +, which a feed joint on - lowers as a short does."""
    design = make_fan(6, 20)
    engine, bench = Engine(design), Bench(design, {"feed1-": 0.8}, seed=4)
    for text in ("all", "1-3", "4-6", "1 3 5"):
        lit = parse_lit_set(text, design)
        bench.readings.append(bench.read(lit, parse_probe("foot:2+>crown:2+", design)))
    finding = bench.find(engine, at_most=10)
    assert finding.next.settled
    assert finding.suspects[0].where == "feed1-"


def _low_with_and_without_light(design: Design) -> list[Reading]:
    """Return rail voltages that no joint explains: equally low with nothing lit."""
    asked = (("all", "1A", 2.2), ("none", "3A", 2.3), ("1", "4A", 2.3))
    return [
        Reading(parse_lit_set(lit, design), parse_probe(probe, design), volts)
        for lit, probe, volts in asked
    ]


def test_the_feed_is_read_first_if_a_short_is_likely(make_fan: MakeFan) -> None:
    design = make_fan(4, 20, wire="24 AWG", crown=False)
    engine, lit = Engine(design), all_lit(design)
    readings = _low_with_and_without_light(design)
    finding = engine.diagnose(readings)
    assert sum(s.probability for s in finding.suspects if s.fault == "short") > 0.5
    assert finding.next.probe == parse_probe("feed1", design)
    # full voltage there: the feed's own joint, or several strands
    readings.append(Reading(lit, parse_probe("feed1", design), 4.98))
    after = engine.diagnose(readings)
    assert sum(s.probability for s in after.suspects if s.fault == "short") < 0.1


def test_a_resistance_between_the_rails_excludes_a_short_but_no_fuse(
    make_fan: MakeFan,
) -> None:
    design = make_fan(4, 20, wire="24 AWG", crown=False)
    engine, lit = Engine(design), all_lit(design)
    readings = _low_with_and_without_light(design)

    def shorted(unshorted: tuple[str, ...]) -> float:
        found = engine.diagnose(readings, unshorted=unshorted)
        return sum(s.probability for s in found.suspects if s.fault == "short")

    plain, once, twice = (shorted(("feed1",) * times) for times in (0, 1, 2))
    assert plain > once > twice
    odds = [p / (1.0 - p) for p in (plain, once)]
    assert odds[1] == pytest.approx(OHMMETER_SHORT_SHARE * odds[0], rel=0.2)
    dead = [Reading(lit, parse_probe(f"{n}A", design), 0.0) for n in (1, 3)]
    first = engine.diagnose(dead, unshorted=("feed1", "feed1")).suspects[0]
    assert (first.where, first.fault) == ("feed1", "short")  # its fuse has the same name


def test_copper_of_two_feeds_has_one_short(make_fan: MakeFan) -> None:
    design = make_fan(4, 10, feeds=("foot:1", "foot:4"))
    lit = all_lit(design)
    readings = [Reading(lit, parse_probe(f"{n}A", design), 0.02) for n in (1, 2, 4)]
    readings.append(Reading(lit, parse_probe("feed1", design), 0.05))
    named = [s for s in Engine(design).diagnose(readings).suspects if s.fault == "short"]
    assert [(s.where, s.probability > 0.95) for s in named] == [("feed1", True)]
    assert "feeds feed1 and feed2" in repair_text(named[0], design)
