"""Soak test: only lit time counts, and intermittent failures are counted."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchtest.errors import InputError
from benchtest.session.log.events import SoakBegun, SoakSeen, SoakStopped
from benchtest.session.log.soak import (
    Soak,
    format_clock,
    new_soak,
    next_soak,
    parse_duration_s,
    soak_progress,
)
from benchtest.session.session import Session
from benchtest.session.workbench.soak_timer import SoakTimer

HOUR_S = 3600.0


class Clock:
    """A clock that is set by the test."""

    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.mark.parametrize(
    ("text", "seconds"), [("2h", 7200.0), ("90m", 5400.0), ("45", 2700.0), (" 120 s", 120.0)]
)
def test_times_are_read_as_people_write_them(text: str, seconds: float) -> None:
    assert parse_duration_s(text) == seconds


@pytest.mark.parametrize("text", ["", "h", "soon", "inf", "nanm"])
def test_an_invalid_duration_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="write 2h, 90m or 45s"):
        parse_duration_s(text)


@pytest.mark.parametrize(
    "what", [SoakBegun(10.0, 10.0), SoakBegun(9e6, 900.0), SoakBegun(7200.0, 1.0),
             SoakBegun(600.0, 900.0), SoakBegun(float("nan"), 900.0)]
)  # fmt: skip
def test_a_soak_with_an_invalid_duration_or_interval_is_refused(what: SoakBegun) -> None:
    with pytest.raises(InputError, match="soak:"):
        new_soak(what)


def test_progress_shows_elapsed_and_remaining_time() -> None:
    soak = Soak(2 * HOUR_S, 900.0, 1.0, done_s=1800.0, looked_s=1800.0, looks=2, intermittent=1)
    shown = soak_progress(soak, 2400.7)
    # 2400 of 7200 s; 4800 s left are 1:20:00; the next look is due at 2700 s, in 5 minutes
    assert (shown.share, shown.elapsed, shown.left) == (2400 / 7200, "0:40:00", "1:20:00")
    assert (shown.next_look, shown.due) == ("0:05:00", False)
    assert soak_progress(soak, 2700.0).due
    assert soak_progress(soak, 9000.0).share == 1.0


def test_a_days_soak_is_shown_in_hours() -> None:
    assert format_clock(25 * HOUR_S + 61) == "25:01:01"


def test_looks_count_and_a_clock_never_runs_back() -> None:
    soak = next_soak(new_soak(SoakBegun(7200.0, 900.0)), SoakSeen(900.0, steady=False))
    assert (soak.looks, soak.intermittent, soak.done_s) == (1, 1, 900.0)
    with pytest.raises(InputError, match="before the last event"):
        next_soak(soak, SoakSeen(800.0, steady=True))
    ended = next_soak(soak, SoakStopped(7200.0))
    assert (ended.ended, ended.whole) == (True, True)
    with pytest.raises(InputError, match="there is no soak"):
        next_soak(ended, SoakSeen(7300.0, steady=True))


def test_time_counts_while_lit_and_a_pause_is_on_the_record(begin: Callable[..., Session]) -> None:
    clock = Clock()
    soaking = SoakTimer(begin(), clock)
    soaking.begin(2 * HOUR_S, 900.0, 0.8)
    clock.now_s += 600.0
    assert (soaking.running, soaking.done_s) == (True, 600.0)
    soaking.pause()
    clock.now_s += 5000.0  # dark: over supper nothing is soaked
    assert (soaking.running, soaking.done_s) == (False, 600.0)
    assert "paused at 0:10:00" in soaking.advice.text
    soaking.resume()
    clock.now_s += 299.0
    assert "Next look in 0:00:01" in soaking.advice.text
    clock.now_s += 1.0
    assert soaking.advice.text.startswith("Look now")
    assert soaking.seen(steady=False) == "look 1: intermittent"
    clock.now_s += 2 * HOUR_S
    assert soaking.is_over
    assert soaking.end() == "soaked 2:15:00, 1 look, 1 intermittent"
    assert soaking.soak is None


def test_a_killed_soak_resumes_at_its_last_recorded_time(begin: Callable[..., Session]) -> None:
    clock = Clock()
    session = begin()
    soaking = SoakTimer(session, clock)
    soaking.begin(2 * HOUR_S, 900.0, 1.0)
    clock.now_s += 900.0
    soaking.seen(steady=True)
    clock.now_s += 500.0  # and here the plug is pulled
    again = SoakTimer(Session.resume(session.shelf, session.row.id), Clock())
    assert (again.running, again.done_s) == (False, 900.0)
    with pytest.raises(InputError, match="no soak is running"):
        again.seen(steady=True)
