"""Evidence from before a repair counts after it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from benchtest.diagnosis import Engine, Finding, PreRepairEvidence
from benchtest.diagnosis.inference.condensed_evidence import condense
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.inference.posterior import FaultHypothesis, log_odds
from benchtest.diagnosis.model.faults import fault_space
from benchtest.diagnosis.thresholds import REPAIRED_ODDS_SHARE
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.wording import reason_text
from tests.diagnosis.conftest import Bench


@pytest.fixture(scope="module")
def comb(make_fan: Callable[..., Design]) -> Design:
    """Five strands on one bus: each drop is that of one joint."""
    return make_fan(5, 12, crown=False)


@pytest.fixture(scope="module")
def engine(comb: Design) -> Engine:
    return Engine(comb)


def _read(bench: Bench, *probes: str) -> tuple[Reading, ...]:
    lit = all_lit(bench.design)
    return tuple(bench.read(lit, parse_probe(probe, bench.design)) for probe in probes)


def _chance(finding: Finding, where: str) -> float:
    return sum(suspect.probability for suspect in finding.suspects if suspect.where == where)


DROPS = ("foot:2+>2A+", "foot:2->2A-", "foot:4+>4A+", "foot:4->4A-", "1A", "3A", "5A")


def test_the_second_of_two_bad_joints_is_suspected_after_the_first_is_repaired(
    comb: Design, engine: Engine
) -> None:
    then = _read(Bench(comb, {"2A-": 0.5, "4A+": 0.9}, seed=3), *DROPS)
    finding = engine.diagnose([], repaired=["2A-"], before=[PreRepairEvidence("2A-", then)])
    assert finding.suspects[0].where == "4A+"
    assert _chance(finding, "4A+") > 0.75  # the rest: its own drop was a slip
    assert _chance(finding, "2A-") < 0.05
    reason = reason_text(finding.suspects[0], comb)
    assert reason.startswith("Before 2A- was repaired: foot 4+ > 4A+ with all lit")


def test_a_table_with_a_given_fault_is_near_the_solved_circuits(
    comb: Design, engine: Engine
) -> None:
    cache, given = engine.usual.cache, FaultHypothesis("2A-", "resistive", 89)  # 5 ohm
    case = EvidenceSet(_read(Bench(comb, {"2A-": 5.0}, seed=4), *DROPS), (), DEFAULT_METER, ())
    table = condense(cache.of(case), None).with_given((given,), ())
    exact = cache.of(case, (given,))
    names = [joint.name for joint in exact.responses.space.joints]
    few = [n for n, name in enumerate(names) if name[0] in "135"]
    expected = exact.joints[few, 0] - exact.healthy
    found = table.joints([names[n] for n in few])[:, 0] - table.healthy
    assert found == pytest.approx(expected, abs=3.5)


def test_other_joints_stay_cleared_after_a_repair(comb: Design, engine: Engine) -> None:
    then = _read(Bench(comb, {"2A-": 0.5}, seed=4), *DROPS)
    forgot = engine.diagnose([], repaired=["2A-"])
    knows = engine.diagnose([], repaired=["2A-"], before=[PreRepairEvidence("2A-", then)])
    for joint in ("4A+", "4A-", "2A+"):
        assert _chance(knows, joint) < 0.2 * _chance(forgot, joint)
    # no reading since: as probable as after any repair
    assert _chance(knows, "2A-") < 0.01
    assert {band.name: band.cleared_ohm for band in knows.joints}["2A-"] is None


def test_after_a_needless_repair_the_bad_joint_is_the_first_suspect(
    comb: Design, engine: Engine
) -> None:
    """The wrong joint of two equal suspects is repaired: the same readings now accuse the other."""
    then = _read(Bench(comb, {"3A+": 0.4}, seed=5), "1A", "3A", "5A")
    first = engine.diagnose(then)
    assert _chance(first, "3A-") == pytest.approx(_chance(first, "3A+"), abs=0.05)
    lit = all_lit(comb)
    drop = Reading(lit, parse_probe("foot:3->3A-", comb), 0.0021)
    finding = engine.diagnose([drop], repaired=["3A-"], before=[PreRepairEvidence("3A-", then)])
    assert finding.suspects[0].where == "3A+"


def test_a_dark_node_marked_before_a_repair_is_suspected_after_it(
    comb: Design, engine: Engine
) -> None:
    lit = all_lit(comb)
    right = tuple(Mark(lit, s.number, 1, s.nodes, "ok") for s in comb.strands)
    dark = (Mark(lit, 2, 4, 4, "dark"), Mark(lit, 4, 9, 9, "dark"))
    before = PreRepairEvidence("2.4", (), (*right, *dark))
    finding = engine.diagnose(repaired=["2.4"], before=[before])
    assert _chance(finding, "4.9") > 0.9
    assert _chance(finding, "2.4") < 0.1


def test_readings_that_a_repair_left_valid_count_once(comb: Design, engine: Engine) -> None:
    """With all readings kept, the time before the repair adds nothing to them."""
    then = _read(Bench(comb, {"4A+": 0.15}, seed=6), *DROPS)
    once = engine.diagnose(then, repaired=["1A-"])
    twice = engine.diagnose(
        then, repaired=["1A-"], before=[PreRepairEvidence("1A-", then, kept_readings=then)]
    )
    assert _chance(twice, "4A+") == pytest.approx(_chance(once, "4A+"), abs=0.01)
    assert twice.healthy == pytest.approx(once.healthy, abs=0.01)
    half = PreRepairEvidence("1A-", then, kept_readings=then[:3])
    rest = engine.diagnose(then[:3], repaired=["1A-"], before=[half])
    assert _chance(rest, "4A+") == pytest.approx(_chance(once, "4A+"), abs=0.05)


def test_a_repaired_short_remains_the_explanation_of_evidence_before_it(
    comb: Design, engine: Engine
) -> None:
    """All dark at nearly 0 V before, all lit now: no feed joint is a suspect."""
    lit = all_lit(comb)
    dark = tuple(Mark(lit, s.number, 1, s.nodes, "dark") for s in comb.strands)
    right = tuple(Mark(lit, s.number, 1, s.nodes, "ok") for s in comb.strands)
    then = tuple(Reading(lit, parse_probe(probe, comb), 0.052) for probe in ("foot:3", "2A"))
    assert _chance(engine.diagnose(then, dark), "feed1") > 0.9
    before = [PreRepairEvidence("feed1", then, dark)]
    finding = engine.diagnose(marks=right, repaired=["feed1"], before=before)
    assert finding.healthy > 0.8
    assert max(_chance(finding, where) for where in ("feed1", "feed1+", "feed1-")) < 0.02


def test_a_short_repaired_after_a_needless_repair_explains_both_times(
    comb: Design, engine: Engine
) -> None:
    lit = all_lit(comb)
    dark = tuple(Mark(lit, s.number, 1, s.nodes, "dark") for s in comb.strands)
    right = tuple(Mark(lit, s.number, 1, s.nodes, "ok") for s in comb.strands)
    then = (Reading(lit, parse_probe("foot:3", comb), 0.052),)
    before = [PreRepairEvidence("1Ad", (), dark), PreRepairEvidence("feed1", then, dark)]
    finding = engine.diagnose(marks=right, repaired=["1Ad", "feed1"], before=before)
    assert finding.healthy > 0.8


def _readings_until_repaired(
    design: Design, engine: Engine, faults: dict[str, float], seed: int
) -> int:
    """Return the number of readings taken until all faults are repaired."""
    left, taken, mended = dict(faults), 0, list[str]()
    before: list[PreRepairEvidence] = []
    bench = Bench(design, left, seed)
    for _ in range(4):
        finding = engine.diagnose(bench.readings, repaired=mended, before=before)
        while not finding.next.settled and taken < 20:
            assert finding.next.lit is not None
            assert finding.next.probe is not None
            bench.readings.append(bench.read(finding.next.lit, finding.next.probe))
            taken += 1
            finding = engine.diagnose(bench.readings, repaired=mended, before=before)
        assert finding.suspects
        where = finding.suspects[0].where
        before.append(PreRepairEvidence(where, tuple(bench.readings)))
        mended.append(where)
        left.pop(where, None)
        if not left:
            break
        bench = dataclasses.replace(bench, faults=left, readings=[])
    assert not left, mended
    return taken


@pytest.mark.parametrize("faults", [("2A-", "4A+"), ("3A+", "3A-")])
def test_two_bad_joints_are_repaired_within_thirteen_readings(
    comb: Design, engine: Engine, faults: Sequence[str]
) -> None:
    ohms = np.linspace(0.4, 1.1, len(faults)).tolist()
    taken = _readings_until_repaired(comb, engine, dict(zip(faults, ohms, strict=True)), seed=8)
    assert taken <= 13  # strand by strand: 5 voltages and 10 drops


def test_a_fault_that_was_only_estimated_does_not_explain_readings_before_a_repair(
    make_fan: Callable[..., Design],
) -> None:
    """An open feed lights nothing; its estimate must not outweigh the present evidence."""
    design = make_fan(12, 30)
    bad, good = Bench(design, {"7B+": 0.21}, seed=2), Bench(design, {}, seed=2)
    asks = [
        ("1 3 5 7 9 11", "crown:2+>crown:11+"), ("all", "crown:1->foot:1-"),
        ("2 4 6 8 10 12", "crown:1->foot:1-"), ("all", "crown:1+>foot:1+"),
        ("1-4 9-12", "crown:1+>foot:1+"), ("1 3 5 7 9 11", "crown:1+>foot:1+"),
        ("3-4 7-8 11-12", "crown:1+>foot:1+"), ("7", "crown:7+>7B+"),
    ]  # fmt: skip
    then, kept = (
        tuple(bench.read(parse_lit_set(lit, design), parse_probe(at, design)) for lit, at in some)
        for bench, some in ((bad, asks), (good, asks[:3]))
    )
    before = PreRepairEvidence("7B+", (*kept, *then[3:]), (), kept)
    finding = Engine(design).diagnose(kept, repaired=("7B+",), before=(before,))
    assert finding.healthy > 0.8


def test_a_repaired_growing_joint_leaves_no_short_suspected(comb: Design, engine: Engine) -> None:
    grown = [_read(Bench(comb, {"2A-": ohm}, seed=8), "foot:2->2A-")[0] for ohm in (0.2, 0.5, 0.8)]
    kept = _read(Bench(comb, {"2A-": 0.8}, seed=8), "foot:1->1A-", "foot:3+>3A+")
    then = (*kept, *grown)
    assert engine.diagnose(then).suspects[0].growing
    before = [PreRepairEvidence("2A-", then, kept_readings=kept)]
    finding = engine.diagnose(kept, repaired=["2A-"], before=before)
    assert finding.healthy > 0.5
    assert not [one for one in finding.suspects if one.fault == "short" and one.probability > 0.05]


def test_each_repair_of_a_place_lowers_its_odds(comb: Design) -> None:
    space = fault_space(comb)
    place = [joint.name for joint in space.joints].index("2A+")
    never, once, twice = (log_odds(space, ["2A+"] * times)[0] for times in range(3))
    step = np.log(REPAIRED_ODDS_SHARE)
    assert once[place, 50] - never[place, 50] == pytest.approx(step)
    assert twice[place, 50] - never[place, 50] == pytest.approx(2.0 * step)
    assert np.array_equal(np.delete(twice, place, axis=0), np.delete(never, place, axis=0))
