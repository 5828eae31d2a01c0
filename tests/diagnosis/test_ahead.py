"""What is read next, and when reading ends: two readings ahead, and the iron before little news."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files

import pytest

from benchtest.circuit.predict import predict
from benchtest.diagnosis import Engine
from benchtest.diagnosis.finding import NextReading
from benchtest.diagnosis.pairs import hidden_pairs
from benchtest.diagnosis.partly import partly
from benchtest.diagnosis.plan import FEW_BITS, Evidence, best_bits, plan_next
from benchtest.diagnosis.view import Case
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.reading import Reading
from benchtest.prop.design import Design, Probe
from benchtest.prop.lit import Lit, parse_lit
from benchtest.prop.names import parse_probe
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
        bench.read(parse_lit(lit, design), parse_probe(probe, design)) for lit, probe in asks
    )


class Fan:
    """The Willow fan with its buses read: the first volts at a strand's end tell little.

    They are no better known than supply and meter are.
    """

    READ = (
        ("1 3 5 7 9 11", "crown:2+>crown:11+", -0.0004),
        ("1 3 5 7 9 11", "crown:2->crown:11-", 0.0002),
        ("5-8", "foot:1->foot:8-", -0.0001),
        ("5-8", "foot:1+>foot:8+", 0.0001),
    )

    def __init__(self) -> None:
        text = files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")
        self.design = fan = parse_design(text, "willow-fan")
        self.engine = Engine(fan)
        self.readings = [
            Reading(parse_lit(lit, fan), parse_probe(probe, fan), volts)
            for lit, probe, volts in self.READ
        ]
        self.view = self.engine._usual.views.of(Case(self.readings, (), DEFAULT_METER, ()))
        self.forecaster = self.engine._usual.forecaster(self.view)

    def plan(self, then: Callable[[Reading], float] | None = None) -> NextReading:
        """What is read next; without `then`, by what that reading alone tells."""
        view = self.view
        evidence = Evidence(self.readings, view.weigher, view.weighed)
        pairs = hidden_pairs(view)
        return plan_next(self.forecaster, view.posterior, evidence, pairs=pairs, then=then)

    def after(self, lit: Lit, probe: Probe) -> float:
        """What is told next, once a healthy fan has shown what it should."""
        volts = predict(self.design, lit, [probe]).probes[0].volts
        more = [*self.readings, Reading(lit, probe, volts)]
        then = self.engine._usual.views.of(Case(more, (), DEFAULT_METER, ()))
        evidence = Evidence(more, then.weigher, then.weighed)
        return best_bits(self.forecaster, then.posterior, evidence)

    def supposed(self, then: Callable[[Reading], float]) -> list[Reading]:
        """The outcomes that are asked of."""
        told: list[Reading] = []

        def spy(reading: Reading) -> float:
            told.append(reading)
            return then(reading)

        self.plan(spy)
        return told


@pytest.fixture(scope="module")
def fan() -> Fan:
    return Fan()


def test_volts_that_tell_little_are_read_for_what_the_next_ones_tell(fan: Fan) -> None:
    alone, asked = fan.plan(), fan.engine.diagnose(fan.readings).next
    assert alone.lit is not None
    assert alone.probe is not None
    assert asked.lit is not None
    assert asked.probe is not None
    assert alone.expect_bits < FEW_BITS
    assert asked.probe.is_rail
    assert not alone.probe.is_rail
    assert fan.after(asked.lit, asked.probe) > fan.after(alone.lit, alone.probe)


def test_what_is_asked_of_the_one_outcome_does_not_move_the_other(fan: Fan) -> None:
    def anew(reading: Reading) -> float:
        return fan.after(reading.lit, reading.probe)

    assert fan.supposed(anew) == fan.supposed(lambda _: 0.0)


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
    view = engine._usual.views.of(Case(readings, (), DEFAULT_METER, ()))
    part = partly(view)[0]
    assert part.where == "main+"
    assert 5.0 < part.ohm < 16.0
    finding = engine.diagnose(readings)
    found = {s.where: s.probability for s in finding.suspects}
    assert found["main+"] > 0.9
    assert found["4A+"] > 0.9
