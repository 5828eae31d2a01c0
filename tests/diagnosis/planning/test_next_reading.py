"""Choice of the next reading: series along a rail, leads in place, repair before small gains."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from importlib.resources import files

import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.diagnosis import Engine
from benchtest.diagnosis.finding import NextReading
from benchtest.diagnosis.inference.conditional import ConditionalEvidence, EvidenceSet
from benchtest.diagnosis.inference.multiple_faults import partial_explanations
from benchtest.diagnosis.planning.forecast import Forecaster
from benchtest.diagnosis.planning.next_reading import (
    best_score,
    choose_reading,
    rank_readings,
    time_weights_after,
)
from benchtest.diagnosis.planning.regression import PlanningEvidence
from benchtest.diagnosis.solve_budget import SolveBudget
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.conductors import board_copper
from benchtest.prop.design import Design, Probe
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from tests.diagnosis.conftest import Bench


@pytest.fixture(scope="module")
def arch() -> Design:
    """Eight strands on one bus: the voltage at a strand's end depends on both its joints."""
    text = files("benchtest.virtual").joinpath("tide-arch.toml").read_text("utf-8")
    return parse_design(text, "tide-arch")


@pytest.fixture(scope="module")
def engine(arch: Design) -> Engine:
    return Engine(arch)


def _read(bench: Bench, *asks: tuple[str, str]) -> tuple[Reading, ...]:
    design = bench.design
    return tuple(
        bench.read(parse_lit_set(lit, design), parse_probe(probe, design)) for lit, probe in asks
    )


class RingFan:
    """Ten strands between two ring boards, with plans from chosen readings."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.engine = Engine(design)

    def forecaster(
        self, readings: Sequence[Reading]
    ) -> tuple[Forecaster, ConditionalEvidence, PlanningEvidence]:
        """Return the forecaster after readings, and the evidence in two forms."""
        assumption = self.engine.usual
        conditional = assumption.cache.of(EvidenceSet(readings, (), DEFAULT_METER, ()))
        evidence = PlanningEvidence(readings, conditional.likelihood, conditional.likelihoods)
        return self.engine.forecasters(assumption).of(conditional), conditional, evidence

    def plan(
        self, readings: Sequence[Reading] = (), gain_after: Callable[[Reading], float] | None = None
    ) -> NextReading:
        """Return the next reading; without `gain_after`, by its own information alone."""
        forecaster, conditional, evidence = self.forecaster(readings)
        ranking = rank_readings(forecaster, conditional.posterior, evidence)
        return choose_reading(ranking, gain_after=gain_after)

    def after(self, reading: Reading) -> float:
        """Return the score of the best reading after a supposed one."""
        forecaster, conditional, evidence = self.forecaster([reading])
        return best_score(forecaster, conditional.posterior, evidence)

    def supposed(self, gain_after: Callable[[Reading], float]) -> list[Reading]:
        """Return the readings that the plan supposes."""
        asked: list[Reading] = []

        def spy(reading: Reading) -> float:
            asked.append(reading)
            return gain_after(reading)

        self.plan(gain_after=spy)
        return asked


@pytest.fixture(scope="module")
def ring(make_fan: Callable[..., Design]) -> RingFan:
    return RingFan(make_fan(10, 40, ring=True))


def _is_span(probe: Probe | None) -> bool:
    """Return True for a drop along one rail, from a board or the feed to another board."""
    assert probe is not None
    red, black = probe.red, probe.black
    boards = {getattr(point.place, "bus", str(point.place)) for point in (red, black)}
    return red.rail == black.rail and boards in ({"foot", "crown"}, {"feed1", "crown"})


def test_rail_span_is_read_first_for_the_information_of_the_second_reading(ring: RingFan) -> None:
    assert not _is_span(ring.plan().probe)
    assert _is_span(ring.engine.diagnose().next.probe)


def test_gain_after_one_supposed_reading_does_not_change_the_other(ring: RingFan) -> None:
    assert ring.supposed(ring.after) == ring.supposed(lambda _: 0.0)


def test_healthy_ring_fan_is_settled_within_twelve_readings(ring: RingFan) -> None:
    finding = Bench(ring.design, {}, 21).find(ring.engine, at_most=12)
    assert finding.next.settled
    assert finding.healthy > 0.9


@pytest.mark.parametrize(("joint", "ohm"), [("3B+", math.inf), ("6A-", 0.08)])
def test_bad_joint_of_a_ring_fan_is_named_within_nine_readings(
    ring: RingFan, joint: str, ohm: float
) -> None:
    bench = Bench(ring.design, {joint: ohm}, seed=23)
    finding = bench.find(ring.engine, at_most=12)
    assert {band.name for band in finding.joints if band.probability > 0.9} == {joint}
    assert len(bench.readings) <= 9


def test_leads_that_stay_in_place_save_time(ring: RingFan) -> None:
    probe = parse_probe("foot:1+>crown:1+", ring.design)
    forecaster, _, _ = ring.forecaster(())
    weights = time_weights_after(
        forecaster, [Reading(parse_lit_set("all", ring.design), probe, 0.05)]
    )
    place = forecaster.place_of
    # two moves, one move, none: 5 s, 2.5 s and 0 s, with settling and typing each
    fresh, shared = parse_probe("foot:6+>crown:6+", ring.design), "crown:1+>crown:4+"
    one = weights.seconds[place[parse_probe(shared, ring.design)]]
    assert weights.seconds[place[probe]] < one < weights.seconds[place[fresh]]
    # crown:1+ has the black lead: exchanged, it stays there
    _, turned = weights.with_faster_leads(
        (parse_lit_set("all", ring.design), parse_probe(shared, ring.design))
    )
    assert str(turned) == "crown:4+>crown:1+"


def test_repeated_readings_of_any_probe_are_accepted(ring: RingFan) -> None:
    design, everything = ring.design, parse_lit_set("all", ring.design)
    probes = ("1A+>8B-", "crown:4+>crown:2+")
    readings = [Reading(everything, parse_probe(one, design), 4.9 * (one[1] == "A"))
                for one in probes for _ in range(4)]  # fmt: skip
    assert 0.0 <= ring.engine.diagnose(readings).healthy <= 1.0


def test_open_joint_raises_the_rail_drop_of_lit_halves(
    make_fan: Callable[..., Design],
) -> None:
    """Strands of resistance R with current I each, between boards without resistance.

    A lit strand takes half of I from either end, so that the far board is `I R / 2 · lit / strands`
    lower than the near one; a strand that is open at the far board supplies nothing to it.
    """
    thick = make_fan(10, 20, wire="28 AWG")
    thick = replace(
        thick, buses=tuple(replace(bus, copper=board_copper(100.0, 500.0)) for bus in thick.buses)
    )
    lits = [parse_lit_set(text, thick) for text in ("1-5", "none")]
    probe = parse_probe("foot:5+>crown:5+", thick)

    def drop_v(joints: Mapping[str, float]) -> float:
        circuit = Circuit(thick, joints)
        lit_v, dark_v = (solve(circuit, lit.duty(thick)).volts(probe) for lit in lits)
        return lit_v - dark_v

    sound_v = drop_v({})
    assert drop_v({"8B+": math.inf}) / sound_v == pytest.approx(10 / 9, rel=0.01)
    assert drop_v({"2B+": math.inf}) / sound_v == pytest.approx(4 / 5 * 10 / 9, rel=0.01)


def test_certain_fault_is_repaired_before_further_readings(arch: Design, engine: Engine) -> None:
    asks = [("all", "4A"), ("all", "2A"), ("all", "ridge:2+>2A+")]
    finding = engine.diagnose(_read(Bench(arch, {"2A+": 0.54}, seed=5), *asks))
    assert finding.next.settled
    assert finding.suspects[0].where == "2A+"
    assert finding.suspects[0].probability > 0.99
    # strand 7 has no reading yet, and needs none before the repair
    assert {band.name: band.cleared_ohm for band in finding.joints}["7A+"] is None


def test_two_bad_joints_are_named_if_no_single_joint_explains_the_readings(
    arch: Design, engine: Engine
) -> None:
    """Every node behind 9 ohm is undervoltage: no single joint explains all readings together."""
    bench = Bench(arch, {"main+": 9.4, "4A+": 6.4}, seed=4)
    readings = _read(
        bench,
        ("2 4 6 8", "4A"), ("none", "4A"), ("all", "1A"), ("all", "ridge:4+>4A+"),
        ("all", "main+>ridge:4+"), ("5-8", "5A"), ("5-8", "ridge:4->4A-"), ("5-8", "7A"),
    )  # fmt: skip
    case = EvidenceSet(readings, (), DEFAULT_METER, (), SolveBudget(10**9))
    view = engine.usual.cache.of(case)
    part = partial_explanations(view)[0]
    assert part.where == "main+"
    assert 5.0 < part.ohm < 16.0
    finding = engine.diagnose(readings)
    found = {s.where: s.probability for s in finding.suspects}
    assert found["main+"] > 0.9
    assert found["4A+"] > 0.9
