"""Ctrl-C in every command that takes a while: it ends at once, and leaves nothing half done."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest

from benchtest.records.backup import FILE
from benchtest.records.shelf import Shelf

SOON_S = 20.0


@dataclass
class Command:
    """A command at work, with a process group of its own, as a terminal gives it."""

    process: subprocess.Popen[str]

    def until(self, true: Callable[[], bool]) -> None:
        due = time.monotonic() + SOON_S
        while not true():
            assert self.process.poll() is None, self.process.communicate()
            assert time.monotonic() < due
            time.sleep(0.02)

    def line(self) -> str:
        """The next line that it prints."""
        assert self.process.stdout is not None
        return self.process.stdout.readline()

    def interrupted(self, code: int = 130) -> str:
        """Press Ctrl-C, which goes to its children too; what it said on standard error."""
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
def test_what_drives_a_prop_takes_it_along(
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
    for file in (tmp_path / "bench").rglob(FILE):
        with Shelf(file.parent) as shelf:
            assert all(shelf.events(row.id) for row in shelf.sessions())


@pytest.mark.parametrize(
    "words",
    [("check", "PIPE"), ("diagnose", "PROP", "--readings", "PIPE"), ("import", "PIPE")],
    ids=lambda words: words[0],
)
def test_what_reads_a_file_stops_reading(
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
    """Whether a command has come to a pipe; then somebody writes to it, but nothing yet."""
    with contextlib.suppress(OSError):  # while nobody reads
        writers.append(os.open(pipe, os.O_WRONLY | os.O_NONBLOCK))
    return bool(writers)


def test_questions_that_are_broken_off_leave_no_file(begin: Begin, tmp_path: Path) -> None:
    command = begin("new", "fan.toml")
    assert command.process.stderr is not None
    assert "Ctrl-C ends and writes nothing" in command.process.stderr.readline()
    command.interrupted()
    assert not (tmp_path / "fan.toml").exists()
