"""Feeds with source resistance or longer cables, and bad feed joints."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.diagnosis import Engine, Finding
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe

MakeFan = Callable[..., Design]
RAIL_VOLTS = (("all", "foot:1"), ("all", "5B"), ("1-4", "3B"), ("none", "foot:2"))
DROPS = (("all", "feed1+>foot:1+"), ("all", "feed1->foot:1-"))


@pytest.fixture(scope="module")
def pond(make_fan: MakeFan) -> Design:
    return make_fan(8, 20, wire="24 AWG", feed_mm=1200.0)


@pytest.fixture(scope="module")
def engine(pond: Design) -> Engine:
    return Engine(pond)


def _read(
    unit: Design, requests: tuple[tuple[str, str], ...], joint_ohm: dict[str, float] | None = None
) -> list[Reading]:
    """Return readings rounded to 6000 counts, without a meter error."""
    circuit, found = Circuit(unit, joint_ohm), []
    for lit, text in requests:
        probe, lights = parse_probe(text, unit), parse_lit_set(lit, unit)
        volts = solve(circuit, lights.duty(unit)).volts(probe)
        found.append(Reading(lights, probe, round(volts, 3 if abs(volts) > 0.6 else 4)))
    return found


def _fed(design: Design, *, source_mohm: float = 0.0, longer: float = 1.0) -> Design:
    (feed,) = design.feeds
    length_mm = feed.length_mm * longer
    made = dataclasses.replace(feed, source_mohm=source_mohm, length_mm=length_mm)
    return dataclasses.replace(design, feeds=(made,))


def _of_feed(finding: Finding) -> float:
    """Return the probability that a joint of the feed is bad."""
    return sum(s.probability for s in finding.suspects if s.where in ("feed1+", "feed1-"))


@pytest.mark.parametrize(("source_mohm", "longer"), [(20.0, 1.0), (0.0, 1.5), (12.0, 1.3)], ids=str)
def test_a_healthy_unit_with_another_feed_has_no_suspect(
    pond: Design, engine: Engine, source_mohm: float, longer: float
) -> None:
    unit = _fed(pond, source_mohm=source_mohm, longer=longer)
    by_volts = engine.diagnose(_read(unit, RAIL_VOLTS))
    assert _of_feed(by_volts) < 0.2
    by_drops = engine.diagnose(_read(unit, RAIL_VOLTS + DROPS))
    assert _of_feed(by_drops) < 0.01
    assert by_drops.healthy > 0.85


def test_a_bad_feed_joint_is_found_by_its_own_drop(pond: Design, engine: Engine) -> None:
    unit = _fed(pond, source_mohm=10.0)
    readings = _read(unit, RAIL_VOLTS[:2] + DROPS, {"feed1-": 0.08})
    first = engine.diagnose(readings).suspects[0]
    assert (first.where, first.fault) == ("feed1-", "resistive")
    assert first.probability > 0.99
    assert first.ohms is not None
    assert first.ohms.low < 0.08 < first.ohms.high


def test_the_next_reading_separates_a_feed_joint_from_its_cable(
    pond: Design, engine: Engine
) -> None:
    """60 mΩ above the design is much for a healthy feed, and usual for a bad joint."""
    finding = engine.diagnose(_read(pond, RAIL_VOLTS[:2], {"feed1+": 0.06}))
    assert finding.next.probe is not None
    assert str(finding.next.probe) in {"feed1", *(probe for _, probe in DROPS)}
