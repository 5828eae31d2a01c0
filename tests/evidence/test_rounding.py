"""Rounding of readings, from the digits as typed."""

from __future__ import annotations

import pytest

from benchtest.evidence.meter import DEFAULT_METER, Meter
from benchtest.evidence.readings import Reading, count_decimals, parse_readings
from benchtest.evidence.rounding import infer_rounding_steps
from benchtest.prop.design import Design
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.prop.reader import parse_design
from tests.props import SMALL_FAN


@pytest.fixture(scope="module")
def fan() -> Design:
    return parse_design(SMALL_FAN, "small.toml")


def _typed(fan: Design, *volts: str, probe: str = "3A") -> list[Reading]:
    rows = [f"all,{probe},{text}" for text in volts]
    return list(parse_readings("\n".join(["lit,probe,volts", *rows]), "r.csv", fan).rows)


def _kept(fan: Design, *volts: float) -> list[Reading]:
    """Readings without their digits as typed."""
    lit, probe = all_lit(fan), parse_probe("3A", fan)
    return [Reading(lit, probe, each) for each in volts]


def _steps(readings: list[Reading], meter: Meter = DEFAULT_METER) -> list[float]:
    return [round(step, 6) for step in infer_rounding_steps(readings, meter).each]


def test_decimals_as_typed_give_the_step(fan: Design) -> None:
    assert _steps(_typed(fan, "4.87")) == [0.01]
    assert _steps(_typed(fan, "4.871")) == [0.0]
    assert _steps(_typed(fan, "4.87", "4.62", "4.5")) == [0.01] * 3  # 4.50
    assert _steps(_typed(fan, "4.870", "4.62")) == [0.0, 0.01]  # this person types zeros


def test_zeros_dropped_by_a_program_do_not_make_the_step_coarser(fan: Design) -> None:
    drops = _typed(fan, "0.0003", "0.0", "-0.0002", "0.001", probe="foot:3+>3A+")
    assert _steps(drops) == [0.0] * 4
    assert _steps(_typed(fan, "0.00", "0.00", probe="foot:3+>3A+")) == [0.01, 0.01]


def test_last_digits_that_are_all_zero_show_rounding(fan: Design) -> None:
    assert _steps(_kept(fan, 4.87, 4.62, 4.55, 4.71)) == [0.01] * 4
    assert _steps(_typed(fan, "4.870", "4.620", "4.550", "4.710")) == [0.01] * 4
    assert _steps(_kept(fan, 4.87, 4.62, 4.55)) == [0.0] * 3  # may be chance
    assert _steps(_kept(fan, 4.87, 4.87, 4.87, 4.87)) == [0.0] * 4  # one reading, four times
    assert _steps(_kept(fan, 4.87, 4.62, 4.55, 4.713)) == [0.0] * 4


def test_a_meter_of_2000_counts_is_recognized_without_its_name(fan: Design) -> None:
    steps = infer_rounding_steps(_kept(fan, 4.87, 4.62, 4.55, 4.71), DEFAULT_METER)
    as_read = steps.as_read(DEFAULT_METER)
    assert as_read.steps_v == pytest.approx((0.0, 0.01, 0.0))
    named = Meter.parse("0.5%+3/2000")
    assert infer_rounding_steps(_kept(fan, 4.87, 4.62, 4.55, 4.71), named).as_read(named) == named


@pytest.mark.parametrize(
    ("text", "decimals"), [("4.870", 3), ("-0.0", 1), ("+5", 0), ("1e-4", None), (".5", 1)]
)
def test_decimals_of_typed_numbers_are_counted(text: str, decimals: int | None) -> None:
    assert count_decimals(text) == decimals
