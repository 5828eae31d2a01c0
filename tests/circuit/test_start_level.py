"""Highest level at which a prop of regulated nodes starts: V² / 4R, the most that a load can take.

Source: maximum power transfer, any text on circuits. At most half the volts are left to the load.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import (
    LEVEL_BISECTIONS,
    Solution,
    highest_level,
    highest_starting_share,
    require_start,
    solve,
)
from benchtest.errors import CircuitFault
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Design, Feed, Strand, StrandEnd
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import NodeKind

MakeFan = Callable[..., Design]
MakeKind = Callable[..., NodeKind]

VOLTS, OHM = 12.0, 1.0
MOST_W = VOLTS**2 / (4.0 * OHM)
STEP = 2.0**-LEVEL_BISECTIONS


def _behind_an_ohm(make_kind: MakeKind, watts: float, level: float = 1.0) -> Solution:
    """One node of given watts, with all resistance in one joint of its feed."""
    kind = make_kind(
        "regulated",
        channel_ma=watts / VOLTS / 3.0 * 1e3,
        quiescent_ma=0.0,
        full_v=dict.fromkeys(("red", "green", "blue"), 2.0),
        dark_v=dict.fromkeys(("red", "green", "blue"), 1.0),
    )
    end, wire = StrandEnd(1, "A"), parse_wire("22 AWG")
    strand = Strand(1, 1, 30.0, (0.0, 0.0), wire)
    feed = Feed("main", end, VOLTS, wire, 0.0)
    design = Design("One", kind, (strand,), (end,), (), (), (feed,))
    circuit = Circuit(design, {"default": 0.0, "main+": OHM})
    return solve(circuit, level * all_lit(design).duty(design))


@pytest.mark.parametrize("watts", [1.0, 20.0, 35.9])
def test_a_prop_that_starts_is_accepted(make_kind: MakeKind, watts: float) -> None:
    solution = _behind_an_ohm(make_kind, watts)
    assert solution.starts
    require_start(solution)


@pytest.mark.parametrize("watts", [36.2, 144.0])
def test_the_share_that_starts_is_that_of_the_most_power(make_kind: MakeKind, watts: float) -> None:
    share, feed_a = highest_starting_share(_behind_an_ohm(make_kind, watts))
    assert MOST_W / watts - 2 * STEP <= share <= MOST_W / watts
    # the upper root of v² - V v + P R = 0, close to V / 2
    volts = (VOLTS + math.sqrt(VOLTS**2 - 4.0 * share * watts * OHM)) / 2.0
    assert feed_a["main"] == pytest.approx((VOLTS - volts) / OHM, rel=1e-4)


def test_the_error_gives_the_level_and_the_missing_amperes(make_kind: MakeKind) -> None:
    """72 W asked: half of it starts, at about 6 A; about 12 A would be asked, 6 A of it short."""
    with pytest.raises(CircuitFault) as refused:
        require_start(_behind_an_ohm(make_kind, 72.0))
    found = re.search(
        r"cannot start at level (\S+): .* feed main is (\S+) A short of about (\S+) A; "
        r"it starts up to level (\S+); use",
        str(refused.value),
    )
    assert found, refused.value
    at, short_a, asked_a, fits = map(float, found.groups())
    assert (at, fits) == (1.0, 0.5)
    assert asked_a == pytest.approx(VOLTS / OHM, rel=0.05)
    assert short_a == pytest.approx(asked_a / 2.0, abs=0.02)


def test_the_level_given_is_relative_to_full_white(make_kind: MakeKind) -> None:
    """144 W at level 0.5 are 72 W: level 0.25 starts."""
    with pytest.raises(CircuitFault, match=r"at level 0\.5: .*starts up to level 0\.25"):
        require_start(_behind_an_ohm(make_kind, 144.0, level=0.5))


def test_the_level_given_starts_and_a_slightly_higher_one_does_not(
    make_fan: MakeFan, make_kind: MakeKind
) -> None:
    design = make_fan(4, 20, kind=make_kind("regulated", channel_ma=150.0), wire="34 AWG")
    circuit, duty = Circuit(design), all_lit(design).duty(design)
    asked = solve(circuit, duty)
    assert not asked.starts
    share, feed_a = highest_starting_share(asked)
    assert 0.0 < share < 1.0
    below, above = (solve(circuit, part * duty) for part in (share, share + 2 * STEP))
    assert (below.starts, above.starts) == (True, False)
    assert below.feed_a == feed_a


def test_supply_too_low_for_the_regulator_starts_at_no_level(make_kind: MakeKind) -> None:
    """5 V, where the regulator needs 6.5."""
    solution = _starving(make_kind)
    assert not solution.starts
    assert highest_starting_share(solution)[0] == 0.0
    with pytest.raises(CircuitFault, match="no level starts") as refused:
        require_start(solution)
    assert "short of" not in str(refused.value)


def _starving(make_kind: MakeKind) -> Solution:
    """A node with a supply below that of its regulator, at any level."""
    kind = make_kind("regulated", full_v=dict.fromkeys(("red", "green", "blue"), 6.5))
    end, wire = StrandEnd(1, "A"), parse_wire("22 AWG")
    strand = Strand(1, 1, 30.0, (0.0, 0.0), wire)
    feed = Feed("main", end, 5.0, wire, 0.0)
    design = Design("One", kind, (strand,), (end,), (), (), (feed,))
    return solve(Circuit(design), all_lit(design).duty(design))


def test_nodes_of_other_families_always_start(make_fan: MakeFan, make_kind: MakeKind) -> None:
    design = make_fan(2, 25, kind=make_kind(channel_ma=60.0), crown=False, wire="36 AWG")
    solution = solve(Circuit(design), all_lit(design).duty(design))
    assert solution.node_v.min() < 3.0
    require_start(solution)


def test_a_dark_prop_starts_at_any_volts(make_kind: MakeKind) -> None:
    lit = _starving(make_kind)
    require_start(solve(lit.circuit, np.zeros_like(lit.duty)))


@pytest.mark.parametrize("edge", [0.0, 0.1, 1 / 3, 0.5, 0.999])
@pytest.mark.parametrize("halvings", [4, 10, 12])
def test_bisection_ends_within_one_step_below_the_edge(edge: float, halvings: int) -> None:
    found = highest_level(lambda level: level <= edge, halvings)
    assert edge - 0.5**halvings <= found <= edge
