"""Stopped programs and servers: dark in time, and lit again only by a key."""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import psutil
import pytest

from benchtest.diagnosis import Finding
from benchtest.tui.bench_screen import DEAF_S, BenchScreen
from benchtest.virtual.remote_prop import RemoteProp
from tests.receiver import LIMIT_S, Watcher
from tests.tui.conftest import driven, make_ready
from tests.tui.served import Served
from tests.tui.stop_trials import stop_drive, stop_program
from tests.tui.test_terminal_faults import Pty
from tests.waiting import act_until, act_until_soon, stays, until, until_soon, until_still

ANY_KEY = "z"
"""A key without a meaning at the bench, so that one too many does nothing."""


@pytest.fixture
def watcher() -> Iterator[Watcher]:
    made = Watcher()
    yield made
    made.close()


@pytest.fixture
def program(tmp_path: Path, small_fan: Path, watcher: Watcher) -> Iterator[Pty]:
    """Run the terminal program with strand 1 lit."""
    make_ready(tmp_path / "bench", small_fan, "SF-01")
    at = Pty("--bench", str(tmp_path / "bench"), "--no-pointing", "--to", watcher.to)
    at.until("Unfinished: ")
    at.keys("\r")
    at.until("Does every node of strand 1")
    until(lambda: watcher.is_lit)
    yield at
    at.process.kill()
    at.process.wait()
    os.close(at.master)


def _is_stopped(at: Pty) -> bool:
    return psutil.Process(at.process.pid).status() == psutil.STATUS_STOPPED


def test_a_stopped_program_darkens_the_prop_until_a_key(program: Pty, watcher: Watcher) -> None:
    """The prop used to stay lit during a stop, and to light by itself on resuming."""
    program.process.send_signal(signal.SIGTSTP)
    until(lambda: _is_stopped(program))
    # dark by a packet, since a controller without a time-out keeps the last frame
    until(lambda: watcher.is_dark_by_packet)
    lit = watcher.lit_packets
    program.process.send_signal(signal.SIGCONT)
    program.until("any key lights it again")
    assert watcher.lit_packets == lit
    act_until(partial(program.keys, ANY_KEY), lambda: watcher.is_lit)
    program.keys(" ")
    program.until("strand 2")


def test_ctrl_z_in_a_shell_stops_a_driven_prop_dark(tmp_path: Path, small_fan: Path) -> None:
    """More stops at random moments: `python -m tests.bench.stops`."""
    lit = stop_drive(tmp_path / "bench", small_fan, "full-white", 3, random.Random(11))
    assert lit == 3


def test_stops_while_keys_are_typed_are_dark(tmp_path: Path, small_fan: Path) -> None:
    make_ready(tmp_path / "bench", small_fan, "SF-01")
    assert stop_program(tmp_path, 4, random.Random(11)) == 4


def test_keys_typed_during_a_stop_are_ignored(program: Pty, watcher: Watcher) -> None:
    program.process.send_signal(signal.SIGSTOP)
    os.write(program.master, b" x1b")
    until(lambda: not watcher.is_lit)
    until_still(lambda: watcher.packets, for_s=0.1)
    lit = watcher.lit_packets
    program.drawn = ""
    program.process.send_signal(signal.SIGCONT)
    program.until("The prop is dark")
    program.until("any key lights it again")
    # longer than keys are ignored, so that none of those typed before acts afterwards
    assert stays(lambda: watcher.lit_packets == lit, for_s=DEAF_S + 0.1)
    act_until(partial(program.keys, ANY_KEY), lambda: watcher.is_lit)
    program.until("Does every node of strand 1")


async def test_a_stopped_server_leaves_the_prop_dark(
    tmp_path: Path, small_fan: Path, watcher: Watcher
) -> None:
    """The program of a stopped server used to drive on without limit, out of reach of the keys."""
    make_ready(tmp_path / "bench", small_fan, "SF-01")
    served = Served(tmp_path / "bench", "--no-pointing", "--to", watcher.to)
    try:
        async with served.browser(code=False) as browser:
            await browser.get()
            look = await browser.look()
            await look.until("Unfinished: ")
            await look.keys("\r")
            await look.until("Does every node of strand 1")
            await until_soon(lambda: watcher.is_lit)
            served.process.send_signal(signal.SIGSTOP)
            stopped_s = time.monotonic()
            await until_soon(lambda: watcher.is_dark_by_packet)
            assert time.monotonic() - stopped_s < LIMIT_S
            lit = watcher.lit_packets
            served.process.send_signal(signal.SIGCONT)
            await look.until("any key lights it again")
            assert watcher.lit_packets == lit
            await act_until_soon(partial(look.keys, ANY_KEY), lambda: watcher.is_lit)
    finally:
        served.process.send_signal(signal.SIGCONT)
        served.close()


async def test_a_finding_does_not_light_a_prop_darkened_by_key(
    tmp_path: Path, prop: tuple[Path, RemoteProp]
) -> None:
    async with driven(tmp_path / "bench", prop[0]) as at:
        await at.until_task("look")
        await at.keys("space", "space", "space")
        await at.until_task("read")
        await at.until(lambda: bool(at.workbench.clock.showing().any()))
        await at.keys("b")
        assert not at.workbench.clock.showing().any()
        finding = at.workbench.finding
        assert isinstance(finding, Finding)
        diagnosed = (at.workbench.session.state.undoable, finding)
        at.screen.post_message(BenchScreen.WorkDone(partial(at.screen.take_finding, diagnosed)))
        await at.pilot.pause(0.2)
        assert not at.workbench.clock.showing().any()
        await at.keys("b")
        await at.until(lambda: bool(at.workbench.clock.showing().any()))


@pytest.mark.parametrize("window", ["n", "question_mark", "t", "ctrl+p"])
async def test_f9_darkens_the_prop_below_a_window_too(
    tmp_path: Path, prop: tuple[Path, RemoteProp], window: str
) -> None:
    """The key used to be typed into the field, to close the window, or to do nothing."""
    async with driven(tmp_path / "bench", prop[0]) as at:
        await at.until_task("look")
        await at.until(lambda: bool(at.workbench.clock.showing().any()))
        workbench = at.workbench
        await at.keys(window)
        await at.until(lambda: not isinstance(at.app.screen, BenchScreen))
        await at.keys("f9", "f9")
        await at.until(lambda: not workbench.clock.showing().any())
        assert not isinstance(at.app.screen, BenchScreen)
