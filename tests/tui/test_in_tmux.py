"""The program in a real terminal, with keys, screen text, and a kill."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from importlib.resources import files
from itertools import cycle
from pathlib import Path

import pytest

from benchtest.records.shelf import Shelf
from benchtest.session.log.events import VerdictGiven
from benchtest.session.session import Session
from benchtest.virtual.remote_prop import start_simulation
from tests.drive.scpi.simulated_meter import SimulatedMeter
from tests.tui.conftest import make_ready
from tests.waiting import until


class Terminal:
    """One tmux window of 80×24."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._servers = 0
        self.socket = str(folder / "tmux0")

    def tmux(self, *words: str) -> str:
        done = subprocess.run(
            ["tmux", "-S", self.socket, *words], capture_output=True, text=True, check=True
        )
        return done.stdout

    def start(self, command: str, columns: int = 80, lines: int = 24) -> None:
        size = ["-x", str(columns), "-y", str(lines)]
        env = {**os.environ, "LANG": "C.UTF-8", "LC_ALL": "C.UTF-8"}
        subprocess.run(
            ["tmux", "-S", self.socket, "-f", "/dev/null", "new-session", "-d", *size, command],
            check=True,
            env=env,
        )
        self.tmux("set-option", "-g", "remain-on-exit", "on")

    def end(self) -> None:
        """End this window. The next one uses another server: a dying one still has its socket."""
        self.tmux("kill-server")
        self._servers += 1
        self.socket = str(self.folder / f"tmux{self._servers}")

    def screen(self) -> str:
        return self.tmux("capture-pane", "-p")

    def keys(self, *keys: str) -> None:
        self.tmux("send-keys", *keys)

    def until(self, words: str) -> str:
        drawn = [""]

        def is_drawn() -> bool:
            drawn.append(self.screen())
            return words in drawn[-1]

        until(is_drawn, words=lambda: f"{words!r} in:\n{drawn[-1]}")
        return drawn[-1]


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    assert shutil.which("tmux"), "tmux is needed: apt-get install tmux"
    made = Terminal(tmp_path)
    yield made
    subprocess.run(["tmux", "-S", made.socket, "kill-server"], capture_output=True, check=False)


def test_a_killed_program_resumes_its_session(terminal: Terminal) -> None:
    bench = terminal.folder / "bench"
    demo = f"{sys.executable} -m benchtest --bench {bench} demo --seed 7"
    terminal.start(f"{demo}; sleep 60")
    before_power(terminal)
    terminal.keys("Space")
    terminal.until("strand 2")
    terminal.keys("Space")
    terminal.until("strand 3")
    subprocess.run(["pkill", "-9", "-f", f"{bench} demo --seed 7$"], check=False)
    terminal.end()
    terminal.start(f"{demo}; sleep 60")
    terminal.until("Does every node of strand 3")
    terminal.until("  2✓")
    terminal.keys("Escape")
    terminal.until("Unfinished: ")
    terminal.keys("q")
    terminal.until("Hidden fault: ")


def before_power(terminal: Terminal) -> None:
    """Pass all checks and first light with the keys of a clicker, and one number."""
    terminal.until("Ohms between")
    terminal.keys("NPage")
    terminal.until("Does + of feed")
    terminal.keys("NPage")
    terminal.until("intact fuse of 20 A")
    terminal.keys("NPage")
    terminal.until("Volts of the supply")
    terminal.keys("5.02", "Enter")
    terminal.until("First light")
    terminal.keys("NPage")
    terminal.until("As drawn?")
    terminal.keys("F5")  # unlike the drawing
    terminal.until("what do the nodes show in turn")
    terminal.keys("F5")  # nor as any setting of a controller: strand by strand
    terminal.until("Does every node of strand 1")


def test_a_clicker_and_a_mouse_work_in_a_real_terminal(terminal: Terminal) -> None:
    bench = terminal.folder / "bench"
    prop = Path(str(files("benchtest.virtual").joinpath("willow-fan.toml")))
    with start_simulation(prop, ["1.9=dark"]) as virtual:
        words = f"--bench {bench} --prop {prop} --no-pointing --to {virtual.target}"
        terminal.start(f"{sys.executable} -m benchtest {words}; sleep 60", 120, 40)
        terminal.until("No units on this bench")
        terminal.keys("n")
        terminal.until("tag of the unit")
        terminal.keys("WF-45", "Enter")
        before_power(terminal)
        terminal.keys("F5")  # strand 1 fails
        terminal.until("Do all of 1.1 to 1.15 light?")
        terminal.keys("PPage")  # back: it was a slip
        terminal.until("took back: strand 1 failed")
        terminal.keys("b")
        until(lambda: virtual.state()["nodes_lit"] == 0)
        terminal.keys("b")
        until(lambda: virtual.state()["nodes_lit"] > 20)
        screen = terminal.until("it does not").splitlines()
        (row,) = [y for y, line in enumerate(screen, 1) if "it does not" in line]
        column = screen[row - 1].index("it does not") + 1
        for ending in "Mm":  # pressed and let go: SGR mouse reports, xterm's control sequences
            terminal.keys("-l", f"\x1b[<0;{column};{row}{ending}")
        terminal.until("Do all of 1.1 to 1.15 light?")
        terminal.keys("?")
        terminal.until("Keys that work now, in search")


def test_a_reading_is_kept_without_a_key(terminal: Terminal) -> None:
    """Nodes point, leads touch loosely and then firmly, a tone, a flash, and the next places."""
    prop = terminal.folder / "prop.toml"
    prop.write_text(files("benchtest.virtual").joinpath("willow-fan.toml").read_text())
    bench, raw = terminal.folder / "bench", terminal.folder / "raw"
    make_ready(bench, prop, "WF-46")
    with Shelf(bench) as shelf:
        (row,) = shelf.sessions()
        session = Session.resume(shelf, row.id)
        for strand in range(1, 13):
            session.record(VerdictGiven(strand, passed=True))
    meter = SimulatedMeter(terminal.folder, lambda: 0.0)
    with start_simulation(prop, ["4A-=1.5"], seed=2) as virtual:
        try:
            words = f"--bench {bench} --prop {prop} --to {virtual.target}"
            words += f" --readings-from scpi:{meter.port}"
            terminal.start(f"{sys.executable} -m benchtest {words}; sleep 60", 120, 40)
            terminal.until("WF-46")
            terminal.tmux("pipe-pane", f"cat > {raw}")
            terminal.keys("Enter")
            terminal.until("lit: shows red at 7.1, black (blinks) at 7.30")
            loose = cycle([1.0, 0.0, 0.6])
            meter.volts = lambda: virtual.measure("foot:7+>crown:7+") * next(loose)
            terminal.until("lit: all")
            assert "Red on foot 7 +, black on crown 7 +" in terminal.screen()
            assert "readings 1" not in terminal.screen()
            rings = raw.read_bytes().count(b"\a")
            meter.volts = lambda: virtual.measure("foot:7+>crown:7+")
            terminal.until("; lift the leads")
            assert raw.read_bytes().count(b"\a") == rings + 1
            until(lambda: virtual.state()["nodes_lit"] > 20)  # after the flash
            meter.volts = lambda: 0.0
            terminal.until("readings 1")
            # the next places, which the prop may have shown already
            until(lambda: "Red on foot 7 +, black on crown 7 +" not in terminal.screen())
        finally:
            meter.close()


@pytest.mark.parametrize("number", ["TERM", "HUP", "INT"])
def test_ending_the_program_leaves_the_prop_dark(terminal: Terminal, number: str) -> None:
    bench = terminal.folder / "bench"
    prop = Path(str(files("benchtest.virtual").joinpath("willow-fan.toml")))
    with start_simulation(prop) as virtual:
        words = f"--bench {bench} --prop {prop} --no-pointing --to {virtual.target}"
        terminal.start(f"{sys.executable} -m benchtest {words}; sleep 60")
        terminal.until("No units on this bench")
        terminal.keys("n")
        terminal.until("tag of the unit")
        terminal.keys("WF-44", "Enter")
        before_power(terminal)
        until(lambda: virtual.state()["nodes_lit"] == 30)
        for _ in range(3):  # once too often must not break off what takes it dark
            subprocess.run(["pkill", f"-{number}", "-f", f"benchtest {words}$"], check=False)
        until(lambda: virtual.state()["packets"].get("terminated", 0) == 9)
        assert virtual.state()["nodes_lit"] == 0


def test_a_small_terminal_is_refused(terminal: Terminal) -> None:
    bench = terminal.folder / "bench"
    terminal.start(f"{sys.executable} -m benchtest --bench {bench}; sleep 60", 60, 20)
    assert "make it 80×24 or larger" in " ".join(terminal.until("make it").split())
