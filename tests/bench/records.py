"""Time until an event is on disk. By hand: `python tests/bench/records.py [FOLDER]`.

Give a folder on the disk that will hold the records: an SD card is slower than this machine's.
Judges nothing.
"""

from __future__ import annotations

import sys
import tempfile
import time
from importlib.resources import files
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.records.shelf import Shelf
from tests.bench.figures import note, run

TIMES = 1000
BUDGET_MS = 15.0


def append_ms(folder: Path) -> list[float]:
    """Time of each append of a reading. [ms]"""
    text = files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")
    took = []
    with Shelf(folder) as shelf:
        session = shelf.start_session("WF-03", "Willow fan", text, "2026", "0.5%+3/6000")
        for number in range(TIMES):
            data = {"lit": "1 3 5 7", "probe": "4B", "volts": number / 1e3}
            start = time.perf_counter()
            shelf.append(session, "reading", data, "2026-11-25T18:00:00.000+00:00")
            took.append((time.perf_counter() - start) * 1e3)
    return took


def main() -> None:
    """Print the spread of the times, and the budget."""
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as folder:
        took = append_ms(Path(folder))
        start = time.perf_counter()
        Shelf(Path(folder)).close()
        open_ms = (time.perf_counter() - start) * 1e3
    for name, share in (("p50", 50), ("p99", 99), ("longest", 100)):
        ms = float(np.percentile(took, share))
        most = BUDGET_MS if share == 99 else None
        note(f"event accepted and durable, {name}", ms, "ms", most=most)
        print(f"append, {name:>8} {np.percentile(took, share):7.2f} ms")
    print(f"budget of p99    {BUDGET_MS:7.2f} ms")
    note(f"opening and checking {TIMES} events", open_ms, "ms")
    print(f"open and check   {open_ms:7.2f} ms, {TIMES} events")


if __name__ == "__main__":
    run(main)
