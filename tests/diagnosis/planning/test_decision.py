"""Decision rules: a finding is settled when decided, and clears no more than the readings show."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchtest.diagnosis import Engine
from benchtest.diagnosis.likelihood.marks import Appearance, log_likelihood_of, tally
from benchtest.diagnosis.planning.decision import is_decided
from benchtest.evidence.marks import Mark, Seen
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.wording import doubt_texts, finding_json, nearest_text
from tests.diagnosis.conftest import Bench


@pytest.fixture(scope="module")
def comb(make_fan: Callable[..., Design]) -> Design:
    """Five strands on one bus: no drop depends on the feed's joints."""
    return make_fan(5, 30, crown=False)


@pytest.fixture(scope="module")
def comb_engine(comb: Design) -> Engine:
    return Engine(comb)


def _looks(design: Design, seen: Seen = "ok", colour: str = "white") -> list[Mark]:
    lit = all_lit(design, 1.0, colour)
    return [Mark(lit, strand.number, 1, strand.nodes, seen) for strand in design.strands]


def _drops(bench: Bench) -> list[Reading]:
    """Return the drop across every joint of a strand; none depends on the feed's joints."""
    lit = all_lit(bench.design)
    ends = [f"foot:{n}{rail}>{n}A{rail}" for n in range(1, 6) for rail in "+-"]
    return [bench.read(lit, parse_probe(end, bench.design)) for end in ends]


def test_looks_and_drops_do_not_clear_the_joints_of_the_feed(
    comb: Design, comb_engine: Engine
) -> None:
    feed = comb.feeds[0].name
    readings = _drops(Bench(comb, {f"{feed}+": 0.2}, seed=21))
    finding = comb_engine.diagnose(readings, _looks(comb))
    shared = {band.name: band.cleared_ohm for band in finding.joints}[f"{feed}+"]
    assert shared is None or shared > 0.2
    assert finding.cleared_ohm is None or finding.cleared_ohm > 0.2


def test_finding_is_not_settled_before_a_rail_voltage_under_full_load(
    comb: Design, comb_engine: Engine
) -> None:
    feed = comb.feeds[0].name
    bench = Bench(comb, {f"{feed}+": 0.2}, seed=21)
    bench.readings = _drops(bench)
    finding = comb_engine.diagnose(bench.readings, _looks(comb))
    while finding.next.probe is not None and not finding.next.probe.is_rail:
        assert finding.next.lit is not None
        bench.readings.append(bench.read(finding.next.lit, finding.next.probe))
        assert len(bench.readings) < 20
        finding = comb_engine.diagnose(bench.readings, _looks(comb))
    ask = finding.next
    assert not ask.settled
    assert ask.lit == all_lit(comb)
    assert ask.probe is not None
    bench.readings += 2 * [bench.read(ask.lit, ask.probe)]  # twice, which excludes a slip
    finding = comb_engine.diagnose(bench.readings, _looks(comb))
    assert finding.suspects[0].where in (f"{feed}+", f"{feed}-")
    assert finding.healthy < 0.01


def test_twelve_equal_looks_count_like_one() -> None:
    right, warm = np.zeros(30, dtype=np.intp), np.full((1, 30), int(Appearance.WARM))
    one = tally(right, warm)
    assert float(log_likelihood_of(12 * one)[0]) > float(log_likelihood_of(one)[0]) - 0.2


def test_unexplained_marks_are_listed_and_keep_the_finding_open(
    comb: Design, comb_engine: Engine
) -> None:
    marks = _looks(comb)
    marks[2] = Mark(all_lit(comb), 3, 4, 9, "stuck")
    finding = comb_engine.diagnose(marks=marks)
    assert [(mark.strand, mark.nodes) for mark in finding.unexplained] == [(3, "4-9")]
    assert not finding.explained
    assert not finding.next.settled
    shown = finding_json(finding, comb)
    assert shown["marks_fit_nothing"][0]["seen"] == "stuck"
    assert shown["explained"] is False
    # right in a second look: a slip of the eye
    again = Mark(parse_lit_set("1-3", comb), 3, 1, 30, "ok")
    assert comb_engine.diagnose(marks=[*marks, again]).explained


def test_readings_outside_the_model_accuse_no_joint(comb: Design, comb_engine: Engine) -> None:
    lit = all_lit(comb)
    volts = {"3A": 4.81, "foot:1+>foot:2+": 1.5, "foot:2+>foot:3+": -1.2, "foot:3+>foot:4+": 0.9}
    volts |= {"foot:4+>foot:5+": -1.1, "foot:1->foot:2-": 0.8, "foot:2->foot:3-": -1.4}
    readings = [Reading(lit, parse_probe(name, comb), each) for name, each in volts.items()]
    finding = comb_engine.diagnose(readings)
    assert not finding.explained
    assert not finding.next.settled
    assert max((s.probability for s in finding.suspects), default=0.0) < 0.1
    assert finding.healthy < 0.1
    assert finding.fits_nothing
    assert finding.nearest
    words = " ".join(doubt_texts(finding, comb))
    assert nearest_text(finding) in words
    assert finding_json(finding, comb)["nearest"][0]["where"] == finding.nearest[0].where


def test_drops_of_the_nearest_explanation_are_read_if_none_fits(
    make_fan: Callable[..., Design],
) -> None:
    """In the end every joint of the nearest explanation was read, and the unit does not pass."""
    comb = make_fan(3, 10, crown=False)
    engine, lit = Engine(comb), all_lit(comb)
    volts = {"1A": 4.2, "2A": 1.3, "3A": 0.4, "feed1": 4.9}
    readings = [Reading(lit, parse_probe(name, comb), each) for name, each in volts.items()]
    readings += [Reading(lit, parse_probe("2A", comb), 4.4)]
    finding = engine.diagnose(readings)
    while finding.next.probe is not None:
        assert finding.next.lit is not None
        readings.append(Reading(finding.next.lit, finding.next.probe, 0.7))  # for every request
        assert len(readings) < 40
        finding = engine.diagnose(readings)
    assert finding.fits_nothing
    assert not finding.next.settled
    read = {reading.probe.points for reading in readings}
    joints = {joint.name: joint.probe.points for joint in power_joints(comb)}
    assert all(joints[one.where] in read for one in finding.nearest if one.where in joints)


def test_repeated_slip_does_not_keep_a_finding_open(comb: Design, comb_engine: Engine) -> None:
    bench, lit = Bench(comb, {}, seed=22), all_lit(comb)
    readings = [bench.read(lit, parse_probe(f"{n}A", comb)) for n in range(1, 6)]
    good = readings[2]
    assert good.volts is not None
    readings[2] = Reading(good.lit, good.probe, good.volts + 0.6)
    assert comb_engine.diagnose(readings).strange == 3
    assert not comb_engine.diagnose(readings).explained
    again = comb_engine.diagnose([*readings, good])
    assert again.strange is None
    assert again.explained
    assert again.healthy > 0.5


def test_two_faults_with_a_tie_are_not_settled_while_a_drop_separates_it(
    comb: Design, comb_engine: Engine
) -> None:
    lit = all_lit(comb)
    bench = Bench(comb, {"2A-": 1.0}, seed=23)
    readings = [
        bench.read(lit, parse_probe(name, comb)) for name in ("1A", "2A", "2A", "3A", "4A", "5A")
    ]
    marks = _looks(comb)
    marks[3:] = [Mark(lit, number, 1, 30, "dark") for number in (4, 5)]  # a data joint as well
    finding = comb_engine.diagnose(readings, marks)
    assert {"2A+", "2A-"} in [set(names) for names in finding.alike]
    assert not finding.next.settled
    assert str(finding.next.probe) in ("foot:2+>2A+", "foot:2->2A-")


@pytest.mark.parametrize(
    ("healthy", "suspects", "ties", "decided"),
    [
        (0.95, {"1A+": 0.04}, [], True),
        (0.57, {"2": 0.43}, [], False),
        (0.01, {"1A+": 0.5, "1A-": 0.49}, [], False),
        (0.01, {"1A+": 0.5, "1A-": 0.49}, [("1A+", "1A-")], True),
        (0.0, {"1A+": 0.5, "1A-": 0.5, "2Ad": 0.5, "3Ad": 0.5}, [("1A+", "1A-")], False),
        (0.0, {"1A+": 0.99, "3.4": 0.97, "2A+": 0.02}, [], True),
        (0.8, {f"{n}A+": 0.004 for n in range(1, 50)}, [], True),
        (0.0, {}, [], False),
    ],
)
def test_decided_means_healthy_or_every_fault_named(
    healthy: float, suspects: dict[str, float], ties: list[tuple[str, ...]], *, decided: bool
) -> None:
    assert is_decided(healthy, suspects, ties) is decided
