"""After a repair, only what it touches is tested again."""

from __future__ import annotations

import pytest

from benchtest.diagnosis import still_valid, touched_by
from benchtest.errors import NameFault
from benchtest.evidence.reading import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit import parse_lit
from benchtest.prop.names import parse_probe


def _reading(design: Design, lit: str, probe: str) -> Reading:
    return Reading(parse_lit(lit, design), parse_probe(probe, design), 4.8)


def test_a_power_joint_touches_its_strand_and_a_feed_all(fan: Design) -> None:
    assert touched_by(fan, "4A+") == {4}
    assert touched_by(fan, f"{fan.feeds[0].name}-") == set(range(1, 13))


def test_a_data_joint_touches_its_hop_and_what_data_reaches_after_it(fan: Design) -> None:
    assert touched_by(fan, "9Bd") == {9, 10, 11, 12}
    assert touched_by(fan, "11.3") == {11, 12}
    assert touched_by(fan, "1Ad") == set(range(1, 13))


def test_readings_that_the_joint_moved_are_stale_and_others_stand(fan: Design) -> None:
    readings = [
        _reading(fan, "all", "foot:4+>4A+"),
        _reading(fan, "4", "4B"),
        _reading(fan, "9", "foot:9+>9A+"),
        _reading(fan, "9", "crown:9->9B-"),
    ]
    assert still_valid(fan, "4A+", readings) == [False, False, True, True]


def test_readings_stand_where_the_strands_after_a_data_joint_were_dark(fan: Design) -> None:
    readings = [_reading(fan, "1-3", "2A"), _reading(fan, "all", "2A")]
    assert still_valid(fan, "9Bd", readings) == [True, False]


def test_work_on_a_joint_that_is_not_there_is_refused(fan: Design) -> None:
    with pytest.raises(NameFault, match="no joint"):
        touched_by(fan, "44A+")
