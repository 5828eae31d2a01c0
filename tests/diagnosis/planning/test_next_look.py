"""Choice of the next look, and lit sets that fuses permit."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.feed_limits import PermittedLitSets
from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.diagnosis import Engine
from benchtest.diagnosis.finding import NextReading
from benchtest.diagnosis.inference.posterior import Posterior
from benchtest.diagnosis.likelihood.marks import Appearance, appearance
from benchtest.diagnosis.model.fault_response import COLUMNS, GRID_SIZE, DesignResponse
from benchtest.diagnosis.model.faults import fault_space
from benchtest.diagnosis.planning.candidates import lit_sets, permitted_sets
from benchtest.diagnosis.planning.next_look import SEEN_SHARE, choose_look
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import LitSet, all_lit
from tests.diagnosis.conftest import Bench


@pytest.fixture(scope="module")
def small(make_fan: Callable[..., Design]) -> Design:
    return make_fan(6, 8)


@pytest.fixture(scope="module")
def responses(small: Design) -> DesignResponse:
    return DesignResponse(small, fault_space(small))


def _chain(responses: DesignResponse, **parts: float) -> np.ndarray:
    """Return the probabilities of single dark nodes, shape (chain faults,)."""
    chain = np.zeros(len(responses.space.chain))
    for place, fault in enumerate(responses.space.chain):
        if fault.kind == "dead-node" and fault.stop == fault.start + 1:
            chain[place] = parts.get(f"n{fault.where.replace('.', '_')}", 0.0)
    return chain


def _found(responses: DesignResponse, chain: np.ndarray) -> Posterior:
    """Return the posterior of chain faults without joint faults."""
    joints = np.zeros((len(responses.space.joints), COLUMNS))
    return Posterior(1.0 - float(chain.sum()), joints, chain, 0.0)


def _asked(bits: float) -> NextReading:
    return NextReading(None, None, bits, settled=False)


def test_information_of_a_look_is_the_entropy_of_its_outcome_less_that_of_the_eye(
    responses: DesignResponse,
) -> None:
    found = _found(responses, _chain(responses, n2_3=0.25, n5_1=0.25))
    look = choose_look(responses, found, (), _asked(0.0))
    assert look is not None
    # by hand: each fault is seen in a quarter of the units, times SEEN_SHARE; with the fault known,
    # half of the outcomes are still open: seen or overlooked
    shown = np.array([0.25 * SEEN_SHARE, 0.25 * SEEN_SHARE, 1.0 - 0.5 * SEEN_SHARE])
    overlooked = np.array([SEEN_SHARE, 1.0 - SEEN_SHARE])
    bits = -(shown * np.log2(shown)).sum() + 0.5 * (overlooked * np.log2(overlooked)).sum()
    assert look.expect_bits == pytest.approx(bits)
    assert look.lit.strands == all_lit(responses.design).strands


def test_reading_with_more_information_per_second_precedes_a_look(
    responses: DesignResponse,
) -> None:
    found = _found(responses, _chain(responses, n2_3=0.1))
    # the look: 0.45 bits in 3.5 s; the reading: 10 s
    assert choose_look(responses, found, (), _asked(1.2)) is not None
    assert choose_look(responses, found, (), _asked(1.4)) is None
    assert choose_look(responses, _found(responses, found.chain * 0.0), (), _asked(0.0)) is None


def test_exchanged_strands_are_looked_for_with_one_of_them_lit(responses: DesignResponse) -> None:
    chain = np.array([0.5 if fault.where == "3 4" else 0.0 for fault in responses.space.chain])
    look = choose_look(responses, _found(responses, chain), (), _asked(0.0))
    assert look is not None
    assert (3 in look.lit.strands) != (4 in look.lit.strands)


def test_colour_order_is_looked_at_before_a_unit_is_settled(small: Design) -> None:
    engine, bench = Engine(small), Bench(small, {}, seed=4)
    marks: list[Mark] = []
    finding = engine.diagnose()
    for _ in range(30):
        if (look := finding.look) is not None:
            marks += _seen_right(small, look.lit)
        elif (ask := finding.next).lit is not None and ask.probe is not None:
            bench.readings.append(bench.read(ask.lit, ask.probe))
        else:
            break
        finding = engine.diagnose(bench.readings, marks)
    assert finding.next.settled
    assert {mark.lit.colour for mark in marks} >= {"red", "green"}


def test_full_white_is_looked_at_if_a_joint_may_leave_nodes_undervoltage(
    responses: DesignResponse,
) -> None:
    found = _found(responses, np.zeros(len(responses.space.chain)))
    # resistances that leave nodes warm or dim, by the exact circuit
    joint = next(n for n, one in enumerate(responses.space.joints) if not one.strands)
    name, lit = responses.space.joints[joint].name, all_lit(responses.design)
    kind = responses.design.node
    looks = {
        column: appearance(kind, responses.exact(name, column, lit).node_v[None], lit)
        for column in range(0, GRID_SIZE, 4)
    }
    warm = [
        column
        for column, look in looks.items()
        if Appearance.RIGHT < look.max() < Appearance.UNPOWERED
    ]
    found.joints[joint, warm] = 0.3 / len(warm)
    look = choose_look(responses, dataclasses.replace(found, healthy=0.7), (), _asked(0.0))
    assert look is not None
    assert (look.lit.level, look.lit.colour) == (1.0, "white")


def _seen_right(design: Design, lit: LitSet) -> list[Mark]:
    return [Mark(lit, s.number, 1, s.nodes, "ok") for s in design.strands]


def test_no_look_is_requested_twice(small: Design) -> None:
    engine = Engine(small)
    marks: list[Mark] = []
    asked = []
    while (look := engine.diagnose((), marks).look) is not None:
        asked.append(look.lit)
        marks += _seen_right(small, look.lit)
    assert 1 <= len(asked) == len(set(asked)) <= 7


def test_a_node_seen_dim_once_is_looked_at_again_and_a_second_look_clears_it(
    small: Design,
) -> None:
    engine, lit = Engine(small), all_lit(small, 0.25, "red")
    marks = [*_seen_right(small, lit), Mark(lit, 3, 4, 4, "dim")]
    first = engine.diagnose((), marks)
    assert (first.suspects[0].where, first.suspects[0].fault) == ("3.4", "dead-node")
    assert first.look is not None
    assert first.look.lit == LitSet(frozenset({3}), 0.25, "red")
    second = engine.diagnose((), [*marks, Mark(first.look.lit, 3, 1, 8, "ok")])
    at_node = [one.probability for one in second.suspects if one.where == "3.4"]
    assert sum(at_node) < first.suspects[0].probability / 3.0
    # nor does a second, unrelated fault explain one mark better
    assert second.healthy > 0.5


def test_requested_lit_sets_stay_within_the_fuses(small: Design) -> None:
    # 6 strands of 8 nodes at 36.8 mA: 1.77 A in all; a strand alone 0.33 A with the others dark
    weak = dataclasses.replace(small.feeds[0], fuse_a=0.7)
    design = dataclasses.replace(small, feeds=(weak,))
    engine = Engine(design)
    readings: list[Reading] = []
    circuit = Circuit(design)
    for _ in range(6):
        ask = engine.diagnose(readings).next
        assert ask.lit is not None
        assert ask.probe is not None
        solution = solve(circuit, ask.lit.duty(design))
        assert sum(solution.feed_a.values()) <= 0.7
        readings.append(Reading(ask.lit, ask.probe, round(solution.volts(ask.probe), 4)))
    assert len(readings) == 6


def test_lit_set_beyond_the_fuse_is_halved(small: Design) -> None:
    weak = dataclasses.replace(small.feeds[0], fuse_a=1.0)
    design = dataclasses.replace(small, feeds=(weak,))
    found = permitted_sets(lit_sets(design, np.zeros(6)), PermittedLitSets(Circuit(design)))
    assert all_lit(design) not in found
    assert LitSet(frozenset({1, 3, 5})) in found
    assert LitSet(frozenset()) in found
