"""The picture: neighbours unlike, every node in every colour, and its limits."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from benchtest.diagnosis.model.wiring_faults import swaps
from benchtest.pattern import alike_strands, frame_from_duty, picture_duty, tip_nodes, turn_count
from benchtest.prop.design import Design
from benchtest.prop.reader import parse_design
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.observer import InProcessProp
from benchtest.virtual.virtual_prop import VirtualProp
from tests.props import SMALL_FAN


@pytest.fixture(scope="module")
def fan() -> Design:
    """Four strands of ten nodes, data in zigzag."""
    return parse_design(SMALL_FAN, "fan.toml")


def _rows(design: Design, turn: int) -> list[np.ndarray]:
    duty = picture_duty(design, turn)
    starts = design.first_index
    return [duty[start : start + 10] for start in starts]


def test_neighbours_are_unlike_in_every_turn(fan: Design) -> None:
    for turn in range(turn_count(fan)):
        for one, other in pairwise(_rows(fan, turn)):
            middle = slice(tip_nodes(fan, 4), -tip_nodes(fan, 4))
            assert not (one[middle].astype(bool) & other[middle].astype(bool)).any()


def test_every_node_shows_every_colour_alone(fan: Design) -> None:
    turns = np.stack([picture_duty(fan, turn) > 0.0 for turn in range(turn_count(fan))])
    assert (turns.sum(axis=2) == 1).all()
    assert (turns.sum(axis=0) == 1).all()


def test_colours_differ_in_brightness_too(fan: Design) -> None:
    """Luminance of the primaries: IEC 61966-2-1, as in WCAG 2.2, relative luminance."""
    levels = picture_duty(fan, 0).max(axis=0) * np.array([0.2126, 0.7152, 0.0722])
    bright = sorted(levels.tolist())
    # WCAG 2.2, success criterion 1.4.11: a contrast of 3 to 1 distinguishes parts of a picture
    assert all(high / low > 2.9 for low, high in pairwise(bright))


def test_the_tip_is_where_data_enters_and_grows_with_every_third_strand(fan: Design) -> None:
    first, second, _, fourth = _rows(fan, 0)
    assert [row.argmax() for row in first] == [1] + [0] * 9  # A: green tip, then red
    assert [row.argmax() for row in second] == [1] * 9 + [2]  # data enters at B
    assert [row.argmax() for row in fourth] == [0] * 8 + [1] * 2


@pytest.mark.parametrize(
    "fault",
    ["colour_order=GRB", "colour_order=BGR", "2=reversed", "2=swapped:3", "2Ad=open", "3.5=dead"],
)
def test_an_eye_sees_what_is_unlike_the_drawing(fan: Design, fault: str) -> None:
    prop = InProcessProp(VirtualProp(fan, [parse_fault(fault, fan)], 1))
    seen = set()
    for turn in range(turn_count(fan)):
        prop.show(frame_from_duty(picture_duty(fan, turn)))
        seen |= {sight.seen for sight in prop.look()}
    assert seen - {"ok"}


def test_strands_that_neighbour_each_other_on_the_data_path_differ(fan: Design) -> None:
    for name, remap in swaps(fan):
        duty = picture_duty(fan, 0)
        assert not np.array_equal(remap.received(duty), duty), name


def test_exchanges_that_no_picture_shows_are_named() -> None:
    wide = parse_design(SMALL_FAN.replace("count = 4", "count = 34"), "wide.toml")
    groups = alike_strands(wide)
    assert (1, 31) in groups  # 16 enters at the other end
    one, other = (picture_duty(wide, 0, [number]) for number in (1, 31))
    rows = wide.first_index
    assert np.array_equal(one[rows[0] : rows[0] + 10], other[rows[30] : rows[30] + 10])
