"""Response times of the terminal program: first paint, key to packet, reading to next question.

By hand: `python -m tests.bench.screen [ROUNDS] [OTHER_CHECKOUT]`; with another checkout, both take
turns in one run. `python -m tests.bench.screen questions` times the next questions. Prints; judges
nothing. Runs in a network namespace that has only a loopback.
"""

from __future__ import annotations

import contextlib
import os
import random
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from benchtest.prop.joints import power_joints
from benchtest.prop.reader import parse_design
from benchtest.prop.writer import write_design
from tests.bench.any_prop_designs import FIXED_TEXT
from tests.bench.drive import KEY_UNIVERSES, PORT, Ear, listening
from tests.bench.evening_memory import waiting
from tests.bench.figures import note, run
from tests.bench.findings import drawn_design
from tests.bench.terminal import CONTROL, drawn, program, running

HERE = Path(__file__).parents[2]
KEYS = 2 * KEY_UNIVERSES - 2
DOWN, CHOSEN = b"\x1b[B", 8
WAIT_S = 60.0
SIZES, SEED = {(14, 27): 8, (16, 50): 8, (64, 50): 3}, 20261201
"""Readings at most of each prop whose questions are timed, by its strands and nodes."""
MAX_QUESTION_S = 0.3
ASKED = re.compile("Red on |Black on |Both leads |Repair: |Most likely: |Sign off|Move |Measure ")
"""Beginning of each question that may follow a reading; none while the program thinks."""
OPEN = re.compile("Enter")
"""Key that keeps a number, once the field is open."""
READ = ("Red on ", "Black on ", "Both leads ")
UNIT = """
import os, sys
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does
from pathlib import Path
from benchtest.session.launch_options import LaunchOptions
from benchtest.tui.app import BenchApp
folder, prop, fault = sys.argv[1:]
options = LaunchOptions(Path(folder), "virtual", Path(prop), hidden=(fault,), seed=1, points=False)
BenchApp(options, "RS-1").run()
"""
BARE = """
from textual.app import App
from textual.widgets import Static
class Bare(App):
    def compose(self):
        yield Static("bare and ready")
Bare().run()
"""


def first_paint_ms(words: Sequence[str], shows: bytes, root: Path = HERE) -> float:
    """Return the time from the start of a process until it shows these words. [ms]"""
    start_s = time.monotonic()
    seen = b""
    with program(words, root) as ours:
        while shows not in seen:
            seen += drawn(ours, 0.002)
            assert time.monotonic() - start_s < WAIT_S, seen[-500:]
        return (time.monotonic() - start_s) * 1e3


def key_to_packet_ms(root: Path) -> tuple[list[float], list[float]]:
    """Measure the time from a key to the first packet with the next strand.

    Returns:
        Of keys that are a verdict (disk, then light), and of keys that choose another strand while
        the diagnosis is at work. [ms]
    """
    folder = tempfile.mkdtemp(prefix="benchtest-")
    words = ["-m", "tests.bench.drive_sender", "screen", str(KEY_UNIVERSES), "0", str(PORT), folder]
    try:
        with listening() as ear, program(words, root) as ours:
            _until_lit(ear, ours)
            drawn(ours, 1.0)
            verdicts = [_key(ear, ours, b" ") for _ in range(KEYS)]
            # the last two strands: the diagnosis begins; meanwhile strands are looked at again
            for keys in (b" ", b" ", b"t", b"3"):
                os.write(ours, keys)
                drawn(ours, 0.3)
            return verdicts, [_key(ear, ours, DOWN) for _ in range(CHOSEN)]
    finally:
        shutil.rmtree(folder)


def _until_lit(ear: Ear, ours: int) -> None:
    end_s = time.monotonic() + WAIT_S
    while not any(any(packet.slots) for packet in list(ear.heard)):
        assert time.monotonic() < end_s, drawn(ours)[-2000:]
        drawn(ours, 0.1)


def _key(ear: Ear, ours: int, key: bytes) -> float:
    known = {packet.universe: packet.slots for packet in ear.heard}
    count = len(ear.heard)
    asked_ns = time.clock_gettime_ns(time.CLOCK_REALTIME)
    os.write(ours, key)
    while not (news := [p for p in ear.heard[count:] if p.slots != known[p.universe]]):
        drawn(ours, 0.01)
        late_s = time.clock_gettime_ns(time.CLOCK_REALTIME) / 1e9 - asked_ns / 1e9
        assert late_s < WAIT_S, f"{key!r} changed no light"
    drawn(ours, random.uniform(0.1, 0.4))
    return (news[0].at_ns - asked_ns) / 1e6


def paints(rounds: int, root: Path) -> None:
    """Time the first paint, in turn with that of a bare Textual program."""
    with tempfile.TemporaryDirectory() as folder:
        bench = str(Path(folder) / "bench")
        shelf = ["-m", "benchtest", "--bench", bench]
        first_paint_ms(shelf, b"No units on this bench", root)  # makes the records
        bare, ours = [], []
        for _ in range(rounds):
            bare.append(first_paint_ms(["-c", BARE], b"bare and ready"))
            ours.append(first_paint_ms(shelf, b"No units on this bench", root))
    print(f"{'first paint, ms':>34} {'best':>7} {'p50':>7}")
    for name, row in (("a bare Textual program", bare), ("the shelf", ours)):
        print(f"{name:>34} {min(row):7.0f} {np.median(row):7.0f}")
    print(f"{'the shelf, times the bare one':>34} {min(ours) / min(bare):7.2f} "
          f"{np.median(ours) / np.median(bare):7.2f}", flush=True)  # fmt: skip
    if root == HERE:
        note("the shelf's first paint, median", float(np.median(ours)), "ms")
        note("times that of a bare Textual program", float(np.median(ours) / np.median(bare)),
             most=1.3)  # fmt: skip


def keys(rounds: int, roots: Sequence[Path]) -> None:
    """From a key to its packet, the checkouts taking turns."""
    found: dict[tuple[Path, str], list[float]] = {}
    for _ in range(rounds):
        for root in roots:
            verdicts, chosen = key_to_packet_ms(root)
            found.setdefault((root, "verdict"), []).extend(verdicts)
            found.setdefault((root, "while it diagnoses"), []).extend(chosen)
    load = os.getloadavg()[0]
    print(f"\nkey to packet, {KEY_UNIVERSES} universes, load {load:.1f}, ms")
    print(f"{'':>34} {'keys':>5} {'p50':>7} {'p90':>7} {'p99':>7} {'max':>7}")
    for (root, what), row in found.items():
        p50, p90, p99 = np.percentile(row, [50, 90, 99])
        name = f"{'here' if root == HERE else root.name[-12:]}, {what}"
        print(f"{name:>34} {len(row):5} {p50:7.1f} {p90:7.1f} {p99:7.1f} {max(row):7.1f}")
        if root == HERE:
            note(f"key to packet, {KEY_UNIVERSES} universes, {what}: p50", float(p50), "ms")
            note(f"key to packet, {what}: p99 of {len(row)}", float(p99), "ms", most=15.0)


def key_to_question_s(strands: int, nodes: int) -> list[float]:
    """Time from Enter behind a reading to the next question on the screen. [s]

    The unit has one bad joint. Each reading is typed once the program is at rest.
    """
    text = FIXED_TEXT
    if (strands, nodes) != (14, 27):
        chance = np.random.default_rng(SEED + strands)
        text = write_design(drawn_design(chance, strands, nodes))
    joints = [one.name for one in power_joints(parse_design(text, "prop")) if one.name[0].isdigit()]
    found: list[float] = []
    with tempfile.TemporaryDirectory(prefix="benchtest-") as place:
        folder, prop = Path(place) / "bench", Path(place) / "prop.toml"
        prop.write_text(text, "utf-8")
        waiting(folder, prop, 1)
        words = ["-c", UNIT, str(folder), str(prop), f"{joints[SEED % len(joints)]}=0.3"]
        with running(words, HERE) as (ours, pid):
            asked = _until_drawn(ours, ASKED)
            while asked in READ and len(found) < SIZES[strands, nodes]:
                asked = _at_rest(ours, pid) or asked
                os.write(ours, b"v")
                _until_drawn(ours, OPEN)
                drawn(ours, 0.3)
                start_s = time.monotonic()
                os.write(ours, b"\r")
                asked = _until_drawn(ours, ASKED)
                found.append(time.monotonic() - start_s)
                asked = _at_rest(ours, pid) or asked
    return found


def _until_drawn(ours: int, words: re.Pattern[str]) -> str:
    """Wait for words on the screen; return the last of them."""
    seen, end_s = b"", time.monotonic() + WAIT_S
    while not (found := words.findall(CONTROL.sub(b" ", seen).decode("utf-8", "replace"))):
        assert time.monotonic() < end_s, seen[-2000:]
        seen += drawn(ours, 0.002)
    return str(found[-1])


def _at_rest(ours: int, pid: int) -> str:
    """Wait until the program hardly works; return the beginning of the last question meanwhile."""
    seen, end_s = b"", time.monotonic() + 4.0 * WAIT_S
    share = 1.0
    while share > 0.25:
        assert time.monotonic() < end_s, "it is never at rest"
        before_s = _wanted_s(pid)
        seen += drawn(ours, 0.6)
        share = (_wanted_s(pid) - before_s) / 0.6
    asked = ASKED.findall(CONTROL.sub(b" ", seen).decode("utf-8", "replace"))
    return str(asked[-1]) if asked else ""


def _wanted_s(pid: int) -> float:
    """Time that a process's threads have run or waited for a core. [s]

    Source: Linux, Documentation/scheduler/sched-stats: first two figures of a task's schedstat.
    """
    found = 0.0
    for task in Path(f"/proc/{pid}/task").glob("*/schedstat"):
        with contextlib.suppress(OSError):  # a thread that has just ended
            found += sum(map(int, task.read_text().split()[:2])) / 1e9
    return found


def questions() -> None:
    """Time from a reading's Enter to the next question, for props of some sizes."""
    load = os.getloadavg()[0]
    print(
        f"\nreading to next question, load {load:.1f}, s\n{'':>34} {'n':>5} {'p50':>7} {'max':>7}"
    )
    for strands, nodes in SIZES:
        row = key_to_question_s(strands, nodes)
        print(f"{f'{strands} x {nodes}':>34} {len(row):5} {np.median(row):7.3f} {max(row):7.3f}",
              flush=True)  # fmt: skip
        name = f"from a reading's Enter to the next question, {strands} x {nodes}"
        note(f"{name}, median of {len(row)}", float(np.median(row)), "s")
        note(f"{name}, at worst", max(row), "s", most=MAX_QUESTION_S)


def main() -> None:
    """Print every figure, or those of questions alone."""
    if sys.argv[1:] == ["questions"]:
        questions()
        return
    if os.environ.get("BENCH_ALONE") is None:
        setup = "PATH=$PATH:/sbin:/usr/sbin; ip link set lo up multicast on; "
        setup += 'ip route add 224.0.0.0/4 dev lo; exec "$@"'
        words = [sys.executable, "-m", "tests.bench.screen", *sys.argv[1:]]
        user = [] if os.geteuid() == 0 else ["--map-root-user"]
        again = ["unshare", *user, "--net", "sh", "-c", setup, "sh", *words]
        os.execvpe("unshare", again, os.environ | {"BENCH_ALONE": "1"})
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    others = [Path(sys.argv[2]).resolve()] if len(sys.argv) > 2 else []
    for root in (*others, HERE):
        paints(2 * rounds, root)
    keys(rounds, [*others, HERE])


if __name__ == "__main__":
    run(main)
