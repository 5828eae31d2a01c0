"""Typed readings: slips of sign and range are questioned, volts of faults are not."""

from __future__ import annotations

import pytest

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.session.workbench.typo_check import judge_typed


@pytest.mark.parametrize(
    ("text", "expected_v", "meant_v"),
    [
        ("48.2", 4.8, 4.82),       # a point in the wrong place
        ("0.482", 4.8, 4.82),
        ("-4.82", 4.8, 4.82),      # leads the wrong way round
        ("-482", 0.48, 0.482),
        ("4820", 4.8, 4.82),       # typed in mV
        ("41", 4.8, 4.1),          # the point forgotten, on a strand that is low
        ("0.482V", 0.0005, None),  # 482 mV across a bad joint
        ("4.94", 0.0005, 4.94),    # no tenths of mV: volts that were read between the rails
        ("0.3V", 0.0003, 0.0003),  # millivolts with the unit of volts
    ],
)  # fmt: skip
def test_a_slip_is_questioned(text: str, expected_v: float, meant_v: float | None) -> None:
    typed = judge_typed(text, expected_v, 0.0001, DEFAULT_METER, most_v=5.0)
    assert typed.meant_v == (None if meant_v is None else pytest.approx(meant_v))
    assert typed.is_doubtful == (meant_v is not None)
    if meant_v is not None:
        shown = f"{meant_v * 1e3:g} mV" if expected_v < 0.6 else f"{meant_v:g} V"
        assert typed.hint == f"did you mean {shown}?"


@pytest.mark.parametrize(
    ("text", "expected_v", "volts"),
    [
        ("4.1", 4.8, 4.1), ("3.2", 4.8, 3.2), ("0", 4.8, 0.0), ("4.79", 4.8, 4.79),
        ("300", 0.005, 0.3), ("-300", 0.005, -0.3), ("0.3V", 0.005, 0.3), ("300 mV", 4.8, 0.3),
    ],
)  # fmt: skip
def test_volts_that_a_fault_can_cause_are_not_questioned(
    text: str, expected_v: float, volts: float
) -> None:
    typed = judge_typed(text, expected_v, 0.01, DEFAULT_METER, most_v=5.0)
    assert (typed.meant_v, typed.hint) == (None, "")
    assert typed.volts == pytest.approx(volts)


def test_a_bare_number_has_the_unit_of_the_healthy_figure_next_to_it() -> None:
    assert judge_typed("0.2", 0.0, 0.0001, DEFAULT_METER).volts == pytest.approx(0.0002)
    assert judge_typed("0.2V", 0.0, 0.0001, DEFAULT_METER).volts == pytest.approx(0.2)
    assert judge_typed("0.2 V", 0.0, 0.0001, DEFAULT_METER).volts == pytest.approx(0.2)
    assert judge_typed("4.2", 4.8, 0.05, DEFAULT_METER).volts == pytest.approx(4.2)


@pytest.mark.parametrize(
    ("text", "possible_v", "says"),
    [
        # volts where no fault makes more than some millivolts; -200 mV would be as far off
        ("0.2V", (-0.004, 0.004), "did you mean 0.2 mV?"),
        ("2.31V", (-0.001, 0.001), "no fault shows 2.310 V here (-1.0 mV to 1.0 mV)."),
        ("200", (-0.004, 0.004), "did you mean 0.2 mV?"),
        ("-38", (-0.001, 0.06), "did you mean 38 mV?"),
    ],
)
def test_a_drop_that_no_fault_shows_is_asked_about(
    text: str, possible_v: tuple[float, float], says: str
) -> None:
    known = judge_typed(text, 0.0, 0.0002, DEFAULT_METER, 5.0, possible_v)
    assert (known.hint, known.is_doubtful) == (says, True)
    assert not judge_typed(text, 0.0, 0.0002, DEFAULT_METER, 5.0, (-3.0, 3.0)).is_doubtful


def test_more_than_any_supply_gives_is_asked_about() -> None:
    typed = judge_typed("6.43", 4.86, 0.05, DEFAULT_METER, 5.0, (-0.4, 5.4))
    assert typed.hint == "no fault shows 6.430 V here (-400.0 mV to 5.400 V)."
    assert typed.is_doubtful
    assert typed.volts == 6.43  # asked about, not refused


def test_no_question_about_digits_that_the_meter_does_not_show() -> None:
    # a tenth of -2.4 mV is -0.24 mV, and this meter shows tenths of a millivolt
    typed = judge_typed("-2.4", -0.0002, 0.0002, DEFAULT_METER, most_v=5.0)
    assert (typed.meant_v, typed.hint) == (None, "")
    finer = judge_typed("-4.82137", 4.8, 0.01, DEFAULT_METER, most_v=5.0)
    assert finer.meant_v == pytest.approx(4.82137)


def test_a_value_beyond_the_meter_is_reported_if_no_slip_explains_it() -> None:
    typed = judge_typed("61", 4.8, 0.01, DEFAULT_METER, most_v=5.0)
    assert typed.volts is None
    assert "exceeds the meter" in typed.hint
