"""Data faults and dead nodes found from marks alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import betabinom

from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.inference.cache import ConditionalCache
from benchtest.diagnosis.inference.conditional import EvidenceSet
from benchtest.diagnosis.inference.posterior import FaultHypothesis
from benchtest.diagnosis.likelihood.marks import (
    EYES,
    SEEN_PROBABILITY,
    Appearance,
    appearance,
    log_likelihood_of,
    tally,
)
from benchtest.diagnosis.model.fault_response import GRID_OHM
from benchtest.diagnosis.solve_budget import SolveBudget
from benchtest.evidence.marks import Mark, Seen
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.node_kinds import catalogue


@pytest.fixture(scope="module")
def small(make_fan: Callable[..., Design]) -> Design:
    return make_fan(4, 10)


@pytest.fixture(scope="module")
def engine(small: Design) -> Engine:
    return Engine(small)


def _seen(design: Design, *rows: tuple[int, int, int, Seen]) -> list[Mark]:
    """Return marks of every strand, all lit; `rows` are those that are not `ok`."""
    lit = all_lit(design)
    right = [Mark(lit, s.number, 1, s.nodes, "ok") for s in design.strands]
    return right + [Mark(lit, strand, first, last, seen) for strand, first, last, seen in rows]


def _top(finding: Finding, least: float = 0.0) -> list[tuple[str, str]]:
    return [(s.where, s.fault) for s in finding.suspects if s.probability > least]


def test_all_lit_favors_a_healthy_data_line(small: Design, engine: Engine) -> None:
    before, after = engine.diagnose().healthy, engine.diagnose(marks=_seen(small)).healthy
    assert after > before


def test_one_dark_node_with_light_beyond_it_is_that_node(small: Design, engine: Engine) -> None:
    finding = engine.diagnose(marks=_seen(small, (3, 7, 7, "dark")))
    assert _top(finding)[0] == ("3.7", "dead-node")
    assert finding.suspects[0].probability > 0.8


def test_dark_from_a_node_on_is_that_node_or_the_output_before_it(
    small: Design, engine: Engine
) -> None:
    # strand 2 is entered at B: data runs from node 10 down to node 1
    rows = [(2, 1, 6, "dark"), (3, 1, 10, "dark"), (4, 1, 10, "dark")]
    finding = engine.diagnose(marks=_seen(small, *rows))  # type: ignore[arg-type]
    assert set(_top(finding, 0.1)) == {("2.6", "dead-node"), ("2.7", "no-data-out")}
    assert {"2.6", "2.7"} in [set(names) for names in finding.alike]


def test_dark_from_a_strand_on_is_a_data_joint_of_that_hop(small: Design, engine: Engine) -> None:
    rows = [(3, 1, 10, "dark"), (4, 1, 10, "stuck")]
    finding = engine.diagnose(marks=_seen(small, *rows))  # type: ignore[arg-type]
    assert set(_top(finding, 0.3)) == {("2Ad", "data-open"), ("3Ad", "data-open")}


def test_all_dark_is_the_first_data_joint_or_the_feed(small: Design, engine: Engine) -> None:
    rows: Sequence[tuple[int, int, int, Seen]] = [(n, 1, 10, "dark") for n in range(1, 5)]
    finding = engine.diagnose(marks=_seen(small, *rows))
    feed = small.feeds[0].name
    assert {name for name, _ in _top(finding, 0.05)} >= {"1Ad", f"{feed}+", f"{feed}-"}
    assert not finding.next.settled  # a reading of the feed separates them


def test_marks_one_node_apart_leave_both_nodes(small: Design, engine: Engine) -> None:
    alone = LitSet(frozenset([3]))
    marks = [
        *_seen(small, (3, 7, 7, "dark")),
        Mark(alone, 3, 1, 10, "ok"),
        Mark(alone, 3, 8, 8, "dark"),
    ]
    assert {name for name, _ in _top(engine.diagnose(marks=marks), 0.2)} == {"3.7", "3.8"}


def test_strands_not_looked_at_count_for_nothing(small: Design, engine: Engine) -> None:
    lit = all_lit(small)
    one_strand = engine.diagnose(marks=[Mark(lit, 1, 1, 10, "ok")])
    dark_beyond = engine.diagnose(marks=[Mark(lit, 1, 1, 10, "ok"), Mark(lit, 2, 1, 10, "dark")])
    assert one_strand.healthy > 0.5
    assert dark_beyond.healthy < 0.2


def test_a_warm_strand_implicates_its_power_joints(make_fan: Callable[..., Design]) -> None:
    one_bus = make_fan(4, 20, crown=False)
    finding = Engine(one_bus).diagnose(marks=_seen(one_bus, (2, 1, 20, "warm")))
    assert {name for name, _ in _top(finding, 0.1)} == {"2A+", "2A-"}


def test_probabilities_of_each_appearance_sum_to_one() -> None:
    assert SEEN_PROBABILITY.sum(axis=1) == pytest.approx(np.ones(len(Appearance)), abs=0.011)
    assert EYES.sum(axis=2) == pytest.approx(np.ones((3, len(Appearance))), abs=0.011)


def test_a_run_counts_once_for_any_length() -> None:
    short, long = np.ones(4, dtype=np.intp), np.ones(40, dtype=np.intp)  # all seen dark
    dark = int(Appearance.NO_DATA)
    a = log_likelihood_of(tally(short, np.full((1, 4), dark)))
    b = log_likelihood_of(tally(long, np.full((1, 40), dark)))
    assert a == pytest.approx(b)
    assert a == pytest.approx(np.log([SEEN_PROBABILITY[dark, 1]]))


@pytest.mark.parametrize("count", [1, 3, 30])
def test_dark_strands_of_one_cause_follow_a_polya_urn(count: int) -> None:
    # reference: scipy.stats.betabinom, the urn that returns two for each one drawn
    dark = np.ones(8, dtype=np.intp)
    for look in (Appearance.NO_DATA, Appearance.UNPOWERED):
        one = tally(dark, np.full((1, 8), int(look)))
        not_ok = 1.0 - SEEN_PROBABILITY[look, 0] / SEEN_PROBABILITY[look].sum()
        share = SEEN_PROBABILITY[look, 1] / SEEN_PROBABILITY[look, 1:].sum()
        expected = count * np.log(not_ok * SEEN_PROBABILITY[look].sum())
        expected += betabinom.logpmf(count, count, share, 1.0 - share)
        assert log_likelihood_of(count * one)[0] == pytest.approx(expected, abs=2e-3 * count)


def test_repeated_looks_at_a_dark_prop_hardly_separate_data_from_power(
    make_fan: Callable[..., Design],
) -> None:
    one_bus = make_fan(6, 20, crown=False)
    engine = Engine(one_bus)
    marks: list[Mark] = []
    odds = []
    for colour in ("white", "red", "green", "blue"):
        lit = LitSet(frozenset(range(1, 7)), 0.25, colour)
        marks += [Mark(lit, strand, 1, 20, "dark") for strand in range(1, 7)]
        finding = engine.diagnose(marks=marks)
        found = {(s.where, s.fault): s.probability for s in finding.suspects}
        odds.append(found["1Ad", "data-open"] / found["feed1+", "open"])
    assert max(odds) < 1.3 * min(odds)
    # no look is requested: a voltage separates them
    finding = engine.diagnose(marks=marks[:6])
    assert finding.look is None
    assert finding.next.probe is not None
    assert finding.next.probe.is_rail


def test_looks_near_the_likeliest_resistance_weigh_as_with_the_joint_given(
    make_fan: Callable[..., Design],
) -> None:
    """Compare every resistance near the likeliest with the circuit that has the joint given.

    Where white turns warm, strand by strand, moves a node for a few percent of resistance.
    """
    design = make_fan(3, 60, crown=False, wire="26 AWG", kind=catalogue()["ws2812b-5v"])
    engine, joint, ohm = Engine(design), "feed1-", 0.2
    lit = all_lit(design)
    truth = ConditionalCache(design, engine.space, engine.tolerances).responses()
    solution = truth.exact(joint, int(np.abs(np.log(GRID_OHM / ohm)).argmin()), lit)
    seen = appearance(design.node, solution.node_v, lit)
    names: dict[int, Seen] = {0: "ok", int(Appearance.WARM): "warm", int(Appearance.DIM): "dim"}
    marks: list[Mark] = []
    for strand in design.strands:
        start = design.first_index[strand.number - 1]
        row = seen[start : start + strand.nodes]
        edges = [0, *(np.flatnonzero(np.diff(row)) + 1).tolist(), strand.nodes]
        for low, high in pairwise(edges):
            marks.append(Mark(lit, strand.number, low + 1, high, names[int(row[low])]))
    assert {mark.seen for mark in marks} > {"warm"}
    case = EvidenceSet((), marks, DEFAULT_METER, (), SolveBudget(10_000_000))
    unconditional = engine.usual.cache.of(case)
    place = [one.name for one in engine.space.joints].index(joint)
    found = unconditional.marks_joints[place]
    best = int(found.argmax())
    for column in (best - 3, best, best + 3):
        given = (FaultHypothesis(joint, "resistive").at(column),)
        exact = engine.usual.cache.of(case, given).healthy
        assert found[column] == pytest.approx(exact, abs=3.0)
