"""The next reading: series along a rail, leads that stay, and the iron before little is learned."""

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
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.inference.multiple_faults import partial_explanations
from benchtest.diagnosis.planning.next_reading import (
    PlanningEvidence,
    best_score,
    choose_reading,
    rank_readings,
    time_weights_after,
)
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
    """Eight strands on one bus: volts at a strand's end tell of both its joints."""
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


class Fan:
    """Ten strands between two ring boards, and a plan of which outcomes are supposed."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.engine = Engine(design)

    def plan(
        self, readings: Sequence[Reading] = (), then: Callable[[Reading], float] | None = None
    ) -> NextReading:
        """Return what is read next; without `then`, by what that reading alone adds."""
        view = self.engine._usual.views.of(EvidenceSet(readings, (), DEFAULT_METER, ()))
        forecaster = self.engine._usual.forecaster(view)
        evidence = PlanningEvidence(readings, view.likelihood, view.likelihoods)
        return choose_reading(rank_readings(forecaster, view.posterior, evidence), then=then)

    def after(self, reading: Reading) -> float:
        """Return what the best reading adds once a reading has shown what is supposed."""
        view = self.engine._usual.views.of(EvidenceSet([reading], (), DEFAULT_METER, ()))
        evidence = PlanningEvidence([reading], view.likelihood, view.likelihoods)
        return best_score(self.engine._usual.forecaster(view), view.posterior, evidence)

    def supposed(self, then: Callable[[Reading], float]) -> list[Reading]:
        """Return the outcomes that the plan asks about."""
        asked: list[Reading] = []

        def spy(reading: Reading) -> float:
            asked.append(reading)
            return then(reading)

        self.plan(then=spy)
        return asked


@pytest.fixture(scope="module")
def ring(make_fan: Callable[..., Design]) -> Fan:
    return Fan(make_fan(10, 40, ring=True))


def _is_span(probe: Probe | None) -> bool:
    """Return True for a drop along one rail, from one board to the other."""
    assert probe is not None
    red, black = probe.red, probe.black
    boards = {getattr(point.place, "bus", None) for point in (red, black)}
    return red.rail == black.rail and boards == {"foot", "crown"}


def test_a_drop_along_the_rail_is_read_first_for_what_the_next_reading_adds(ring: Fan) -> None:
    bench = Bench(ring.design, {}, seed=22)
    bench.find(ring.engine, at_most=1)
    assert not _is_span(ring.plan(bench.readings).probe)
    assert _is_span(ring.engine.diagnose(bench.readings).next.probe)


def test_the_question_about_one_outcome_does_not_change_the_other(ring: Fan) -> None:
    assert ring.supposed(ring.after) == ring.supposed(lambda _: 0.0)


@pytest.mark.parametrize("seed", [21, 22])
def test_a_sound_fan_between_rings_is_settled_within_twelve_readings(ring: Fan, seed: int) -> None:
    finding = Bench(ring.design, {}, seed).find(ring.engine, at_most=12)
    assert finding.next.settled
    assert finding.healthy > 0.9


@pytest.mark.parametrize(("joint", "ohm"), [("3B+", math.inf), ("6A-", 0.08)])
def test_a_bad_joint_between_rings_is_named_within_nine_readings(
    ring: Fan, joint: str, ohm: float
) -> None:
    bench = Bench(ring.design, {joint: ohm}, seed=23)
    finding = bench.find(ring.engine, at_most=12)
    assert {band.name for band in finding.joints if band.probability > 0.9} == {joint}
    assert len(bench.readings) <= 9


def test_leads_that_stay_count_for_a_reading(ring: Fan) -> None:
    probe = parse_probe("foot:1+>crown:1+", ring.design)
    view = ring.engine._usual.views.of(EvidenceSet((), (), DEFAULT_METER, ()))
    forecaster = ring.engine._usual.forecaster(view)
    efforts = time_weights_after(
        forecaster, [Reading(parse_lit_set("all", ring.design), probe, 0.05)]
    )
    place = forecaster.place_of
    # two moves, one move, none: 5 s, 2.5 s and 0 s beside settling and typing
    fresh, shared = parse_probe("foot:6+>crown:6+", ring.design), "crown:1+>crown:4+"
    one = efforts.seconds[place[parse_probe(shared, ring.design)]]
    assert efforts.seconds[place[probe]] < one < efforts.seconds[place[fresh]]
    # crown:1+ has the black lead: exchanged, it stays there
    _, turned = efforts.with_faster_leads(
        (parse_lit_set("all", ring.design), parse_probe(shared, ring.design))
    )
    assert str(turned) == "crown:4+>crown:1+"


def test_any_probe_may_be_read_as_often_as_a_person_likes(ring: Fan) -> None:
    design, everything = ring.design, parse_lit_set("all", ring.design)
    probes = ("1A+>8B-", "crown:4+>crown:2+")
    readings = [Reading(everything, parse_probe(one, design), 4.9 * (one[1] == "A"))
                for one in probes for _ in range(4)]  # fmt: skip
    assert 0.0 <= ring.engine.diagnose(readings).healthy <= 1.0


def test_lit_halves_show_an_open_joint_in_the_drop_along_its_rail(
    make_fan: Callable[..., Design],
) -> None:
    """Between boards of no resistance, strands of resistance R draw I each along their length.

    A lit strand takes half of I from either end, so the far board is `I R / 2 · lit / strands`
    lower than the near one; a strand that is open at the far board gives nothing to it.
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


def test_what_is_sure_is_mended_before_more_is_read(arch: Design, engine: Engine) -> None:
    asks = [("all", "4A"), ("all", "2A"), ("all", "ridge:2+>2A+")]
    finding = engine.diagnose(_read(Bench(arch, {"2A+": 0.54}, seed=5), *asks))
    assert finding.next.settled
    assert finding.suspects[0].where == "2A+"
    assert finding.suspects[0].probability > 0.99
    # nobody has read anything of strand 7 yet, and nobody need do so before the iron
    assert {band.name: band.cleared_ohm for band in finding.joints}["7A+"] is None


def test_a_pair_that_no_single_joint_comes_near_is_found(arch: Design, engine: Engine) -> None:
    """Behind 9 ohm every node is starved: by all readings together no joint explains anything."""
    bench = Bench(arch, {"main+": 9.4, "4A+": 6.4}, seed=4)
    readings = _read(
        bench,
        ("2 4 6 8", "4A"), ("none", "4A"), ("all", "1A"), ("all", "ridge:4+>4A+"),
        ("all", "main+>ridge:4+"), ("5-8", "5A"), ("5-8", "ridge:4->4A-"), ("5-8", "7A"),
    )  # fmt: skip
    case = EvidenceSet(readings, (), DEFAULT_METER, (), SolveBudget(10**9))
    view = engine._usual.views.of(case)
    part = partial_explanations(view)[0]
    assert part.where == "main+"
    assert 5.0 < part.ohm < 16.0
    finding = engine.diagnose(readings)
    found = {s.where: s.probability for s in finding.suspects}
    assert found["main+"] > 0.9
    assert found["4A+"] > 0.9
