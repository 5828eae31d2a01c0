"""Duplicate readings beyond a limit change nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchtest.diagnosis import Engine, Finding, PreRepairEvidence
from benchtest.diagnosis.batch.joint_comparison import joint_ohms
from benchtest.diagnosis.batch.learn import learn
from benchtest.diagnosis.batch.model import UnitReadings
from benchtest.diagnosis.likelihood.selection import drop_duplicates
from benchtest.diagnosis.thresholds import MAX_IDENTICAL_READINGS
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


def test_identical_readings_count_up_to_the_limit_whenever_taken(fan: Design) -> None:
    end_reading, joint_reading = _readings(fan)
    later = replace(end_reading, at="2026-11-26T18:00:00+00:00")
    kept, kept_for = drop_duplicates(
        [end_reading, joint_reading, *[later] * (MAX_IDENTICAL_READINGS + 2), joint_reading]
    )
    assert kept == [0, 1, *range(2, MAX_IDENTICAL_READINGS + 1), MAX_IDENTICAL_READINGS + 4]
    assert [kept[row] for row in kept_for[-4:]] == [
        *[MAX_IDENTICAL_READINGS] * 3,
        MAX_IDENTICAL_READINGS + 4,
    ]


def test_another_value_is_another_reading(fan: Design) -> None:
    end_reading, joint_reading = _readings(fan)
    others = [
        replace(end_reading, volts=4.612 + 0.001 * step)
        for step in range(MAX_IDENTICAL_READINGS + 1)
    ]
    assert drop_duplicates([*others, joint_reading])[0] == list(range(MAX_IDENTICAL_READINGS + 2))


def test_duplicates_change_no_repair_comparison_or_batch_result(
    fan: Design, fan_engine: Engine
) -> None:
    end_reading, joint_reading = _readings(fan)
    limited, repeated = (
        [*[end_reading] * count, joint_reading]
        for count in (MAX_IDENTICAL_READINGS, MAX_IDENTICAL_READINGS + 30)
    )

    def after(then: list[Reading]) -> Finding:
        kept = tuple(reading for reading in then if reading == end_reading)
        before = PreRepairEvidence("4A+", tuple(then), (), kept)
        return fan_engine.diagnose(kept, repaired=["4A+"], before=[before])

    assert after(repeated).suspects == after(limited).suspects
    assert joint_ohms(fan, UnitReadings("WF-01", repeated))[0].ohms == (
        joint_ohms(fan, UnitReadings("WF-01", limited))[0].ohms
    )
    learned = [
        learn(fan, [UnitReadings("WF-01", [end_reading] * n)])
        for n in (MAX_IDENTICAL_READINGS, MAX_IDENTICAL_READINGS + 30)
    ]
    assert learned[0].learned_from == ("WF-01",)
    assert learned[1].factors == learned[0].factors
    assert learned[1].priors == learned[0].priors


def test_repeating_a_table_changes_no_probability(fan: Design, fan_engine: Engine) -> None:
    end_reading, joint_reading = _readings(fan)
    limited = fan_engine.diagnose([*[end_reading] * MAX_IDENTICAL_READINGS, joint_reading])
    repeated = fan_engine.diagnose([*[end_reading] * (MAX_IDENTICAL_READINGS + 30), joint_reading])
    assert repeated.suspects == limited.suspects
    assert repeated.healthy == limited.healthy
    assert len(repeated.readings) == MAX_IDENTICAL_READINGS + 31
    assert [row.z for row in repeated.readings[:-1]] == pytest.approx(
        [limited.readings[0].z] * (len(repeated.readings) - 1)
    )
    assert repeated.readings[-1] == limited.readings[-1]
