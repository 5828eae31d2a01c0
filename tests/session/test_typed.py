"""A reading as it is typed: slips of sign and range are asked about, faults are not."""

from __future__ import annotations

import pytest

from benchtest.evidence.meter import DEFAULT_METER
from benchtest.session.typed import judge_typed


@pytest.mark.parametrize(
    ("text", "expected_v", "meant_v"),
    [
        ("482", 0.482, 0.482),     # the display said mV
        ("482", 0.005, 0.482),     # and the joint is bad besides: 482 V the prop cannot give
        ("48.2", 4.8, 4.82),       # a point in the wrong place
        ("0.482", 4.8, 4.82),
        ("-4.82", 4.8, 4.82),      # leads the wrong way round
        ("-482", -0.48, -0.482),
        ("4820", 4.8, 4.82),       # typed in mV
        ("41", 4.8, 4.1),          # the point forgotten, on a strand that is low
    ],
)  # fmt: skip
def test_a_slip_is_asked_about(text: str, expected_v: float, meant_v: float) -> None:
    typed = judge_typed(text, expected_v, 0.01, DEFAULT_METER, most_v=5.0)
    assert typed.meant_v == pytest.approx(meant_v)
    assert typed.hint == f"did you mean {meant_v:g}?"


@pytest.mark.parametrize(
    ("text", "expected_v"),
    [("4.1", 4.8), ("3.2", 4.8), ("0.3", 0.005), ("-0.3", 0.005), ("0", 4.8), ("4.79", 4.8)],
)
def test_what_a_fault_can_do_is_no_slip(text: str, expected_v: float) -> None:
    typed = judge_typed(text, expected_v, 0.01, DEFAULT_METER, most_v=5.0)
    assert (typed.meant_v, typed.hint) == (None, "")
    assert typed.volts == float(text)


def test_nobody_is_asked_about_digits_that_the_meter_has_not() -> None:
    # a tenth of -2.4 mV is -0.24 mV, and this meter shows tenths of a millivolt
    typed = judge_typed("-0.0024", -0.0002, 0.0002, DEFAULT_METER, most_v=5.0)
    assert (typed.meant_v, typed.hint) == (None, "")
    finer = judge_typed("-4.82137", 4.8, 0.01, DEFAULT_METER, most_v=5.0)
    assert finer.meant_v == pytest.approx(4.82137)


def test_more_than_the_meter_shows_is_said_where_no_slip_explains_it() -> None:
    typed = judge_typed("61", 4.8, 0.01, DEFAULT_METER, most_v=5.0)
    assert typed.volts is None
    assert "beyond the meter" in typed.hint
