"""Trials that take away the terminal program's terminal, multiplexer or parent."""

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
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil

from tests.receiver import LIMIT_S, Watcher
from tests.terminals import Ear
from tests.waiting import came, until

GONE_S = 5.0
"""Longest time that a program may last once its terminal is gone. [s]"""
WAIT_S = 60.0
FIRST = "Unfinished: "
LIT = "Does every node of strand 1"

SCREENS: dict[str, tuple[str, str]] = {
    "starting": ("", ""),
    "shelf": ("", FIRST),
    "new test": ("n", FIRST),
    "comparison": ("c", FIRST),
    "look": ("\r", LIT),
    "help": ("\r?", LIT),
    "note": ("\rnabc", LIT),
    "palette": ("\r\x10", LIT),
    "steps": ("\rt", LIT),
    "checks": ("\rt1", LIT),
    "first light": ("\rt2", LIT),
    "search": ("\rt4", LIT),
    "colours": ("\rt5", LIT),
    "reading": ("\rt64.", LIT),
    "wiggle": ("\rt7", LIT),
    "soak": ("\rt8\r", LIT),
    "walk": ("\rx  ", LIT),
    "thinking": ("\r   ", LIT),
    "leaving": ("\r\x1b", LIT),
    "the end": ("q", FIRST),
}
"""Screens: the keys that lead there, and words shown on the way, after the first key."""

# what a remote login is to a terminal: a parent that holds its near end and passes octets on
PARENT = """
import os, pty, select, subprocess, sys, termios
near, far = os.openpty()
termios.tcsetwinsize(far, (24, 80))
subprocess.Popen(["setsid", "--ctty", "sh", "-c", sys.argv[1]], stdin=far, stdout=far, stderr=far)
os.close(far)
while True:
    for end in select.select([0, near], [], [])[0]:
        got = os.read(end, 65536)
        if not got:
            sys.exit()
        os.write(near if end == 0 else 1, got)
"""


class Seat:
    """A program at a terminal, with a way to take the terminal away."""

    def __init__(self, folder: Path, words: list[str], *, deaf: bool = False) -> None:
        """Start the program as a shell does.

        Args:
            folder: of this trial.
            words: after `benchtest`.
            deaf: True ignores SIGHUP, as under nohup.
        """
        self.folder = folder
        self._note = folder / "pid"
        program = shlex.join([sys.executable, "-m", "benchtest", *words])
        trap = "trap '' HUP; " if deaf else ""
        note = shlex.quote(str(self._note))
        # the outer shell stays, as the one that a person types into
        self.command = f"{trap}sh -c {shlex.quote(f'echo $$ >{note}; exec {program}')}; true"
        self.start()

    def start(self) -> None:
        """Start the command."""
        raise NotImplementedError

    def keys(self, keys: str) -> None:
        """Type keys."""
        raise NotImplementedError

    def screen(self) -> str:
        """Return everything drawn so far."""
        raise NotImplementedError

    def take_away(self) -> None:
        """End the terminal of the program."""
        raise NotImplementedError

    def clear(self) -> None:
        """Remove this seat."""

    @property
    def program(self) -> psutil.Process | None:
        """Return the program's process once it has started."""
        with contextlib.suppress(OSError, ValueError, psutil.NoSuchProcess):
            return psutil.Process(int(self._note.read_text()))
        return None

    def until(self, words: str) -> None:
        until(
            lambda: words in self.screen(),
            WAIT_S,
            lambda: f"{words!r} in:\n{self.screen()[-3000:]}",
        )


class Window(Seat):
    """A terminal whose window is closed."""

    def start(self) -> None:
        self.near, far = os.openpty()
        termios.tcsetwinsize(far, (24, 80))
        self.shell = subprocess.Popen(
            ["setsid", "--ctty", "sh", "-c", self.command],
            stdin=far, stdout=far, stderr=far, env=_environment(),
        )  # fmt: skip
        os.close(far)
        self._ear, self._seen = Ear(self.near), ""

    def keys(self, keys: str) -> None:
        self._seen = ""
        os.write(self.near, keys.encode())

    def screen(self) -> str:
        with contextlib.suppress(OSError):
            while select.select([self.near], [], [], 0.02)[0]:
                self._seen += self._ear.read()
        return self._seen

    def take_away(self) -> None:
        os.close(self.near)
        self.near = -1

    def clear(self) -> None:
        self.shell.kill()
        self.shell.wait()
        if self.near >= 0:
            os.close(self.near)


class KilledShell(Window):
    """A terminal that remains, whose shell is killed."""

    def take_away(self) -> None:
        self.shell.kill()


class Login(Seat):
    """A remote login, whose server's process is killed."""

    def start(self) -> None:
        self.parent = subprocess.Popen(
            [sys.executable, "-c", PARENT, self.command],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=_environment(), bufsize=0,
        )  # fmt: skip
        assert self.parent.stdout is not None
        self._ear, self._seen = Ear(self.parent.stdout.fileno()), ""

    def keys(self, keys: str) -> None:
        assert self.parent.stdin is not None
        self._seen = ""
        self.parent.stdin.write(keys.encode())

    def screen(self) -> str:
        assert self.parent.stdout is not None
        while select.select([self.parent.stdout], [], [], 0.02)[0]:
            self._seen += (got := self._ear.read())
            if not got:
                break
        return self._seen

    def take_away(self) -> None:
        self.parent.kill()

    def clear(self) -> None:
        self.parent.kill()
        self.parent.wait()
        for pipe in (self.parent.stdin, self.parent.stdout):
            if pipe is not None:
                pipe.close()


class Session(Seat):
    """A window of a multiplexer, whose session is ended."""

    def start(self) -> None:
        self.socket = str(self.folder / "tmux")
        size = ["-x", "80", "-y", "24"]
        self._tmux("-f", "/dev/null", "new-session", "-d", *size, self.command)
        self.server = int(self._tmux("display-message", "-p", "#{pid}"))

    def _tmux(self, *words: str) -> str:
        done = subprocess.run(
            ["tmux", "-S", self.socket, *words],
            capture_output=True, text=True, check=False, env=_environment(),
        )  # fmt: skip
        return done.stdout

    def keys(self, keys: str) -> None:
        self._tmux("send-keys", "-H", *(f"{octet:02x}" for octet in keys.encode()))

    def screen(self) -> str:
        return self._tmux("capture-pane", "-p")

    def take_away(self) -> None:
        self._tmux("kill-session")

    def clear(self) -> None:
        self._tmux("kill-server")


class Multiplexer(Session):
    """A window of a multiplexer that is killed."""

    def take_away(self) -> None:
        os.kill(self.server, signal.SIGKILL)


SEATS: dict[str, Callable[..., Seat]] = {
    "window": Window,
    "killed shell": KilledShell,
    "login": Login,
    "session": Session,
    "multiplexer": Multiplexer,
}


def _environment() -> dict[str, str]:
    return {**os.environ, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8", "PYTHONUTF8": "1"}


@dataclass(frozen=True)
class Ended:
    """The end of one program.

    Attributes:
        gone_s: time from the loss of the terminal to the end of the process. [s]
        dark_s: time until the prop was dark, by a packet or because it was never lit. [s]
        was_lit: True if the prop was lit before.
    """

    gone_s: float
    dark_s: float
    was_lit: bool


@contextmanager
def seated(seat: Seat) -> Iterator[Seat]:
    """Remove a seat and its program, however the trial ends."""
    try:
        yield seat
    finally:
        process = seat.program
        if process is not None and process.is_running():
            process.kill()
        seat.clear()


def lose_terminal(
    folder: Path, words: list[str], kind: str, screen: str, chance: random.Random, *, deaf: bool
) -> Ended:
    """Run the program up to a screen, take its terminal away, and watch it end.

    Args:
        folder: of this trial alone.
        words: after `benchtest`, without its target.
        kind: of `SEATS`.
        screen: of `SCREENS`.
        chance: draws the moment.
        deaf: True ignores SIGHUP.

    Raises:
        AssertionError: the process stays, or its prop is lit.
    """
    watcher = Watcher()
    with seated(
        SEATS[kind](folder, [*words, "--no-pointing", "--to", watcher.to], deaf=deaf)
    ) as seat:
        keys, words_there = SCREENS[screen]
        until(lambda: seat.program is not None, WAIT_S)
        process = seat.program
        assert process is not None
        if words_there:
            seat.until(FIRST)
        if words_there == LIT:
            seat.keys(keys[0])
            keys = keys[1:]
            seat.until(LIT)
            until(lambda: watcher.is_lit, WAIT_S)
        if keys:
            seat.keys(keys)
        settle_s = time.monotonic() + chance.uniform(0.0, 0.4 if words_there else 1.5)
        while time.monotonic() < settle_s:
            seat.screen()
        was_lit = watcher.lit_packets > 0
        seat.take_away()
        begun_s = time.monotonic()
        if deaf and kind == "killed shell":  # its terminal is still there: dark, until a key
            until(lambda: watcher.is_dark_by_packet, LIMIT_S, f"{kind}, {screen}: dark")
            process.terminate()
            begun_s = time.monotonic()
        until(lambda: _is_gone(process), GONE_S, f"{kind}, {screen}: the end of the process")
        gone_s = time.monotonic() - begun_s
        # packets of the end may still be on loopback
        dark = came(lambda: watcher.is_dark_by_packet, within_s=0.1)
        dark_s = max(0.0, watcher.last_lit_s - begun_s)
        watcher.close()
        assert dark, f"{kind}, {screen}: gone, and its prop is lit"
        return Ended(gone_s, dark_s, was_lit)


def _is_gone(process: psutil.Process) -> bool:
    try:
        return process.status() == psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return True
