"""The same reading again and again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchtest.diagnosis import Engine, Finding, PreRepairEvidence
from benchtest.diagnosis.batch.joint_comparison import joint_ohms
from benchtest.diagnosis.batch.learn import learn
from benchtest.diagnosis.batch.model import UnitReadings
from benchtest.diagnosis.likelihood.duplicates import MOST_ALIKE, drop_duplicates
from benchtest.evidence.readings import Reading
from benchtest.prop.design import Design
from benchtest.prop.lit_set import parse_lit_set
from benchtest.prop.notation import parse_probe


def _readings(fan: Design) -> tuple[Reading, Reading]:
    lit = parse_lit_set("all", fan)
    return (
        Reading(lit, parse_probe("4B", fan), 4.612),
        Reading(lit, parse_probe("foot:4+>4A+", fan), 0.0312),
    )


def test_a_display_counts_so_often_and_no_more_whenever_it_was_read(fan: Design) -> None:
    end, joint = _readings(fan)
    later = replace(end, at="2026-11-26T18:00:00+00:00")
    told, stands_by = drop_duplicates([end, joint, *[later] * (MOST_ALIKE + 2), joint])
    assert told == [0, 1, *range(2, MOST_ALIKE + 1), MOST_ALIKE + 4]
    assert [told[row] for row in stands_by[-4:]] == [*[MOST_ALIKE] * 3, MOST_ALIKE + 4]


def test_another_display_is_another_reading(fan: Design) -> None:
    end, joint = _readings(fan)
    others = [replace(end, volts=4.612 + 0.001 * step) for step in range(MOST_ALIKE + 1)]
    assert drop_duplicates([*others, joint])[0] == list(range(MOST_ALIKE + 2))


def test_nor_does_it_before_a_repair_in_a_comparison_or_for_a_batch(
    fan: Design, fan_engine: Engine
) -> None:
    end, joint = _readings(fan)
    often, more = ([*[end] * count, joint] for count in (MOST_ALIKE, MOST_ALIKE + 30))

    def after(then: list[Reading]) -> Finding:
        kept = tuple(reading for reading in then if reading == end)
        before = PreRepairEvidence("4A+", tuple(then), (), kept)
        return fan_engine.diagnose(kept, repaired=["4A+"], before=[before])

    assert after(more).suspects == after(often).suspects
    assert joint_ohms(fan, UnitReadings("WF-01", more))[0].ohms == (
        joint_ohms(fan, UnitReadings("WF-01", often))[0].ohms
    )
    learned = [
        learn(fan, [UnitReadings("WF-01", [end] * n)]) for n in (MOST_ALIKE, MOST_ALIKE + 30)
    ]
    assert learned[0].learned_from == ("WF-01",)
    assert learned[1].factors == learned[0].factors
    assert learned[1].priors == learned[0].priors


def test_a_table_pasted_into_itself_makes_nobody_surer(fan: Design, fan_engine: Engine) -> None:
    end, joint = _readings(fan)
    often = fan_engine.diagnose([*[end] * MOST_ALIKE, joint])
    more = fan_engine.diagnose([*[end] * (MOST_ALIKE + 30), joint])
    assert more.suspects == often.suspects
    assert more.healthy == often.healthy
    assert len(more.readings) == MOST_ALIKE + 31
    assert [row.z for row in more.readings[:-1]] == pytest.approx(
        [often.readings[0].z] * (len(more.readings) - 1)
    )
    assert more.readings[-1] == often.readings[-1]
