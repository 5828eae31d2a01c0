"""End and stop of a program that drives a prop: dark first, at any point of the program."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest

from benchtest.drive.signals import defer_signals
from tests.props import SMALL_FAN
from tests.receiver import Watcher
from tests.tui.stop_trials import is_stopped
from tests.waiting import stays, until, wait_until_s


def test_ctrl_c_waits_and_then_acts_once() -> None:
    done = []

    def end() -> None:
        with defer_signals():
            for _ in range(3):
                signal.raise_signal(signal.SIGINT)
            done.append("dark")

    with pytest.raises(KeyboardInterrupt):
        end()
    assert done == ["dark"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_an_ignored_signal_stays_ignored() -> None:
    """A program under nohup outlives its terminal."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with defer_signals():
            signal.raise_signal(signal.SIGHUP)
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def test_another_thread_may_take_the_prop_dark_too() -> None:
    went = []

    def end() -> None:
        with defer_signals():
            went.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=end)
    thread.start()
    thread.join()
    assert went == [signal.default_int_handler]


# a lit prop, and a thread that never ends, like one that reads a closed terminal
STUCK = """
import signal, sys, threading
from pathlib import Path
from benchtest.drive.signals import exit_on_first_signal
exit_on_first_signal()
import numpy as np
from benchtest.drive.target import driver_for, parse_target
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.e131.driver import SourceSettings
from benchtest.prop.reader import read_design
from uuid import uuid4
design = read_design(Path(sys.argv[1]))
driver = driver_for(parse_target(sys.argv[2]), design, SourceSettings(uuid4()))
clock = FrameClock(driver, design.node_count, 3)
clock.start().show(np.full((design.node_count, 3), 9, np.uint8))
threading.Thread(target=threading.Event().wait).start()
while True:
    try:
        signal.pause()
    except BaseException:
        if sys.argv[3] == "swallows":
            continue
        raise
"""


@pytest.mark.parametrize("how", ["raises", "swallows"])
def test_a_program_that_hangs_is_dark_and_ended_within_five_seconds(
    tmp_path: Path, how: str
) -> None:
    """Such a thread once kept a process for 35 minutes, with every signal ignored."""
    prop = tmp_path / "fan.toml"
    prop.write_text(SMALL_FAN, encoding="utf-8")
    watcher = Watcher()
    words = [sys.executable, "-c", STUCK, str(prop), watcher.to, how]
    with subprocess.Popen(words, stderr=subprocess.DEVNULL) as process:
        try:
            until(lambda: watcher.is_lit)
            process.terminate()
            until(lambda: watcher.is_dark_by_packet, within_s=1.0)
            assert process.wait(5.0) == 128 + signal.SIGTERM
            assert watcher.is_dark_by_packet
        finally:
            process.kill()
            watcher.close()


# a main thread that is inside the frame clock nearly all of the time, as a busy screen is
BUSY = """
import sys, threading
from pathlib import Path
from uuid import uuid4
import numpy as np
from benchtest.drive.target import driver_for, parse_target
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.signals import exit_on_first_signal
from benchtest.prop.reader import read_design
exit_on_first_signal()
design = read_design(Path(sys.argv[1]))
driver = driver_for(parse_target(sys.argv[2]), design, SourceSettings(uuid4()))
white = np.full((design.node_count, 3), 255, np.uint8)
with FrameClock(driver, design.node_count, 3).start() as clock:
    threading.Thread(target=lambda: [clock.resume() for _ in sys.stdin], daemon=True).start()
    while True:
        clock.show(white)
        clock.pace()
"""


def test_a_stop_that_interrupts_the_frame_clock_is_dark_first(tmp_path: Path) -> None:
    """The interrupted code may hold the lock that the dark frame needs."""
    prop = tmp_path / "fan.toml"
    prop.write_text(SMALL_FAN, encoding="utf-8")
    watcher = Watcher()
    words = [sys.executable, "-c", BUSY, str(prop), watcher.to]
    # in a process group of its own, as a shell starts it (POSIX.1-2017, XSH 2.4.3)
    with subprocess.Popen(words, stdin=subprocess.PIPE, process_group=0) as process:
        assert process.stdin is not None
        try:
            for stop in range(12):
                until(lambda: watcher.is_lit, words="lit")
                wait_until_s(time.monotonic() + stop * 0.003)  # at another place of its work
                process.send_signal(signal.SIGTSTP)
                until(lambda: is_stopped(psutil.Process(process.pid)), 3.0, "stopped")
                until(lambda: watcher.is_dark_by_packet, 0.2, f"stop {stop}: dark")
                lit = watcher.lit_packets
                process.send_signal(signal.SIGCONT)
                # until the user resumes; four periods of the frame clock
                assert stays(lambda lit=lit: watcher.lit_packets == lit, for_s=0.1)  # type: ignore[misc]
                process.stdin.write(b"\n")
                process.stdin.flush()
        finally:
            process.kill()
            watcher.close()
