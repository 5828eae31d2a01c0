"""The any-prop study makes valid designs, true units, and the same rows each time."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest

from benchtest.pattern import frame_from_duty
from benchtest.prop.design import rail_probe
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.node_kinds import catalogue
from benchtest.prop.notation import meter_places
from tests.bench.any_prop import try_unit
from tests.bench.any_prop_designs import FIXED, LOADS, SHAPES, at_full_white, made_design
from tests.bench.any_prop_units import STATES, Unit, hidden_of, state_of

SEED = 20
"""Of these tests only; no study uses it."""
COUNT = 50
SMALL = {8: "sound", 34: "short of ohms", 45: "two", 54: "warm joint", 57: "open", 67: "fuse blown"}
"""Small units of this seed and their states, ngspice's time for each below a second."""
QUICK = 98
"""A unit that is done in a fifth of a second: a node that is dark."""
MOST_V = 20e-6
"""Permissible difference of the two solvers, for rail volts of up to 12 V. [V]"""


def test_designs_are_valid_and_light_at_full_white() -> None:
    made = [made_design(SEED, number) for number in range(COUNT)]
    for one in made:  # `parse_design` has read each of them, or it would not be here
        kind, full = one.design.node, at_full_white(one.design)
        assert full.starts
        assert full.lowest_node[1] > kind.logic_v
        assert 2 <= len(one.design.strands) <= 32
        assert all(10 <= strand.nodes <= 100 for strand in one.design.strands)
    assert {one.shape for one in made} == {*SHAPES, FIXED}
    assert {one.load for one in made} == set(LOADS)
    families = {one.design.node.family for one in made}
    assert families == {kind.family for kind in catalogue().values()}
    assert {len(one.design.feeds) for one in made} >= {1, 2, 3}


def test_every_state_comes_in_each_block_and_units_can_be_built() -> None:
    block = [state_of(SEED, number) for number in range(len(STATES))]
    assert sorted(block) == sorted(STATES)
    for number in range(0, len(STATES), 2):
        Unit(made_design(SEED, number), SEED, number)


def test_no_two_studies_share_units() -> None:
    ours = {made_design(SEED, number).text for number in range(6)}
    theirs = {made_design(SEED + 1, number).text for number in range(6)}
    assert not ours & theirs


@pytest.mark.parametrize("number", SMALL, ids=SMALL.values())
def test_truth_agrees_with_ngspice(number: int) -> None:
    made = made_design(SEED, number)
    assert hidden_of(made, SEED, number).state == SMALL[number]
    units = [Unit(made, SEED, number, truth) for truth in ("ngspice", "ours")]
    for text in ("all", "1"):
        lit = parse_lit_set(text, made.design)
        for unit in units:
            unit.receive(frame_from_duty(lit.duty(made.design)))
        theirs, ours = (unit.point for unit in units)
        np.testing.assert_allclose(ours.node_v, theirs.node_v, atol=MOST_V, rtol=0.0)
        for place in meter_places(made.design):
            probe = rail_probe(place)
            assert ours.volts(probe) == pytest.approx(theirs.volts(probe), abs=MOST_V, rel=0.0)


def test_two_runs_give_equal_rows() -> None:
    rows = [asdict(try_unit(SEED, QUICK)[0]) for _ in range(2)]
    for row in rows:
        assert row["cpu_s"]
        assert not row["end"].startswith("failed")
        del row["cpu_s"], row["peak_mib"]  # what the machine makes of it
    assert rows[0] == rows[1]


def test_a_unit_whose_readings_all_moved_at_its_last_repair_is_released() -> None:
    row, _ = try_unit(20261203, 67)
    assert row.end == "released"
    assert row.left == ()
