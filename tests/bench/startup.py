"""Start times of commands. By hand: `python tests/bench/startup.py`. Judges nothing."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.figures import note, run

TIMES = 15
COMMANDS = {
    "bare interpreter": ["-c", "pass"],
    "benchtest --help": ["-m", "benchtest", "--help"],
    "benchtest --version": ["-m", "benchtest", "--version"],
    "benchtest predict --help": ["-m", "benchtest", "predict", "--help"],
}


def best_ms(words: list[str]) -> float:
    """Best of a few runs of this interpreter. [ms]"""
    found = []
    for _ in range(TIMES):
        start = time.perf_counter()
        subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
        found.append(time.perf_counter() - start)
    return min(found) * 1e3


def main() -> None:
    """Print each time, and the budget that help must keep to."""
    bare_ms = 0.0
    for name, words in COMMANDS.items():
        ms = best_ms(words)
        bare_ms = bare_ms or ms
        print(f"{name:>26} {ms:7.1f} ms")
        most = 1.5 * bare_ms + 100 if name == "benchtest --help" else None
        note(f"{name}, whole process", ms, "ms", most=most)
    print(f"{'budget of --help':>26} {1.5 * bare_ms + 100:7.1f} ms")


if __name__ == "__main__":
    run(main)
