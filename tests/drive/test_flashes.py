"""No large area flashes more than three times in any one second: WCAG 2.2, criterion 2.3.1.

Flashes are counted here by the criterion's own words, independent of the limit: a pair of opposing
changes of a tenth or more, at one place, in each window of a second.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.drive.frame_clock import LARGE_AREA_NODES, FlashGuard
from benchtest.pattern import frame_from_duty, load_patterns
from benchtest.prop.design import Design

Played = Sequence[tuple[float, np.ndarray]]
"""Frames with the time each was sent. [s]"""


def turns(levels: Sequence[float]) -> list[int]:
    """Return the indices at which a level has risen or fallen by a tenth of full, alternating."""
    found: list[int] = []
    low = high = levels[0]
    up = None
    for place, level in enumerate(levels):
        low, high = min(low, level), max(high, level)
        rises = up is not True and level - low >= 25.5
        if rises or (up is not False and high - level >= 25.5):
            found.append(place)
            low = high = level
            up = rises
    return found


def flashes(played: Played) -> int:
    """Return the most flashes in any one second that a large area's number of nodes all show."""
    times = np.array([at_s for at_s, _ in played])
    levels = np.stack([frame for _, frame in played], axis=2).astype(float)
    most = 0
    turned = np.zeros(levels.shape, dtype=int)
    for node, colour in np.ndindex(levels.shape[:2]):
        turned[node, colour, turns(levels[node, colour].tolist())] = 1
    for start_s in times:
        window = (start_s <= times) & (times < start_s + 1.0)
        worst = np.sort(turned[:, :, window].sum(axis=2).max(axis=1) // 2)
        most = max(most, worst[-LARGE_AREA_NODES] if len(worst) >= LARGE_AREA_NODES else 0)
    return most


def guarded(wanted: Played, nodes: int) -> list[tuple[float, np.ndarray]]:
    """Return the frames sent for the frames wanted: a delayed frame is replaced by the next one."""
    guard, out = FlashGuard(nodes, 3), []
    out.append((wanted[0][0] - 10.0, np.zeros((nodes, 3), dtype=np.uint8)))
    for (now_s, frame), (next_s, _) in pairwise([*wanted, (wanted[-1][0] + 5.0, wanted[-1][1])]):
        at_s = guard.admit(frame, now_s)
        if now_s < at_s < next_s:
            assert guard.admit(frame, at_s) == at_s
        if at_s < next_s:
            out.append((at_s, frame))
    return out


def _blink(nodes: int, every_s: float, count: int, lit: int | None = None) -> Played:
    frames = []
    for number in range(count):
        frame = np.zeros((nodes, 3), dtype=np.uint8)
        frame[: lit or nodes] = 255 * (number % 2 == 0)
        frames.append((number * every_s, frame))
    return frames


def test_the_count_finds_known_flashes() -> None:
    assert flashes(_blink(8, 0.1, 21)) == 5  # ten changes a second are five flashes
    assert flashes(_blink(8, 0.25, 9)) == 2
    assert flashes(_blink(8, 0.1, 21, lit=LARGE_AREA_NODES - 1)) == 0  # too few nodes
    steady = [(number * 0.1, np.full((8, 3), 90 + number, dtype=np.uint8)) for number in range(20)]
    assert flashes(steady) == 0


@pytest.mark.parametrize("every_s", [0.025, 0.05, 0.1, 0.12])
def test_a_strobe_is_limited_to_three_flashes_a_second(every_s: float) -> None:
    wanted = _blink(8, every_s, 120)
    assert flashes(wanted) > 3
    out = guarded(wanted, 8)
    assert flashes(out) <= 3
    assert any(frame.any() for _, frame in out)  # slowed, not dark


def test_slow_changes_are_not_delayed() -> None:
    wanted = _blink(8, 0.2, 40)  # 2.5 flashes a second
    assert len(guarded(wanted, 8)) == 1 + len(wanted)


def test_a_few_nodes_may_blink_fast() -> None:
    wanted = _blink(30, 0.05, 40, lit=LARGE_AREA_NODES - 1)
    assert len(guarded(wanted, 30)) == 1 + len(wanted)


def test_going_dark_is_never_delayed() -> None:
    guard = FlashGuard(8, 3)
    white, dark = np.full((8, 3), 255, dtype=np.uint8), np.zeros((8, 3), dtype=np.uint8)
    for at_s in (0.0, 0.1, 0.2):
        assert guard.admit(white, at_s) == at_s
        assert guard.admit(dark, at_s + 0.05) == at_s + 0.05
    assert guard.admit(white, 0.3) == 1.0  # one second after the first of the last three
    assert guard.admit(dark, 0.31) == 0.31


def test_a_change_of_colour_is_a_change() -> None:
    # red and green in turn keep their sum: the criterion counts saturated red for itself
    red, green = np.zeros((2, 8, 3), dtype=np.uint8)
    red[:, 0], green[:, 1] = 255, 255
    wanted = [(number * 0.1, red if number % 2 else green) for number in range(40)]
    assert flashes(wanted) > 3
    assert flashes(guarded(wanted, 8)) <= 3


@settings(max_examples=40, deadline=None)
@given(
    levels=st.lists(st.lists(st.integers(0, 255), min_size=6, max_size=6), min_size=2, max_size=60),
    every_s=st.sampled_from([0.025, 0.04, 0.1, 0.2]),
)
def test_random_frames_never_flash_too_often(levels: list[list[int]], every_s: float) -> None:
    wanted = [
        (number * every_s, np.repeat(np.array(row, dtype=np.uint8)[:, None], 3, axis=1))
        for number, row in enumerate(levels)
    ]
    assert flashes(guarded(wanted, 6)) <= 3


@pytest.mark.parametrize("name", sorted(load_patterns()))
@pytest.mark.parametrize(("strands", "nodes"), [(1, 1), (1, 4), (2, 2), (12, 30)])
def test_no_shipped_pattern_flashes_or_is_delayed(
    make_fan: Callable[..., Design], name: str, strands: int, nodes: int
) -> None:
    pattern, fan = load_patterns()[name], make_fan(strands, nodes)
    steps = pattern.steps(fan)[:60]
    count = max(8, len(steps) + 3)  # repeated, so that the last step meets the first
    played = [
        (number * pattern.hold_s, frame_from_duty(steps[number % len(steps)].duty))
        for number in range(count)
    ]
    assert flashes(played) <= 3
    assert len(guarded(played, fan.node_count)) == count + 1
