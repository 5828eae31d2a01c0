"""The picture of a virtual prop in a real terminal: typing, reading, ending."""

from __future__ import annotations

import contextlib
import fcntl
import itertools
import os
import pty
import re
import select
import socket
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.terminals import Ear

Packet = Callable[..., bytes]
SOON_S = 30.0

PROP = """\
format = 1
name = "Gull wing"
[node]
kind = "ws2811-5v"
[[strand]]
count = 3
nodes = 12
pitch_mm = 30.0
wire = "22 AWG"
[data]
path = "zigzag"
[[bus]]
name = "root"
joins = "A"
wire = "18 AWG"
spacing_mm = 40.0
[[feed]]
name = "main"
at = "root:1"
volts = 5.0
wire = "14 AWG"
length_mm = 500.0
"""


IN_TERMINAL = (
    "import fcntl, os, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0);"
    "os.execv(sys.executable, [sys.executable, '-m', 'benchtest', *sys.argv[1:]])"
)
"""Makes standard input the controlling terminal, so that Ctrl-C reaches the program."""


_SEQUENCE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Terminal:
    """A program in a terminal of 80 columns and 24 rows."""

    def __init__(self, words: list[str], **environment: str) -> None:
        # the other end stays open here too: closing it last would reset it
        self.end, self.other = pty.openpty()
        other = self.other
        fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(other)
        self.process = subprocess.Popen(
            [sys.executable, "-c", IN_TERMINAL, *words],
            stdin=other,
            stdout=other,
            stderr=other,
            start_new_session=True,
            env=os.environ | {"TERM": "xterm"} | environment,
        )
        self.shown = ""
        self._ear = Ear(self.end)

    def type(self, keys: str) -> None:
        os.write(self.end, keys.encode())

    def until(self, pattern: str) -> re.Match[str]:
        """Wait for text in any colour and drop what came before it."""
        end = time.monotonic() + SOON_S
        while not (found := re.search(pattern, self.shown)):
            assert time.monotonic() < end, f"{pattern!r} is not in {self.shown[-2000:]!r}"
            if select.select([self.end], [], [], 0.1)[0]:
                # a sequence may come in two pieces: the rest completes it
                self.shown = _SEQUENCE.sub("", self.shown + self._ear.read())
        self.shown = self.shown[found.end() :]
        return found

    def wait(self) -> int:
        """Return the exit code; read the last output, so that the program does not wait for a
        reader."""
        end = time.monotonic() + SOON_S
        while self.process.poll() is None:
            assert time.monotonic() < end, "it does not end"
            if select.select([self.end], [], [], 0.05)[0]:
                os.read(self.end, 65536)
        return self.process.returncode

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self.end)
        os.close(self.other)


@pytest.fixture
def prop_file(tmp_path: Path) -> Path:
    path = tmp_path / "wing.toml"
    path.write_text(PROP, encoding="utf-8")
    return path


@pytest.fixture
def terminal(prop_file: Path) -> Iterator[Terminal]:
    words = ["simulate", str(prop_file), "--port", "0", "--fault", "2.9=dead"]
    found = Terminal(words, NO_COLOR="1")
    yield found
    found.close()


@contextlib.contextmanager
def _lit(port: int, packet: Packet) -> Iterator[None]:
    """Send white repeatedly during the test."""
    end = threading.Event()

    def send() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for number in itertools.count():
                fields = {"sourceName": "bench one", "priority": 120, "sequence": number % 256}
                sender.sendto(packet(b"\xff" * 108, **fields), ("127.0.0.1", port))
                if end.wait(0.1):
                    return

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        end.set()
        thread.join()


def test_a_user_can_watch_it_type_and_end_it(terminal: Terminal, data_packet: Packet) -> None:
    port = int(terminal.until(r"E1.31 on 127.0.0.1:(\d+)")[1])
    terminal.until(r"From no source")
    terminal.until(r"   3 A \.{12} B")
    with _lit(port, data_packet):
        terminal.until(r"From bench one at 120. Packets: \d+ accepted")
        # legible without colour: node 9 of strand 2 is the fourth on the data line, and dead
        terminal.until(r"   1 A #{12} B\s+2 A x{9}### B\s+3 A x{12} B")
        terminal.type("1A")
        terminal.until(r"> 1A_")
        terminal.type("\n")
        volts = float(terminal.until(r"1A: (\d\.\d{4}) V")[1])
        assert 4.5 < volts < 5.0
        terminal.type("9A\x7f\x7frepair 2.9\n")
        terminal.until(r"repair 2.9: done; it was faulty")
        terminal.until(r"   3 A #{12} B")
        terminal.type("fault 2.9=dark\n")
        terminal.until(r"fault 2.9=dark: done")
        terminal.until(r"   2 A #{8}x### B")
    terminal.type("9A\n")
    terminal.until(r"9A: .*strands 1 to 3")
    terminal.type("\x03")
    assert terminal.wait() == 0


def test_the_terminal_settings_are_restored(terminal: Terminal) -> None:
    before = terminal.before
    terminal.until(r"> _")
    assert termios.tcgetattr(terminal.end)[3] != before[3]  # keys come one by one
    terminal.type("\x03")
    assert terminal.wait() == 0
    assert termios.tcgetattr(terminal.end)[3] == before[3]
