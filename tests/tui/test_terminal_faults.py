"""Terminal faults while a prop is lit: the prop goes dark, the session survives."""

from __future__ import annotations

import os
import re
import resource
import select
import signal
import subprocess
import sys
import termios
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import get_args

import pytest

from benchtest.circuit.prediction import predict
from benchtest.prop.lit_set import all_lit
from benchtest.prop.notation import parse_probe
from benchtest.records.shelf import Shelf
from benchtest.session.guidance.next_step import Task
from benchtest.session.log.events import ColourSeen, ReadingTaken, VerdictGiven
from benchtest.session.session import Session, unfinished_sessions
from benchtest.tui.bench_screen import BenchScreen
from benchtest.virtual.remote_prop import RemoteProp
from tests.terminals import Ear
from tests.tui.conftest import driven, make_ready
from tests.waiting import WAIT_S, act_until, until

_CONTROL = re.compile(r"\x1b(\[[0-9;?$<>]*[A-Za-z]|\][^\x07]*\x07|[=>])")


def lit(virtual: RemoteProp) -> int:
    return int(virtual.state()["nodes_lit"])


PROGRAM = ("-m", "benchtest")


class Pty:
    """The program at its own terminal, which the kernel hangs up when it is closed."""

    def __init__(self, *words: str, program: Sequence[str] = PROGRAM) -> None:
        self.master, slave = os.openpty()
        termios.tcsetwinsize(slave, (24, 80))
        self.process = subprocess.Popen(
            ["setsid", "--ctty", sys.executable, *program, *words],
            stdin=slave, stdout=slave, stderr=slave,
            env={**os.environ, "TERM": "xterm-256color", "PYTHONUTF8": "1"},
        )  # fmt: skip
        os.close(slave)
        self._ear = Ear(self.master)
        self.drawn = ""

    def read(self) -> str:
        """Read the drawing, so that the program never waits for its terminal."""
        with suppress(OSError):  # raised by Linux once the program has ended
            while select.select([self.master], [], [], 0.02)[0]:
                self.drawn += self._ear.read()
        return _CONTROL.sub("", self.drawn)

    def keys(self, keys: str) -> None:
        self.drawn = ""
        os.write(self.master, keys.encode())

    def until(self, words: str) -> None:
        until(lambda: words in self.read(), words=lambda: f"{words!r} in:\n{self.read()}")

    def resize(self, columns: int, lines: int) -> None:
        """Resize the terminal; the kernel sends SIGWINCH."""
        self.drawn = ""
        termios.tcsetwinsize(self.master, (lines, columns))


@contextmanager
def gone_on_with(
    folder: Path, prop: tuple[Path, RemoteProp], program: Sequence[str] = PROGRAM
) -> Iterator[tuple[Pty, RemoteProp]]:
    """Resume a session: strand 1 is lit, and its verdict is asked for."""
    path, virtual = prop
    make_ready(folder, path, "SF-01")
    words = ("--bench", str(folder), "--prop", str(path), "--no-pointing", "--to", virtual.target)
    at = Pty(*words, program=program)
    try:
        at.until("Unfinished: ")
        at.keys("\r")
        at.until("Does every node of strand 1")
        until(lambda: lit(virtual) == 8)
        yield at, virtual
    finally:
        at.process.kill()
        at.process.wait()
        with suppress(OSError):  # a test may have closed it
            os.close(at.master)


def terminated(virtual: RemoteProp) -> int:
    """Return the packets that terminated the stream."""
    return int(virtual.state()["packets"].get("terminated", 0))


def test_a_terminal_is_resized_suspended_and_closed(
    tmp_path: Path, prop: tuple[Path, RemoteProp], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "1")  # as a shell leaves it that exports what it had once
    monkeypatch.setenv("LINES", "1")
    with gone_on_with(tmp_path, prop) as (at, virtual):
        for columns, lines in ((200, 60), (40, 10), (1, 1), (80, 24)):
            at.resize(columns, lines)
            until(lambda: bool(at.read()))
            assert lit(virtual) == 8
        at.until("Does every node of strand 1")
        at.keys(" ")
        at.until("strand 2")

        at.process.send_signal(signal.SIGSTOP)  # as a machine that is put to sleep
        until(lambda: lit(virtual) == 0)  # by the receiver's time-out
        at.process.send_signal(signal.SIGCONT)
        at.until("any key lights it again")
        assert lit(virtual) == 0
        act_until(partial(at.keys, "z"), lambda: lit(virtual) > 0)  # the first ones are ignored
        until(lambda: lit(virtual) == 8)
        at.keys(" ")
        at.until("strand 3")
        until(lambda: lit(virtual) == 8)

        os.close(at.master)
        until(lambda: lit(virtual) == 0)
        # whichever it notices first: the hang-up, or that nothing can be drawn any more
        assert at.process.wait(WAIT_S) in (128 + signal.SIGHUP, 1)
    assert _verdicts(tmp_path) == 2


def test_a_shutdown_ends_the_program_once(tmp_path: Path, prop: tuple[Path, RemoteProp]) -> None:
    """A second signal used to interrupt the exit: the program hung, or left light on."""
    with gone_on_with(tmp_path, prop) as (at, virtual):
        before = terminated(virtual)
        at.process.send_signal(signal.SIGTERM)

        def hurry() -> None:
            at.process.send_signal(signal.SIGHUP)
            at.process.send_signal(signal.SIGTERM)
            at.read()

        # nothing happens to one that has ended
        act_until(hurry, lambda: at.process.poll() is not None, every_s=0.002)
        # whichever it notices first; a machine that is busy gives it both at once
        assert at.process.returncode in (128 + signal.SIGTERM, 128 + signal.SIGHUP)
        # three terminations: ANSI E1.31-2018, clause 6.2.6
        until(lambda: terminated(virtual) == before + 3)
        assert lit(virtual) == 0


# `2>errors.txt`, with standard output still at the terminal
ERRORS_ELSEWHERE = """
import os, sys
os.dup2(os.open(sys.argv.pop(1), os.O_WRONLY | os.O_CREAT), 2)
os.execv(sys.executable, [sys.executable, "-m", "benchtest", *sys.argv[1:]])
"""


def test_a_redirected_screen_is_refused(tmp_path: Path) -> None:
    """The program used to run invisibly, and to hang if standard error was closed or full."""
    file = tmp_path / "errors.txt"
    words = (str(file), "--bench", str(tmp_path / "bench"))
    at = Pty(*words, program=("-c", ERRORS_ELSEWHERE))
    try:
        assert at.process.wait(WAIT_S) == 2
    finally:
        at.process.kill()
        os.close(at.master)
    assert file.read_text("utf-8").endswith("do not redirect it\n")


def test_a_full_temporary_folder_is_reported_until_there_is_space(
    tmp_path: Path, prop: tuple[Path, RemoteProp]
) -> None:
    """A full temporary folder used to end the program; here the system refuses every write."""
    make_ready(tmp_path, prop[0], "SF-01")
    at = Pty("--bench", str(tmp_path), "--prop", str(prop[0]), "--to", "virtual")
    try:
        at.until("Unfinished: ")
        _, most = resource.prlimit(at.process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(at.process.pid, resource.RLIMIT_FSIZE, (0, most))
        at.keys("\r")
        at.until("cannot write temporary files")
        resource.prlimit(at.process.pid, resource.RLIMIT_FSIZE, (most, most))
        at.keys("\r")
        at.until("Unfinished: ")
        at.keys("\r")
        at.until("Does every node of strand 1")
    finally:
        at.process.terminate()
        at.read()
        assert at.process.wait(WAIT_S) == 128 + signal.SIGTERM
        os.close(at.master)


# an unexpected exception at a key: no known fault causes one
UNFORESEEN = """
import sys
from benchtest.cli.main import main
from benchtest.session.workbench.workbench import Workbench
Workbench.toggle_dark = lambda self: 1 / 0
sys.exit(main(sys.argv[1:]))
"""


def test_an_unexpected_error_ends_dark_with_one_sentence(
    tmp_path: Path, prop: tuple[Path, RemoteProp]
) -> None:
    with gone_on_with(tmp_path, prop, ("-c", UNFORESEEN)) as (at, virtual):
        before = terminated(virtual)
        at.keys(" ")
        at.until("strand 2")
        at.keys("b")
        at.until("benchtest: failed: ZeroDivisionError: division by zero. Set BENCHTEST_TRACEBACK")
        assert "Traceback" not in at.read()
        assert at.process.wait(WAIT_S) == 1
        until(lambda: terminated(virtual) == before + 3)
        assert lit(virtual) == 0
    assert _verdicts(tmp_path) == 1


def _verdicts(folder: Path) -> int:
    with Shelf(folder) as shelf:
        (row,) = unfinished_sessions(shelf)
        return sum(event.kind == "verdict" for event in shelf.events(row.id))


AT: dict[str, tuple[tuple[str, ...], tuple[Task, ...]]] = {
    "checks": (("t", "1"), ("check",)),
    "first-light": (("t", "2"), ("glow",)),
    "strands": (("t", "3"), ("look",)),
    "parade": (("t", "3", "enter"), ("parade",)),
    "search": (("t", "4"), ("search",)),
    "a node caught": (("t", "4", "x", "x", "x", "x", "x"), ("caught",)),
    "colours": (("t", "5"), ("colour",)),
    "readings": (("t", "6"), ("think", "read")),
    "wiggle": (("t", "7"), ("wiggle",)),
    "soak": (("t", "8", "enter"), ("soak",)),
    "picture": (("t", "9"), ("picture",)),
    "controller": (("t", "9", "x"), ("controller",)),
    "strands behind a dark one": (("X",), ("downstream",)),
    "walk": (("x", "space", "space"), ("walk",)),
    "a reading half typed": (("t", "6", "4", "full_stop"), ("think", "read")),
    "repair": ((), ("repair",)),
    "colours unexplained": ((), ("recolour",)),
    "sign-off": ((), ("sign-off",)),
    "done": (("enter", "R", "enter", "enter"), ("done",)),
}
"""Keys to every step of an evening, and the question there."""
BEFORE = {"steps": ("t",), "help": ("question_mark",), "palette": ("ctrl+p",), "note": ("n", "a")}
"""Keys to windows that may be open before a step."""
READ_ALREADY = {
    "repair": {"2A+": 0.9},
    "colours unexplained": {},
    "sign-off": {},
    "done": {},
}
"""Steps behind the readings, and the joints whose volts those are. [Ω]"""


def _read_all(folder: Path, path: Path, where: str) -> None:
    """Look at every strand, and enter healthy readings."""
    make_ready(folder, path, "SF-01")
    with Shelf(folder) as shelf:
        session = Session.resume(shelf, shelf.sessions("SF-01")[0].id)
        design = session.design
        for number in (1, 2, 3):
            session.record(VerdictGiven(number, passed=True))
        if where == "colours unexplained":  # no order of colours puts one alone in a wrong place
            session.record(ColourSeen("green", right=False))
            for number in (1, 2, 3):
                session.record(ColourSeen("green", number != 2, number))
        ends = [f"{number}A" for number in (1, 2, 3)]
        drops = [f"foot:{number}{rail}>{number}A{rail}" for number in (1, 2, 3) for rail in "+-"]
        probes = [parse_probe(text, design) for text in ["main", *ends, *drops]]
        for row in predict(design, all_lit(design), probes, READ_ALREADY[where]).probes:
            session.record(ReadingTaken("all", str(row.probe), round(row.volts, 4)))


def test_every_task_has_a_ctrl_c_trial() -> None:
    assert {task for _, tasks in AT.values() for task in tasks} == set(get_args(Task))


@pytest.mark.parametrize("where", [*AT, *BEFORE])
async def test_ctrl_c_ends_dark_at_every_step(
    tmp_path: Path, prop: tuple[Path, RemoteProp], where: str
) -> None:
    path, virtual = prop
    if where in READ_ALREADY:
        _read_all(tmp_path, path, where)
    async with driven(tmp_path, path, to=virtual.target) as at:
        if where in READ_ALREADY:
            await at.until_task("repair", "recolour", "sign-off")
        else:
            await at.until_task("look")
            await at.until(lambda: lit(virtual) == 8)
        workbench = at.workbench
        if where in AT:
            keys, tasks = AT[where]
            await at.keys(*keys)
            await at.until_task(*tasks)
        else:
            await at.keys(*BEFORE[where])
            await at.until(lambda: not isinstance(at.app.screen, BenchScreen))
        await at.keys("ctrl+c")
        await at.until(lambda: not at.app.is_running)
        kept = len(workbench.session.events)
    until(lambda: lit(virtual) == 0)
    with Shelf(tmp_path) as shelf:
        (row,) = shelf.sessions("SF-01")
        assert len(shelf.events(row.id)) == kept
        assert where == "done" or unfinished_sessions(shelf) == [row]
