"""Readings at the bench: compared while they are typed, and kept with their lit set."""

from __future__ import annotations

import numpy as np
import pytest

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.errors import InputError, NameFault
from benchtest.prop.lit_set import LitSet
from benchtest.prop.notation import parse_probe
from benchtest.session.workbench.workbench import Workbench
from tests.session.driven import asks, pass_all


def test_digits_are_ignored_or_refused_while_no_reading_is_requested(workbench: Workbench) -> None:
    assert workbench.entry.typed("4.8") is None
    with pytest.raises(InputError, match="no reading is asked for"):
        workbench.entry.take_reading("4.8")


def test_a_reading_is_compared_while_it_is_typed(workbench: Workbench) -> None:
    pass_all(workbench)
    asks(workbench, "1 3")
    empty = workbench.entry.typed("")
    assert empty is not None
    assert (empty.volts, empty.z, empty.hint) == (None, None, "")
    lit = LitSet(frozenset([1, 3]))
    solved = solve(Circuit(workbench.design), lit.duty(workbench.design))
    exact = solved.volts(parse_probe("4B", workbench.design))
    assert empty.expected_v == pytest.approx(exact, abs=0.02)
    right = workbench.entry.typed(f"{empty.expected_v:.3f}")
    assert right is not None
    assert right.z == pytest.approx(0.0, abs=0.05)
    # off by as much as healthy units spread and the meter may err: one standard deviation
    # of the spread with half the meter's limit of error (0.5 % and 3 steps of 1 mV, made 2 sigma)
    off = workbench.entry.typed(f"{empty.expected_v - 0.4:.3f}")
    assert off is not None
    volts = empty.expected_v - 0.4
    spread_v = np.hypot(empty.sd_v, (0.005 * volts + 0.003) / 2.0)
    assert off.z == pytest.approx(-0.4 / spread_v, rel=0.01)


@pytest.mark.parametrize(
    ("factor", "ending"), [(-1.0, ""), (1e3, "mV"), (0.1, ""), (10.0, ""), (0.01, ""), (1.0, "mV")]
)
def test_a_typing_slip_is_questioned(workbench: Workbench, factor: float, ending: str) -> None:
    pass_all(workbench)
    asks(workbench, "1 3")
    expected = workbench.entry.typed("")
    assert expected is not None
    found = workbench.entry.typed(f"{expected.expected_v * factor:.4f}{ending}")
    assert found is not None
    if (factor, ending) == (1e3, "mV"):
        assert found.hint == ""  # as many millivolts are the very thing
    else:
        assert found.hint.startswith("did you mean ")
        meant = float(found.hint.removeprefix("did you mean ").removesuffix(" V?"))
        assert meant == pytest.approx(expected.expected_v, rel=0.01)


@pytest.mark.parametrize(
    ("text", "said_"),
    [
        ("4,8", "write it with a decimal point: 4.8"),
        ("61", "exceeds the meter"),
        ("abc", "is not a number"),
    ],
)
def test_an_invalid_reading_is_refused_with_its_reason_and_not_kept(
    workbench: Workbench, text: str, said_: str
) -> None:
    pass_all(workbench)
    asks(workbench)
    typed = workbench.entry.typed(text)
    assert typed is not None
    assert typed.volts is None
    assert said_ in typed.hint
    with pytest.raises(InputError, match=said_):
        workbench.entry.take_reading(text)
    assert workbench.session.state.readings == ()


def test_a_reading_is_kept_with_what_was_lit(workbench: Workbench) -> None:
    pass_all(workbench)
    asks(workbench, "1 3", "crown:2+>crown:4+")
    workbench.entry.take_reading(" 12.3 mV ")
    (reading,) = workbench.session.state.readings
    assert (reading.volts, str(reading.probe)) == (0.0123, "crown:2+>crown:4+")
    assert reading.lit == LitSet(frozenset([1, 3]))
    assert workbench.finding is None  # the earlier finding is outdated


@pytest.mark.parametrize("text", ["200", "0.2V", "-0.2V"])
def test_volts_where_no_fault_shows_so_many_are_asked_about_and_then_kept(
    workbench: Workbench, text: str
) -> None:
    # by hand: all current of a strand, 10 nodes x 36 mA, through the whole crown of 2 oz x 8 mm,
    # 3 x 40 mm x 31 micro-ohm/mm = 3.7 milliohm, drops 1.3 mV
    pass_all(workbench)
    asks(workbench, "1 3", "crown:1+>crown:4+")
    with pytest.raises(InputError, match=r"did you mean -?0.2 mV|no fault shows"):
        workbench.enter(text)
    assert len(workbench.session.state.readings) == 0
    workbench.enter(text)
    assert [abs(one.reading.value) for one in workbench.session.state.taken] == [0.2]


def test_a_bad_joints_own_drop_is_not_asked_about(workbench: Workbench) -> None:
    pass_all(workbench)
    asks(workbench, "4", "foot:4+>4A+")
    assert workbench.entry.unit == "mV"
    # open, it drops what the strand's 0.36 A lose on their way from the other end: 0.36 A x
    # 53 milliohm/m x (0.06 m lead + half of 0.27 m), about 3.7 mV
    assert workbench.enter("3.4") == "saved 3.4 mV"


@pytest.mark.parametrize(
    ("text", "volts", "decimals"),
    [("4.90", 4.9, 2), ("4900m", 4.9, 3), ("4.9e0", 4.9, None), ("4890.7 mV", 4.8907, 4)],
)
def test_a_reading_keeps_the_decimals_that_were_typed(
    workbench: Workbench, text: str, volts: float, decimals: int | None
) -> None:
    workbench.entry.ask_for("2 4", "foot:2")
    workbench.entry.take_reading(text)
    session = workbench.session
    kept = session.shelf.events(session.row.id)
    (event,) = (one for one in kept if one.kind == "reading")
    assert (event.data["volts"], event.data["decimals"]) == (volts, decimals)
    (reading,) = workbench.session.state.readings
    assert (reading.volts, reading.decimals) == (volts, decimals)


def test_volts_above_the_supply_are_asked_about(workbench: Workbench) -> None:
    pass_all(workbench)
    asks(workbench, "1 3")
    with pytest.raises(InputError, match=r"no fault shows 6.430 V here"):
        workbench.enter("6.43")
    assert workbench.session.state.readings == ()


def test_a_reading_of_the_users_choice_comes_first_and_once(workbench: Workbench) -> None:
    workbench.entry.ask_for("2 4", "foot:2")
    assert workbench.advice.text == "Red on foot 2 +, black on foot 2 -. Strands 2 4 lit."
    workbench.entry.take_reading("4.9")
    assert workbench.advice.task == "look"
    assert str(workbench.session.state.readings[0].probe) == "foot:2"
    with pytest.raises(NameFault):
        workbench.entry.ask_for("9", "foot:2")
    with pytest.raises(NameFault):
        workbench.entry.ask_for("all", "roof:2")
    assert workbench.active.overrides.own_reading is None


def test_a_real_prop_is_read_only_by_the_users_meter(workbench: Workbench) -> None:
    with pytest.raises(InputError, match="type what your meter shows"):
        workbench.source.read()
    assert workbench.sights() == []
