"""The program with the modules and names that Python has on Windows, in fresh interpreters."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.props import SMALL_FAN
from tests.receiver import Watcher
from tests.tui.served import Served
from tests.tui.test_in_tmux import Terminal, before_power

HERE = Path(__file__).parent
WAIT_S = 30.0
CONSOLE_CLOSED = 0xC0
"""Exit code of the stand-in once the program has handled the event."""


@pytest.fixture
def system(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", str(HERE))


@pytest.fixture(scope="module", autouse=True)
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[subprocess.Popen[str]]:
    """Begin the demo with few readings, which waits most of its time, during the other tests."""
    words = ["demo", "--auto", "--json", "--seed", "12"]
    bench = tmp_path_factory.mktemp("demo")
    process = subprocess.Popen(
        [sys.executable, "-m", "benchtest", *words, "--bench", bench],
        env=os.environ | {"PYTHONPATH": str(HERE)}, encoding="utf-8",
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    yield process
    process.kill()
    process.communicate()


@pytest.fixture
def prop(tmp_path: Path) -> Path:
    path = tmp_path / "Prüf stand" / "small fan.toml"  # a space and another letter
    path.parent.mkdir()
    path.write_text(SMALL_FAN, encoding="utf-8")
    return path


@pytest.fixture
def watcher() -> Iterator[Watcher]:
    made = Watcher()
    yield made
    made.close()


def _until(true: Callable[[], bool], process: subprocess.Popen[bytes]) -> None:
    due_s = time.monotonic() + WAIT_S
    while not true():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < due_s
        time.sleep(0.01)


def _run(*words: object) -> str:
    done = subprocess.run(
        [sys.executable, *map(str, words)],
        capture_output=True, encoding="utf-8", timeout=4 * WAIT_S, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


ALL = """
import importlib, os, pkgutil, sys
import benchtest
from benchtest.cli.main import main
from benchtest.cli.parser import build_parser
from benchtest.operating_system import STOP_SIGNAL, system

assert system() == "windows" and STOP_SIGNAL is None
posix = {"benchtest.tui.terminal_driver", "benchtest.__main__"}
for module in pkgutil.walk_packages(benchtest.__path__, "benchtest."):
    if module.name not in posix:
        importlib.import_module(module.name)
assert posix.isdisjoint(sys.modules)
(commands,) = [one for one in build_parser()._actions if hasattr(one, "choices") and one.choices
               and "demo" in one.choices]
for name in commands.choices:
    assert main([name, "--help"]) == 0, name
assert main(["doctor", "--bench", sys.argv[1]]) == 0
"""


def test_every_module_loads_and_every_command_has_its_help(system: None, tmp_path: Path) -> None:
    printed = _run("-c", ALL, tmp_path / "bench")
    assert printed.count("usage: benchtest") > 15
    assert "the frame clock has the highest priority" in printed


@pytest.mark.parametrize(
    ("number", "code"),
    [(signal.SIGUSR2, CONSOLE_CLOSED), (signal.SIGINT, 130), (signal.SIGUSR1, 138)],
    ids=["console closed", "Ctrl-C", "Ctrl-Break"],
)
def test_each_end_takes_the_prop_dark(
    system: None, prop: Path, watcher: Watcher, number: int, code: int
) -> None:
    words = ("drive", prop, "full-white", "--to", watcher.to, "--level", 0.5)
    process = subprocess.Popen(
        [sys.executable, "-m", "benchtest", *map(str, words)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    _until(lambda: watcher.lit_packets > 3, process)
    process.send_signal(number)
    process.communicate(timeout=WAIT_S)
    assert process.returncode == code
    assert watcher.is_dark_by_packet


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    made = Terminal(tmp_path)
    yield made
    made.end()


def test_a_session_at_a_terminal(terminal: Terminal, tmp_path: Path) -> None:
    words = f"'{sys.executable}' -m benchtest --bench '{tmp_path / 'bench'}' demo --seed 7"
    terminal.start(f"env PYTHONPATH='{HERE}' {words}")
    before_power(terminal)
    terminal.keys("Space")
    terminal.until("strand 2")
    terminal.keys("Space")
    terminal.until("strand 3")
    terminal.keys("C-c")
    terminal.until("Hidden fault: ")


async def test_the_browser_shows_it_and_its_end_is_clean(system: None, tmp_path: Path) -> None:
    served = Served(tmp_path / "bench")
    try:
        async with served.browser(code=False) as browser:
            assert (await browser.get()).status == 200
            look = await browser.look()
            await look.until("shelf")
            assert len(served.programs()) == 1
        assert served.end(signal.SIGUSR1) == 0
    finally:
        served.close()


def test_keys_reach_a_simulation_in_a_terminal(terminal: Terminal, prop: Path) -> None:
    words = f"'{sys.executable}' -m benchtest simulate '{prop}' --port 0"
    terminal.start(f"env PYTHONPATH='{HERE}' {words}")
    terminal.until("Type 4A to read")
    terminal.keys("1A", "Enter")
    terminal.until("1A: ")


NAMES = """
import json, sys
found = []
for text in json.loads(sys.argv[1]):
    try:
        exec(compile(text, "x", "exec"), {"__name__": "benchtest.x"})
        found.append(text)
    except (ImportError, AttributeError):
        pass
print(json.dumps(found))
"""


def test_the_stand_in_has_none_of_the_names() -> None:
    """Without the stand-in each of these exists; with it a module of the package sees none."""
    gone = [
        *(f"import {name}" for name in ("termios", "fcntl", "grp", "pwd", "resource", "pty")),
        *(f"import os; os.{name}" for name in ("geteuid", "killpg", "sched_setscheduler")),
        *(f"import signal; signal.{name}" for name in ("SIGHUP", "SIGTSTP", "setitimer")),
        "import time; time.CLOCK_BOOTTIME",
        "import select; select.poll",
    ]
    for folder, there in (("", gone), (str(HERE), [])):
        done = subprocess.run(
            [sys.executable, "-c", NAMES, json.dumps(gone)], check=True,
            env=os.environ | {"PYTHONPATH": folder}, capture_output=True,
        )  # fmt: skip
        assert json.loads(done.stdout) == there


def test_the_demo_finds_its_fault(demo: subprocess.Popen[str]) -> None:
    printed, errors = demo.communicate(timeout=4 * WAIT_S)
    assert demo.returncode == 0, errors
    assert json.loads(printed)["found"]
