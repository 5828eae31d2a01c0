"""Times of the person against sums by hand of the keystroke-level model's operators.

Card, Moran, Newell, Communications of the ACM 23(7), 1980: key 0.28 s, homing 0.4 s, decision
1.35 s.
Lead moves, range changes and settling: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from benchtest.diagnosis import Engine
from benchtest.diagnosis.planning.candidates import reachable_probes
from benchtest.diagnosis.planning.cost import (
    USUAL_TIMES,
    Leads,
    ProbeTimes,
    ReadingCost,
    leads_after,
    look_s,
    reading_cost,
    repair_s,
)
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design, Probe
from benchtest.prop.lit_set import LitSet, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from benchtest.wording import finding_json
from tests.props import SMALL_FAN

MakeFan = Callable[..., Design]
TYPED_AND_SETTLED_S = 3.5 + 1.5


@pytest.fixture(scope="module")
def fan() -> Design:
    return parse_design(SMALL_FAN, "fan.toml")


def cost_of(fan: Design, leads: Leads, probe: str, lit: str = "all") -> ReadingCost:
    return reading_cost(fan, leads, parse_lit_set(lit, fan), parse_probe(probe, fan))


def test_typed_reading_is_one_decision_one_homing_and_six_keys() -> None:
    assert USUAL_TIMES.typed_reading_s == pytest.approx(1.35 + 0.4 + 6 * 0.28, abs=0.1)


def test_first_reading_moves_both_leads_and_changes_the_light(fan: Design) -> None:
    first = cost_of(fan, Leads(), "1A")
    assert first.lead_moves == 2
    assert first.seconds == pytest.approx(5.0 + 0.2 + TYPED_AND_SETTLED_S)


def test_lead_in_place_takes_no_time(fan: Design) -> None:
    at = cost_of(fan, Leads(), "foot:1+>foot:2+").leads
    one_moves = cost_of(fan, at, "foot:1+>foot:3+")
    assert one_moves.lead_moves == 1
    # the red lead is clipped on: 4 s in place of 2.5
    assert one_moves.seconds == pytest.approx(2.5 + (4.0 - 2.5) + TYPED_AND_SETTLED_S)
    again = cost_of(fan, at, "foot:1+>foot:2+")
    assert again.lead_moves == 0
    assert again.seconds == pytest.approx(TYPED_AND_SETTLED_S)


def test_other_board_and_other_range_take_two_seconds_each(fan: Design) -> None:
    at = cost_of(fan, Leads(), "1A").leads
    same_board = cost_of(fan, at, "2A").seconds
    assert cost_of(fan, at, "2B").seconds == pytest.approx(same_board + 2.0)
    assert cost_of(fan, at, "foot:2+>foot:3+").seconds == pytest.approx(same_board + 2.0)
    assert cost_of(fan, at, "crown:1+>crown:2+").seconds == pytest.approx(same_board + 4.0)


def test_feed_is_on_the_board_of_its_pad(fan: Design) -> None:
    at = cost_of(fan, Leads(), "main+>foot:1+").leads
    assert at.board == "foot"


def test_autoranging_meter_saves_the_range_change(fan: Design) -> None:
    automatic = replace(USUAL_TIMES, range_change_s=0.0)
    at = cost_of(fan, Leads(), "1A").leads
    lit, probe = parse_lit_set("all", fan), parse_probe("1A+>2A+", fan)
    by_itself = reading_cost(fan, at, lit, probe, times=automatic)
    by_hand = reading_cost(fan, at, lit, probe)
    assert by_hand.seconds - by_itself.seconds == pytest.approx(2.0)
    assert by_itself.lead_moves == 1  # red stays on 1A+


def test_a_lead_is_clipped_on_once_and_stays_for_further_touches(fan: Design) -> None:
    probes = ["foot:1+>foot:2+", "foot:3+>foot:2+", "foot:4+>foot:2+", "foot:4+>foot:3+"]
    leads, seconds = Leads(), []
    for probe in probes:
        one = cost_of(fan, leads, probe)
        leads = one.leads
        seconds.append(one.seconds - TYPED_AND_SETTLED_S)
    both, clip, touch = 5.0 + 0.2, 2.5 + (4.0 - 2.5), 2.5
    # at last the black lead moves, and the red one is clipped on
    assert seconds == pytest.approx([both, clip, touch, clip])
    assert leads.clipped == {"red"}


def test_times_of_looks_and_repairs(fan: Design) -> None:
    assert look_s(parse_lit_set("2", fan)) == pytest.approx(0.2 + 1.5 + 0.28)
    assert look_s(parse_lit_set("all", fan)) == pytest.approx(0.2 + 3.0 + 0.28)
    assert repair_s() == pytest.approx(60.28)


def test_next_reading_states_its_time_from_the_last_places_of_the_leads(
    fan: Design,
) -> None:
    engine = Engine(fan)
    lit, probe = parse_lit_set("all", fan), parse_probe("4A", fan)
    found = engine.diagnose([Reading(lit, probe, 4.9)])
    ask = found.next
    assert ask.lit is not None
    assert ask.probe is not None
    leads = leads_after(fan, [(lit, probe)])
    expected = reading_cost(fan, leads, ask.lit, ask.probe).seconds
    assert finding_json(found, fan)["next"]["expect_s"] == pytest.approx(expected, abs=0.005)


def test_times_of_all_probes_equal_those_of_each(make_fan: MakeFan) -> None:
    design = make_fan(5, 4)
    probes, rng = reachable_probes(design), np.random.default_rng(3)
    times = ProbeTimes(design, probes)
    lits = [LitSet(frozenset([1])), LitSet(frozenset())]
    leads = [Leads()]
    for _ in range(40):
        probe = probes[int(rng.integers(len(probes)))]
        probe = probe.reversed if rng.random() < 0.3 else probe
        moved = Probe(probe.red, probes[0].black) if probe.red != probes[0].black else probe
        taken = [(lits[int(rng.integers(2))], one) for one in (probe, moved)]
        leads.append(leads_after(design, taken[: int(rng.integers(1, 3))]))
    for now in leads:
        lit = now.lit or lits[0]
        each = [reading_cost(design, now, lit, probe).seconds for probe in probes]
        turned = [reading_cost(design, now, lit, probe.reversed).seconds for probe in probes]
        assert times.seconds(now) == pytest.approx(each)
        assert times.seconds(now, exchanged=True) == pytest.approx(turned)
