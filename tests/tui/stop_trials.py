"""Trials that stop programs at random moments, by Ctrl-Z in a shell or by its signal."""

from __future__ import annotations

import contextlib
import os
import random
import select
import shlex
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import psutil

from tests.receiver import LIMIT_S, Watcher
from tests.terminals import Ear
from tests.tui.ending_trials import FIRST, LIT, Seat, Window, seated
from tests.waiting import act_until, until

WAIT_S = 60.0
STOPPED_S = 3.0
"""Longest time from the key until the process is stopped, on a machine that does other work. [s]"""
DARK_S = 0.1 * LIMIT_S
"""Time that a packet takes over loopback until the receiver has counted it, at most. [s]"""


class Shell:
    """An interactive shell at its own terminal."""

    PROMPT = "ready$"

    def __init__(self) -> None:
        self.near, far = os.openpty()
        termios.tcsetwinsize(far, (24, 200))
        environment = {**os.environ, "TERM": "xterm", "PS1": self.PROMPT, "PYTHONUTF8": "1"}
        self.process = subprocess.Popen(
            ["setsid", "--ctty", "bash", "--norc", "--noprofile", "--noediting", "-i"],
            stdin=far, stdout=far, stderr=far, env=environment,
        )  # fmt: skip
        os.close(far)
        self._ear, self.seen = Ear(self.near), ""
        self.until(self.PROMPT)

    def type(self, keys: str) -> None:
        self.seen = ""
        os.write(self.near, keys.encode())

    def read(self) -> str:
        with contextlib.suppress(OSError):
            while select.select([self.near], [], [], 0.01)[0]:
                self.seen += self._ear.read()
        return self.seen

    def until(self, words: str) -> None:
        until(lambda: words in self.read(), WAIT_S, repr(words))

    @property
    def program(self) -> psutil.Process | None:
        """Return the program that the shell has started and that has not ended."""
        found = psutil.Process(self.process.pid).children()
        return found[0] if found else None

    def close(self) -> None:
        for one in psutil.Process(self.process.pid).children(recursive=True):
            with contextlib.suppress(psutil.NoSuchProcess):
                one.kill()
        self.process.kill()
        self.process.wait()
        os.close(self.near)


def stop_drive(folder: Path, prop: Path, pattern: str, trials: int, chance: random.Random) -> int:
    """Drive from a shell, type Ctrl-Z at a random moment, resume with `fg`.

    Args:
        folder: of these trials alone.
        prop: prop file.
        pattern: what is sent.
        trials: so many runs.
        chance: draws the moments.

    Returns:
        Runs that were lit when the key was typed.

    Raises:
        AssertionError: a program was stopped lit, was not stopped, or lit up when it resumed.
    """
    watcher, shell, lit_before = Watcher(), Shell(), 0
    words = ["--bench", str(folder), "drive", str(prop), pattern, "--to", watcher.to]
    command = shlex.join([sys.executable, "-m", "benchtest", *words])
    try:
        for trial in range(trials):
            shell.type(f"{command}\n")
            until(lambda: watcher.is_lit, WAIT_S, "lit")
            _pass(chance.uniform(0.0, 0.6), shell.read)
            program, about = shell.program, f"run {trial} of {pattern}"
            assert program is not None, shell.read()
            lit_before += watcher.is_lit
            shell.type("\x1a")
            until(partial(is_stopped, program), STOPPED_S, f"{about} is stopped")
            _check_dark(watcher, about)
            lit = watcher.lit_packets
            shell.type("fg\n")
            shell.until("run the command again")
            shell.until(shell.PROMPT)
            assert watcher.lit_packets == lit, f"{about} lit up as it went on"
    finally:
        shell.close()
        watcher.close()
    return lit_before


def stop_program(folder: Path, trials: int, chance: random.Random) -> int:
    """Stop the terminal program at random moments while keys are typed; a key lights it again.

    Args:
        folder: of these trials alone, with a bench whose unit SF-01 is ready.
        trials: so many stops of one program.
        chance: draws moments and keys.

    Returns:
        Stops at which it was lit.

    Raises:
        AssertionError: it was stopped lit, was not stopped, or lit up when it resumed.
    """
    watcher, lit_before = Watcher(), 0
    words = ["--bench", str(folder / "bench"), "--no-pointing", "--to", watcher.to]
    with seated(Window(folder, words)) as seat:
        seat.until(FIRST)
        seat.keys("\r")
        seat.until(LIT)
        for trial in range(trials):
            until(lambda: watcher.is_lit, WAIT_S, "lit")
            for _ in range(chance.randrange(6)):
                seat.keys(chance.choice(["+", "-", "\x1b[A", "\x1b[B", "bb", " u"]))
                _pass(chance.uniform(0.0, 0.1), seat.screen)
            _pass(chance.uniform(0.0, 0.1), seat.screen)
            program, about = seat.program, f"stop {trial} of the terminal program"
            assert program is not None
            lit_before += watcher.is_lit
            program.send_signal(signal.SIGTSTP)
            _until_drawn(seat, partial(is_stopped, program), f"{about} happens")
            _check_dark(watcher, about)
            lit = watcher.lit_packets
            seat.keys("")
            program.send_signal(signal.SIGCONT)
            seat.until("any key lights it again")
            assert watcher.lit_packets == lit, f"{about}: it lit up as it went on"

            def light_again() -> None:  # a key without a meaning; the first ones are ignored
                seat.keys("z")
                seat.screen()

            act_until(light_again, lambda: watcher.is_lit)
    watcher.close()
    return lit_before


def is_stopped(process: psutil.Process) -> bool:
    """Return True if a process is stopped; fail if it has ended."""
    assert process.is_running(), "it has ended"
    return process.status() == psutil.STATUS_STOPPED


def _check_dark(watcher: Watcher, about: str) -> None:
    """Check that the last packet was dark: a controller without a time-out keeps showing it."""
    until(lambda: watcher.is_dark_by_packet, DARK_S, f"{about} is dark")


def _until_drawn(seat: Seat, true: Callable[[], bool], words: str) -> None:
    def drawn() -> bool:
        seat.screen()  # a program whose terminal is full waits for it
        return true()

    until(drawn, STOPPED_S, words)


def _pass(seconds: float, read: Callable[[], object]) -> None:
    due_s = time.monotonic() + seconds
    while time.monotonic() < due_s:
        read()
