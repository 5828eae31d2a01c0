"""How long a diagnosis takes, in process and as a command, and how much memory.

python -m tests.bench.diagnose
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from importlib.resources import files
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.circuit.predict import every_strand_end, predict
from benchtest.diagnosis import Engine
from benchtest.prop.design import Design
from benchtest.prop.lit import everything
from benchtest.prop.reader import parse_design
from benchtest.prop.writer import write_design
from tests.bench.circuit import fan
from tests.bench.figures import note, run

TIMES, READINGS = 3, 12


def command_s(design: Design, folder: Path) -> tuple[float, float]:
    """Best time [s] and peak memory [MiB] of `benchtest diagnose` with twelve readings."""
    prop, readings = folder / "prop.toml", folder / "readings.csv"
    prop.write_text(write_design(design), encoding="utf-8")
    wanted = every_strand_end(design)[:READINGS]
    rows = predict(design, everything(design), wanted, {"4A+": 0.8}).probes
    text = "".join(f"all,{row.probe},{row.volts:.3f}\n" for row in rows)
    readings.write_text(f"lit,probe,volts\n{text}", encoding="utf-8")
    words = [sys.executable, "-m", "benchtest", "diagnose", str(prop)]
    words += ["--readings", str(readings), "--json"]
    took_s = []
    for _ in range(TIMES):
        start_s = time.perf_counter()
        done = subprocess.run(words, stdout=subprocess.PIPE, check=True)
        took_s.append(time.perf_counter() - start_s)
        assert json.loads(done.stdout)["suspects"]
    peak_mib = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return min(took_s), peak_mib


def first_plan_ms(design: Design) -> float:
    """A new engine up to the first reading it asks for: every single fault at every probe. [ms]"""
    found = []
    for _ in range(TIMES):
        engine = Engine(design)
        start_s = time.perf_counter()
        engine.diagnose()
        found.append((time.perf_counter() - start_s) * 1e3)
    return min(found)


def main() -> None:
    """Print each."""
    text = files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")
    small = parse_design(text, "willow-fan")
    with tempfile.TemporaryDirectory() as folder:
        # the small one first: peaks of children only grow
        for name, design, most_s in (("12 × 30", small, 1.2), ("64 × 50", fan(64, 50), 6.0)):
            took_s, peak_mib = command_s(design, Path(folder))
            print(f"diagnose, {READINGS} readings, {name}: {took_s:.2f} s, {peak_mib:.0f} MiB")
            note(f"benchtest diagnose of {READINGS} readings, {name}, whole process", took_s, "s",
                 most=most_s)  # fmt: skip
            note(f"its peak memory, {name}", peak_mib, "MiB", most=1024)
    plan_ms = first_plan_ms(small)
    print(f"a new engine's first plan, 12 × 30: {plan_ms:.0f} ms")
    note("a new engine up to its first plan, 12 × 30: every single fault × probe × lit set, and "
         "their information", plan_ms, "ms")  # fmt: skip


if __name__ == "__main__":
    run(main)
