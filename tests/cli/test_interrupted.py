"""Ctrl-C in every command that takes a while: it ends at once, without partial results."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import psutil
import pytest

from benchtest.drive.universe_layout import universe_numbers
from benchtest.prop.reader import read_design
from benchtest.records.backup import DATABASE_FILE
from benchtest.records.shelf import Shelf
from benchtest.virtual.remote_prop import start_simulation
from tests.drive.boards import PythonBoard
from tests.drive.scpi.simulated_meter import SimulatedMeter
from tests.waiting import act_until, until

SOON_S = 20.0


@dataclass
class Command:
    """A running command in its own process group, as from a terminal."""

    process: subprocess.Popen[str]

    def until(self, true: Callable[[], bool]) -> None:
        until(lambda: self.process.poll() is not None or true(), SOON_S)
        assert self.process.poll() is None, self.process.communicate()

    def line(self) -> str:
        """Return the next line of output."""
        assert self.process.stdout is not None
        return self.process.stdout.readline()

    def interrupted(self, code: int = 130) -> str:
        """Press Ctrl-C, which reaches the children too; return standard error."""
        children = psutil.Process(self.process.pid).children(recursive=True)
        os.killpg(self.process.pid, signal.SIGINT)
        _, said = self.process.communicate(timeout=SOON_S)
        assert self.process.returncode == code, said
        assert "Traceback" not in said
        _, alive = psutil.wait_procs(children, timeout=SOON_S)
        assert alive == []
        return said


Begin = Callable[..., Command]


@pytest.fixture
def begin(tmp_path: Path) -> Begin:
    def _begin(*words: object) -> Command:
        program = [sys.executable, "-m", "benchtest", "--bench", str(tmp_path / "bench")]
        process = subprocess.Popen(
            [*program, *map(str, words)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            cwd=tmp_path, start_new_session=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        return Command(process)

    return _begin


DRIVING = {
    "demo": ("demo", "--auto"),
    "drive": ("drive", "PROP", "walk", "--to", "virtual"),
    "simulate": ("simulate", "PROP", "--port", "0"),
}


@pytest.mark.parametrize("name", DRIVING)
def test_an_interrupted_drive_ends_dark(
    begin: Begin, prop: Path, tmp_path: Path, name: str
) -> None:
    command = begin(*(prop if word == "PROP" else word for word in DRIVING[name]))
    if name == "simulate":  # it is the prop, and is ended in no other way
        assert "listening" in command.line()
        command.interrupted(0)
        return
    while name == "demo" and "read" not in command.line():
        pass
    command.until(lambda: bool(psutil.Process(command.process.pid).children()))
    command.interrupted()
    for file in (tmp_path / "bench").rglob(DATABASE_FILE):
        with Shelf(file.parent) as shelf:
            assert all(shelf.events(row.id) for row in shelf.sessions())


def test_repeated_interrupts_end_dark(begin: Begin, prop: Path) -> None:
    """A second Ctrl-C used to interrupt the dark frames of the first."""
    with start_simulation(prop) as virtual:
        command = begin("drive", prop, "full-white", "--level", "0.3", "--to", virtual.target)
        command.until(lambda: virtual.state()["nodes_lit"] > 0)
        # a key that is held repeats more slowly
        act_until(
            partial(os.killpg, command.process.pid, signal.SIGINT),
            lambda: command.process.poll() is not None,
            every_s=0.02,
        )
        _, said = command.process.communicate()
        assert "Traceback" not in said
        # three for each universe. Source: ANSI E1.31-2018, clause 6.2.6, Stream_Terminated
        endings = 3 * len(universe_numbers(read_design(prop)))
        until(lambda: virtual.state()["packets"].get("terminated", 0) == endings)
        assert virtual.state()["nodes_lit"] == 0


def test_interrupted_practice_leaves_no_files(
    begin: Begin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setenv("TMPDIR", str(temporary))
    command = begin("practice", "--auto", "--grade", "5", "--seed", "7")
    command.until(lambda: any(temporary.rglob(DATABASE_FILE)))
    assert command.interrupted() == "benchtest: interrupted\n"
    assert list(temporary.iterdir()) == []
    assert not list((tmp_path / "bench").rglob("*"))


def test_an_interrupted_meter_reading_does_not_spoil_the_next(begin: Begin, tmp_path: Path) -> None:
    shows = iter((4.871, 3.302))
    meter = SimulatedMeter(tmp_path, lambda: next(shows))
    meter.slow_s = 2.0
    with contextlib.closing(meter):
        command = begin("volts", "--from", f"scpi:{meter.port}", "--json")
        command.until(lambda: any(line.startswith("MEAS") for line in meter.heard))
        assert command.interrupted() == "benchtest: interrupted\n"
        meter.slow_s = 0.0
        after = begin("volts", "--from", f"scpi:{meter.port}", "--json").process
        read, said = after.communicate(timeout=SOON_S)  # what it is late with comes in between
        assert after.returncode == 0, said
        assert json.loads(read)["volts"] == 3.302


def test_an_interrupt_ends_the_wait_for_a_bridge(begin: Begin, tmp_path: Path) -> None:
    board = PythonBoard(tmp_path, deaf_s=60.0)
    with contextlib.closing(board):
        command = begin("volts", "--from", f"serial:{board.port}")
        command.until(lambda: _holds(command.process.pid, board.port.resolve()))
        assert command.interrupted() == "benchtest: interrupted\n"


def _holds(process: int, port: Path) -> bool:
    """Return True if a process has a port open."""
    return port in {file.resolve() for file in Path(f"/proc/{process}/fd").iterdir()}


@pytest.mark.parametrize(
    "words",
    [("check", "PIPE"), ("diagnose", "PROP", "--readings", "PIPE"), ("import", "PIPE")],
    ids=lambda words: words[0],
)
def test_an_interrupt_ends_the_wait_for_a_file(
    begin: Begin, prop: Path, tmp_path: Path, words: tuple[str, ...]
) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    command = begin(*({"PIPE": pipe, "PROP": prop}.get(word, word) for word in words))
    writers: list[int] = []
    command.until(lambda: _joined(pipe, writers))
    assert command.interrupted() == "benchtest: interrupted\n"
    os.close(writers[0])


def _joined(pipe: Path, writers: list[int]) -> bool:
    """Return True once a command reads from a pipe; then hold its other end open."""
    with contextlib.suppress(OSError):  # while no command reads
        writers.append(os.open(pipe, os.O_WRONLY | os.O_NONBLOCK))
    return bool(writers)


def test_interrupted_questions_leave_no_file(begin: Begin, tmp_path: Path) -> None:
    command = begin("new", "fan.toml")
    assert command.process.stderr is not None
    assert "Ctrl-C quits without writing" in command.process.stderr.readline()
    command.interrupted()
    assert not (tmp_path / "fan.toml").exists()
