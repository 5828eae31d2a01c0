"""Least intervals of frames, by the standards and by data sheets of chips."""

from __future__ import annotations

import pytest

from benchtest.drive.driver import KEEP_ALIVE_INTERVAL_S, MAX_FRAMES_PER_S
from benchtest.drive.e131.other_sources import DATA_LOSS_S
from benchtest.drive.frame_clock import MIN_PACKET_INTERVAL_S

BREAK_US, MARK_US, SLOT_US = 92, 12, 44
"""Least times of one universe. Source: ANSI E1.11 (USITT DMX512-A), from memory."""


def test_the_ceiling_of_512_slots_is_44_hertz() -> None:
    slowest_us = BREAK_US + MARK_US + 513 * SLOT_US
    assert slowest_us == 22_676
    assert 1e6 / slowest_us == pytest.approx(44.10, abs=0.005)
    # ANSI E1.31-2018, 6.6.1: at most that
    assert slowest_us / 1e6 <= MIN_PACKET_INTERVAL_S < 1 / MAX_FRAMES_PER_S


def test_keep_alives_are_within_the_standards_bounds() -> None:
    # ANSI E1.31-2018, 6.6.2: one each 800 to 1000 ms; 6.7.1: data loss after 2.5 s
    assert 0.8 <= KEEP_ALIVE_INTERVAL_S <= 1.0
    assert 3 * KEEP_ALIVE_INTERVAL_S < DATA_LOSS_S  # two consecutive losses are tolerated


@pytest.mark.parametrize(("nodes", "colours", "expected_ms"), [(400, 3, 12.0), (2000, 3, 60.0)])
def test_a_node_takes_30_microseconds_on_the_led_wire(
    nodes: int, colours: int, expected_ms: float
) -> None:
    bit_us = 1.25  # WS2812B data sheet: TH + TL = 1.25 µs
    node_us = bit_us * 8 * colours
    assert node_us == 30.0
    assert nodes * node_us / 1e3 == expected_ms
