"""Readings asked for while a finding is worked out, at the keys of the real program.

The worker that diagnoses waits for its lock, as it does while the last finding is explained.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet
from benchtest.prop.notation import describe_leads
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import VerdictGiven
from benchtest.session.session import Session, unfinished_sessions
from benchtest.session.workbench.typo_check import format_number
from benchtest.tui import bench_screen
from benchtest.tui.bench_screen import INTERIM_S
from benchtest.tui.prompt_panel import PromptPanel
from tests.tui.conftest import Driven, driven, make_ready


@asynccontextmanager
async def _held(tmp_path: Path, prop: Path) -> AsyncIterator[Driven]:
    """Run the program with one reading taken and the next finding held back."""
    folder = tmp_path / "bench"
    make_ready(folder, prop, "SF-01")
    with Shelf(folder) as shelf:
        session = Session.resume(shelf, unfinished_sessions(shelf)[0].id)
        for strand in session.design.strands:
            session.record(VerdictGiven(strand.number, passed=True))
    async with driven(folder, prop, ready=False) as at:
        await at.until_task("read")
        await at.until(lambda: at.workbench.worker.details is not None)
        lock = at.workbench.worker.lock
        await at.until(lambda: lock.acquire(blocking=False))
        try:
            await _enter(at, _healthy(at))
            await at.until(lambda: len(at.workbench.session.state.taken) == 1)
            yield at
        finally:
            if lock.locked():
                lock.release()


def _healthy(at: Driven) -> str:
    """Return the reading of a healthy unit at the requested probe, as typed."""
    lit, probe = at.workbench.advice.lit, at.workbench.advice.probe
    assert lit is not None
    assert probe is not None
    expected_v, _ = at.workbench.session.healthy_volts(lit, probe)
    return format_number(round(expected_v, 4), at.workbench.entry.volt_unit)


async def _enter(at: Driven, text: str) -> None:
    await at.type(text)
    await at.keys("enter")


def _asked(at: Driven) -> tuple[LitSet | None, Probe | None]:
    return at.workbench.advice.lit, at.workbench.advice.probe


def test_the_interim_reading_is_due_within_0_3_s() -> None:
    assert INTERIM_S <= 0.3


async def test_after_a_slow_finding_the_next_reading_is_asked_for_at_once(
    tmp_path: Path, small_fan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with _held(tmp_path, small_fan) as at:
        await at.until(lambda: at.workbench.advice.task == "read")
        monkeypatch.setattr(bench_screen, "INTERIM_S", 600.0)  # no timer asks in time
        at.workbench.worker.takes_s = 601.0
        first = _asked(at)
        await _enter(at, _healthy(at))
        await at.until(lambda: len(at.workbench.session.state.taken) == 2)
        assert at.workbench.advice.task == "read"
        assert at.workbench.finding is None
        assert _asked(at) != first


async def test_text_typed_meanwhile_stays_and_is_kept_for_the_same_probe(
    tmp_path: Path, small_fan: Path
) -> None:
    async with _held(tmp_path, small_fan) as at:
        await at.until(lambda: at.workbench.advice.task == "read")
        assert at.workbench.finding is None
        first, asked = at.workbench.session.state.taken[0].reading, _asked(at)
        assert asked != (first.lit, first.probe)
        assert asked[1] is not None
        assert describe_leads(asked[1], first.probe) in " ".join(at.words().split())
        text = _healthy(at)
        await at.type(text[:-1])
        at.workbench.worker.lock.release()
        await at.until(lambda: at.workbench.finding is not None)
        await at.pilot.pause(0.2)
        assert at.screen.query_one(PromptPanel).entry.value == text[:-1]
        assert _asked(at) == asked
        await _enter(at, text[-1])
        await at.until(lambda: len(at.workbench.session.state.taken) == 2)
        second = at.workbench.session.state.taken[1].reading
        assert (second.lit, second.probe) == asked


async def test_with_nothing_typed_the_finding_asks(tmp_path: Path, small_fan: Path) -> None:
    async with _held(tmp_path, small_fan) as at:
        await at.until(lambda: at.workbench.advice.task == "read")
        meanwhile = _asked(at)
        await at.type("4")
        at.workbench.worker.lock.release()
        await at.until(lambda: at.workbench.finding is not None)
        assert _asked(at) == meanwhile
        await at.keys("escape")
        finding = at.workbench.finding
        assert finding is not None
        if meanwhile not in finding.next.planned:
            await at.until(lambda: at.workbench.active.interim.asked is None)
        else:
            assert _asked(at) == meanwhile


async def test_a_second_reading_is_taken_before_the_first_ones_finding(
    tmp_path: Path, small_fan: Path
) -> None:
    async with _held(tmp_path, small_fan) as at:
        await at.until(lambda: at.workbench.advice.task == "read")
        await _enter(at, _healthy(at))
        await at.until(lambda: len(at.workbench.session.state.taken) == 2)
        await at.until(lambda: at.workbench.advice.task == "read")
        asked = _asked(at)
        assert asked not in [
            (o.reading.lit, o.reading.probe) for o in at.workbench.session.state.taken
        ]
        at.workbench.worker.lock.release()
        await at.until(lambda: at.workbench.finding is not None)
        assert len(at.workbench.finding.readings) == 2 if at.workbench.finding else False


async def test_a_prop_that_was_put_out_is_not_lit_for_it(tmp_path: Path, small_fan: Path) -> None:
    async with _held(tmp_path, small_fan) as at:
        await at.until(lambda: at.workbench.advice.task == "read")
        await _enter(at, _healthy(at))
        await at.until(lambda: len(at.workbench.session.state.taken) == 2)
        await at.keys("b")
        await at.until(lambda: at.workbench.light.put_out)
        await at.pilot.pause(2 * INTERIM_S)
        assert at.workbench.light.is_dark
