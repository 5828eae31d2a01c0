"""Checks before power: the meter's reading decides, and a failed check names the remedy."""

from __future__ import annotations

import math

import pytest

from benchtest.errors import InputError
from benchtest.prop.design import Design
from benchtest.session.log.events import CHECKS, CheckMade
from benchtest.session.log.power_checks import (
    CheckKey,
    all_checks,
    check_question,
    check_unit,
    due_checks,
    judge_check,
    meant_supply,
    parse_ohms,
)

RAILS: CheckKey = ("rails", "main")
SUPPLY: CheckKey = ("supply", "main")


@pytest.mark.parametrize(
    ("text", "ohm"),
    [("470", 470.0), ("12.5k", 12.5e3), ("1.2 MΩ", 1.2e6), ("0.4 Ω", 0.4), ("0L", math.inf)],
)
def test_ohms_are_read_as_meters_show_them(text: str, ohm: float) -> None:
    assert parse_ohms(text) == pytest.approx(ohm)


@pytest.mark.parametrize("text", ["", "abc", "-3", "k", "nan"])
def test_an_invalid_resistance_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_ohms(text)


# An ohmmeter's leads alone show 0.2 to 0.5 Ω (a maker's page on test leads); below 5 Ω both ways
# round the rails touch (common practice, no source).
@pytest.mark.parametrize(("text", "passed"), [("0.4", False), ("4.9", False), ("60", False),
                                              ("12k", True), ("OL", True)])  # fmt: skip
def test_rails_that_touch_get_no_power(fan: Design, text: str, passed: bool) -> None:
    made = judge_check(fan, RAILS, text)
    assert made.passed is passed
    words = check_question(fan, RAILS, made)
    assert ("Do not power it" in words) is (text in ("0.4", "4.9"))


# IEC 60038 and makers' sheets give d.c. supplies ± 5 % and more (common practice); the node kind's
# own limit is its highest volts.
@pytest.mark.parametrize(("text", "passed"), [("5.02", True), ("4.8", True), ("4.6", False),
                                              ("5.4", False), ("12.1", False),
                                              ("-5.0", False)])  # fmt: skip
def test_a_supply_is_near_its_volts_and_the_right_way_round(
    fan: Design, text: str, passed: bool
) -> None:
    made = judge_check(fan, SUPPLY, text)
    assert (made.passed, made.volts) == (passed, float(text))
    if text == "-5.0":
        assert "reversed leads" in check_question(fan, SUPPLY, made)


def test_a_visual_check_takes_no_number(fan: Design) -> None:
    assert [check_unit(check) for check in CHECKS] == ["Ω", "", "", "V"]
    with pytest.raises(InputError, match="this check is visual"):
        judge_check(fan, ("fuse", "main"), "1")


def test_the_fuse_of_the_prop_file_is_named(fan: Design) -> None:
    assert "an intact fuse of 1 A or less fitted in feed main" in check_question(
        fan, ("fuse", "main")
    )


def test_checks_are_due_until_they_pass_and_rails_again_after_solder(fan: Design) -> None:
    every = all_checks(fan)
    assert every == [(check, "main") for check in CHECKS]
    good = {key: CheckMade(*key, passed=True) for key in every}
    assert due_checks(fan, {}, (), fresh=True) == every
    assert due_checks(fan, {}, (), fresh=False) == []  # power has long been on
    assert due_checks(fan, good, (), fresh=True) == []
    assert due_checks(fan, good, {RAILS}, fresh=False) == [RAILS]
    bad = {**good, SUPPLY: CheckMade(*SUPPLY, passed=False)}
    assert due_checks(fan, bad, (), fresh=False) == [SUPPLY]
    left = {**good, SUPPLY: CheckMade(*SUPPLY, passed=None)}
    assert due_checks(fan, left, (), fresh=True) == []


@pytest.mark.parametrize(
    ("text", "meant"),
    [("49.3", "4.93"), ("493", "4.93"), ("4930", "4.93"), ("0.493", "4.93"), ("4.39", ""),
     ("5.6", ""), ("-4.93", ""), ("", ""), ("abc", "")],
)  # fmt: skip
def test_a_misplaced_decimal_point_of_supply_volts_is_noticed(
    fan: Design, text: str, meant: str
) -> None:
    assert meant_supply(fan, SUPPLY, text) == meant
    assert meant_supply(fan, RAILS, text) == ""
