"""Rules that request the next reading, on a small fan with one bad joint."""

from __future__ import annotations

import pytest

from benchtest.circuit.prediction import predict
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.model.faults import Priors
from benchtest.diagnosis.thresholds import MIN_DATA_FAULT_PROBABILITY
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe
from tests.fuzz.good import small_fan

INFERRED = [("2", "1A+>2A+"), ("2", "2A"), ("2", "2B"), ("all", "1A"), ("all", "3B"), ("all", "2A")]
"""Readings that name joint 2A+ without one across it."""
DROP = "foot:2+>2A+"


@pytest.fixture(scope="module")
def fan() -> Design:
    return small_fan()


@pytest.fixture(scope="module")
def engine(fan: Design) -> Engine:
    return Engine(fan)


def _shown(fan: Design, lit_text: str, probe_text: str) -> Reading:
    """Return the reading of a fan whose joint 2A+ has 0.9 ohm."""
    lit, probe = parse_lit_set(lit_text, fan), parse_probe(probe_text, fan)
    volts = predict(fan, lit, [probe], {"2A+": 0.9}).probes[0].volts
    return Reading(lit, probe, round(volts, 4 if abs(volts) < 0.6 else 3))


@pytest.fixture(scope="module")
def inferred(fan: Design) -> list[Reading]:
    return [_shown(fan, *ask) for ask in INFERRED]


def _is_asked(found: Finding) -> bool:
    return found.next.before_repair and str(found.next.probe) == DROP


def test_drop_of_a_named_joint_is_read_before_its_repair(
    fan: Design, engine: Engine, inferred: list[Reading]
) -> None:
    found = engine.diagnose(inferred)
    assert found.suspects[0].where == "2A+"
    assert _is_asked(found)
    assert not found.next.settled
    lit = found.next.lit
    assert lit is not None
    read = engine.diagnose([*inferred, _shown(fan, lit.text(fan), DROP)])
    assert not _is_asked(read)
    assert read.suspects[0].probability > found.suspects[0].probability - 0.01


def test_drop_that_contradicts_a_named_joint_is_read_again(
    fan: Design, engine: Engine, inferred: list[Reading]
) -> None:
    lit, probe = parse_lit_set("2", fan), parse_probe(DROP, fan)
    found = engine.diagnose([*inferred, Reading(lit, probe, 0.0004)])
    assert found.suspects[0].where == "2A+"
    assert not found.next.settled
    assert str(found.next.probe) == DROP


def test_unreachable_drop_is_not_requested(
    fan: Design, engine: Engine, inferred: list[Reading]
) -> None:
    probe = parse_probe(DROP, fan)
    for unreachable in (probe, probe.reversed):
        found = engine.diagnose(inferred, unreachable=[unreachable])
        assert not found.next.before_repair
        assert found.next.settled
    other = engine.diagnose(inferred, unreachable=[parse_probe("foot:1+>1A+", fan)])
    assert _is_asked(other)


def test_healthy_fan_needs_no_drop_before_a_repair(fan: Design, engine: Engine) -> None:
    asks = [("all", f"{n}{end}") for n in (1, 2, 3) for end in "AB"]
    sound = [
        Reading(lit, probe, round(predict(fan, lit, [probe]).probes[0].volts, 3))
        for lit, probe in ((parse_lit_set(t, fan), parse_probe(p, fan)) for t, p in asks)
    ]
    assert not engine.diagnose(sound).next.before_repair


def test_power_of_a_dark_prop_is_read_before_its_data_joint_is_repaired(fan: Design) -> None:
    engine, lit = Engine(fan, Priors(data_open=0.02)), parse_lit_set("all", fan)
    marks = [Mark(lit, strand.number, 1, strand.nodes, "dark") for strand in fan.strands]
    entry = str(fan.data_path[0])
    found = engine.diagnose(marks=marks)
    first = found.suspects[0]
    assert (first.where, first.fault) == (f"{entry}d", "data-open")
    assert first.probability >= MIN_DATA_FAULT_PROBABILITY
    assert found.next.before_repair
    assert str(found.next.probe) == entry
    volts = Reading(lit, parse_probe(entry, fan), 4.99)
    assert not engine.diagnose([volts], marks).next.before_repair
    # a strand that lit shows that there is power
    one_lit = [Mark(lit, 1, 1, fan.strands[0].nodes, "ok"), *marks[1:]]
    assert not engine.diagnose(marks=one_lit).next.before_repair
