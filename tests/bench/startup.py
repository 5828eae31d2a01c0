"""Times of whole commands, in turn with a bare interpreter.

By hand: `python -m tests.bench.startup`. Judges nothing. Bytecode is kept, as in an installation.
Processor time is the sum of a command's processes; of a machine with other work it shows more.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from importlib.resources import as_file, files

import numpy as np

from tests.bench.figures import note, run

TIMES = 15
BARE = "bare interpreter"
NUMPY = "the same with numpy"
MAX_PREDICT_MS = 250.0
PROP = "benchtest.virtual", "willow-fan.toml"


def commands(prop: str) -> dict[str, list[str]]:
    """Return the words of each command for the interpreter, by its name."""
    ours = {
        "benchtest --help": ["--help"],
        "benchtest --version": ["--version"],
        "benchtest predict --help": ["predict", "--help"],
        "benchtest check": ["check", prop],
        "benchtest predict": ["predict", prop],
        "benchtest diagnose, its first reading": ["diagnose", prop],
    }
    bare = {BARE: ["-c", "pass"], NUMPY: ["-c", "import numpy"]}
    return bare | {name: ["-m", "benchtest", *words] for name, words in ours.items()}


def whole_ms(words: list[str]) -> tuple[float, float]:
    """Return the time of a process of this interpreter, and its processor time. [ms]"""
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True, env=kept)
    took_s = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return took_s * 1e3, used_s * 1e3


def main() -> None:
    """Print each time, and the budget that help must keep to."""
    with as_file(files(PROP[0]).joinpath(PROP[1])) as path:
        every = commands(str(path))
        found: dict[str, list[tuple[float, float]]] = {name: [] for name in every}
        for _ in range(1 + TIMES):
            for name, words in every.items():
                found[name].append(whole_ms(words))
    best = {name: min(took for took, _ in row[1:]) for name, row in found.items()}
    help_ms = 1.5 * best[BARE] + 100.0
    budgets = {"benchtest --help": help_ms, "benchtest predict": MAX_PREDICT_MS}
    print(f"{'whole process, ms':>40} {'best':>7} {'p50':>7} {'processor':>9}")
    for name, row in found.items():
        median, used = np.median([took for took, _ in row[1:]]), min(used for _, used in row[1:])
        print(f"{name:>40} {best[name]:7.1f} {median:7.1f} {used:9.1f}")
        note(f"{name}, whole process", best[name], "ms", most=budgets.get(name))
        if name in budgets:
            note(f"{name}, processor time", used, "ms")
    note("benchtest predict, times the bare interpreter", best["benchtest predict"] / best[BARE])
    print(f"{'budget of --help':>40} {help_ms:7.1f}")
    with tempfile.TemporaryDirectory() as folder:
        words = ["-m", "benchtest", "--bench", folder, "demo", "--auto"]
        took_ms, used_ms = whole_ms(words)
    print(f"{'benchtest demo --auto':>40} {took_ms:7.0f} {'':7} {used_ms:9.0f}")
    note("benchtest demo --auto, whole process", took_ms / 1e3, "s")
    note("benchtest demo --auto, processor time", used_ms / 1e3, "s")


if __name__ == "__main__":
    run(main)
