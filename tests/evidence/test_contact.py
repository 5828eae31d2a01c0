"""The rule by which a touched reading is kept: figures of meters' data sheets and of wiring."""

from __future__ import annotations

import pytest

from benchtest.evidence.contact import (
    SteadyReadings,
    follows_light,
    has_changed,
    is_open,
    spread_limit_v,
)
from benchtest.evidence.meter import Meter

HAND, BENCH = Meter.parse("0.5%+3/6000"), Meter.parse("0.02%+4/200000")


def _kept(meter: Meter, volts: list[float], interval_s: float = 0.3) -> list[float | None]:
    readings = SteadyReadings(meter)
    return [readings.add(one, place * interval_s) for place, one in enumerate(volts)]


def test_a_last_digit_may_flicker_and_a_loose_contact_may_not() -> None:
    # 6 V range of 6000 counts: a step is 1 mV
    assert _kept(HAND, [4.871, 4.872, 4.871]) == [None, None, 4.871]
    assert _kept(HAND, [4.871, 0.312, 4.871, 0.0, 4.871]) == [None] * 5
    # it counts from the last jump
    assert _kept(HAND, [4.871, 4.871, 0.0, 4.871, 4.871, 4.871])[-2:] == [None, 4.871]


def test_a_fast_meter_does_not_settle_within_one_bounce() -> None:
    assert _kept(BENCH, [4.871] * 10, interval_s=0.05) == [None] * 10
    assert _kept(BENCH, [4.871] * 12, interval_s=0.05)[-1] == 4.871


def test_leads_that_lose_their_charge_are_not_steady() -> None:
    # 10 GΩ of a bench meter and 100 pF of leads: a second, read five times a second
    falling = [4.87 * 0.82**place for place in range(12)]
    assert not any(_kept(BENCH, falling, interval_s=0.2))


def test_the_spread_grows_with_the_range_and_the_reading() -> None:
    assert spread_limit_v(HAND, 4.871) == pytest.approx(3e-3 + 4.871e-3)
    assert spread_limit_v(HAND, 0.002) == pytest.approx(0.3e-3 + 2e-6)


def test_lifted_leads_are_seen_where_the_drop_is_larger_than_the_spread() -> None:
    assert has_changed(HAND, 4.871, 0.002)
    assert has_changed(HAND, 0.0020, 0.0001)  # 2 mΩ at 1 A
    assert not has_changed(HAND, 0.0003, 0.0001)
    assert not has_changed(HAND, 4.871, 4.866)


def test_a_rail_near_zero_may_be_open_and_a_drop_is_not_judged_by_its_volts() -> None:
    assert is_open(0.012, is_rail=True)
    assert is_open(-0.2, is_rail=True)
    assert not is_open(1.4, is_rail=True)  # behind an open joint: one to four volts
    assert not is_open(0.0, is_rail=False)


def test_only_touching_leads_follow_the_light() -> None:
    assert follows_light(HAND, 0.0021, 0.0001)
    assert not follows_light(HAND, 0.0004, 0.0001)
    assert not follows_light(HAND, 0.0, 0.0)
    assert follows_light(BENCH, 4.871, 4.950)
