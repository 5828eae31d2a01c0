"""Time and memory of a diagnosis: `python -m tests.bench.diagnosis_speed [CHECKOUT]`.

The command as a whole process, of twelve readings, on a fan of 12 strands by 30 nodes and on one of
64 by 50, well fed, and with all of it on one feed of 5 V, where most nodes lack headroom; and what
every probe would read under every single fault and every lit set. With another checkout of the
project given, the same commands are run with its code in turn. Prints; asserts nothing.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from benchtest.circuit.tolerance import sensitivities
from benchtest.diagnosis import Engine
from benchtest.diagnosis.model.fault_response import COLUMNS
from benchtest.diagnosis.planning.candidates import lit_sets, reachable_probes
from benchtest.diagnosis.planning.forecast import Forecaster
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import BusPad, Design, Feed
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.node_kinds import catalogue
from benchtest.prop.writer import write_design
from tests.bench.circuit import fan
from tests.bench.diagnosis import new_unit, read
from tests.bench.figures import note

TIMES = 5
READINGS = 12
SEED = 5
BUDGETS = {"12 × 30": (1.2, None), "64 × 50": (6.0, 1024)}
"""Seconds, and MiB, of the whole process."""
TABLE_BUDGET_MS = 150
WAITS = """
import os, subprocess, sys, time
start_s = time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
_, status, used = os.wait4(child.pid, 0)
print(time.perf_counter() - start_s, used.ru_utime + used.ru_stime, used.ru_maxrss)
sys.exit(os.waitstatus_to_exitcode(status))
"""
"""A small program that starts the command: a child counts its parent's memory as its own peak."""


@dataclass(frozen=True)
class Run:
    """One run of the command."""

    wall_s: float
    cpu_s: float
    peak_mib: float


def large_fan() -> Design:
    """Return 64 strands of 50 nodes at 12 V, fed at six pads so that none lacks voltage."""
    plain = fan(64, 50)
    cable = parse_wire("8 AWG")
    pads = [BusPad("foot" if n % 2 else "crown", 1 + 63 * n // 5) for n in range(6)]
    feeds = tuple(Feed(f"feed{n}", pad, 12.0, cable, 500.0) for n, pad in enumerate(pads))
    return replace(plain, node=catalogue()["ws2811-12v"], feeds=feeds)


def cases() -> dict[str, tuple[Design, str]]:
    """Name, design and the fault hidden in the unit that is read; a healthy one is harder."""
    small, large, starved = fan(12, 30), large_fan(), fan(64, 50)
    return {
        "12 × 30, 4A+ bad": (small, "4A+=0.4"),
        "12 × 30, healthy": (small, ""),
        "64 × 50, 20A+ bad": (large, "20A+=0.4"),
        "64 × 50, healthy": (large, ""),
        "64 × 50, two bad": (large, "20A+=0.4 40B-=0.6"),
        "64 × 50, starved, 20A+ bad": (starved, "20A+=0.4"),
        "64 × 50, starved, healthy": (starved, ""),
    }


def write_readings(design: Design, hidden: str, file: Path) -> None:
    """Readings of one unit: three about one joint, the others anywhere, under four lit sets."""
    unit = new_unit(design, hidden.split(), SEED)
    rng, probes, count = np.random.default_rng(1), reachable_probes(design), len(design.strands)
    strand = 4 if count < 20 else 20
    near = {f"{strand}A", f"{strand}B", f"foot:{strand}+>{strand}A+"}
    if len(hidden.split()) > 1:
        near |= {"40A", "40B", "crown:40->40B-"}
    asked = [probe for probe in probes if str(probe) in near]
    asked += [probes[place] for place in rng.permutation(len(probes))[: READINGS - len(asked)]]
    evens = LitSet(frozenset(number for number in range(1, count + 1) if (number - 1) & 1))
    half = LitSet(frozenset(range(1, count // 2 + 1)))
    lits = [all_lit(design), half, LitSet(frozenset([strand])), evens]
    rows = ["lit,probe,volts"]
    for number, probe in enumerate(asked):
        taken = read(unit, lits[number % 4], probe)
        rows.append(f"{taken.lit.text(design)},{taken.probe},{taken.volts:.4f}")
    file.write_text("\n".join(rows) + "\n", encoding="utf-8")


def run(prop: Path, readings: Path, checkout: Path) -> Run:
    """The command once, with the code in a checkout."""
    words = [sys.executable, "-m", "benchtest", "diagnose", str(prop), "--readings", str(readings)]
    lean = [sys.executable, "-c", WAITS, *words, "--json"]
    done = subprocess.run(lean, cwd=checkout, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"benchtest diagnose {prop.name}: {done.stderr or done.stdout}")
    wall_s, cpu_s, peak_kib = map(float, done.stdout.split())
    return Run(wall_s, cpu_s, peak_kib / 1024)


def whole_process(checkouts: list[Path]) -> None:
    """A line for each case and checkout: medians, the checkouts in turn."""
    print(f"benchtest diagnose of {READINGS} readings, whole process; median of {TIMES} runs")
    print(f"  load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    print(f"{'':>27} {'wall s':>7} {'CPU s':>7} {'peak MiB':>9}   at most")
    with tempfile.TemporaryDirectory() as folder:
        for name, (design, hidden) in cases().items():
            prop, readings = Path(folder) / "prop.toml", Path(folder) / "readings.csv"
            prop.write_text(write_design(design), encoding="utf-8")
            write_readings(design, hidden, readings)
            taken: dict[Path, list[Run]] = {checkout: [] for checkout in checkouts}
            for _ in range(TIMES):
                for checkout in checkouts:
                    taken[checkout].append(run(prop, readings, checkout))
            for number, checkout in enumerate(checkouts):
                _say(name if not number else f"in {checkout.name}", name, taken[checkout])


def _say(words: str, case: str, runs: list[Run]) -> None:
    wall_s, cpu_s, peak = (
        statistics.median(getattr(one, field) for one in runs)
        for field in ("wall_s", "cpu_s", "peak_mib")
    )
    most_s, most_mib = BUDGETS[case.partition(",")[0]]
    most = f"{most_s} s" + (f", {most_mib} MiB" if most_mib else "")
    print(f"{words:>27} {wall_s:7.2f} {cpu_s:7.2f} {peak:9.0f}   {most}")
    if words == case:
        note(f"benchtest diagnose of {READINGS} readings, {case}, whole process", wall_s, "s",
             most=most_s)  # fmt: skip
        note(f"its peak memory, {case}", peak, "MiB", most=most_mib)


def every_fault(engine: Engine) -> int:
    """Predict every probe under every single fault and lit set; return the number of predictions.

    Lit set by lit set, as the choice of the next reading does it: half a gigabyte is never written.
    """
    design, responses, space = engine.design, engine.responses, engine.space
    circuit = responses.circuit
    look = Forecaster(responses, DEFAULT_METER, engine.tolerances)
    columns = circuit.probe_incidence(look.probes).columns()
    read = sensitivities(circuit, circuit.factor, columns, circuit.probe_offset(look.probes))
    starts = np.array([fault.start for fault in space.chain])
    stops = np.array([fault.stop for fault in space.chain])
    joints = np.empty((len(space.joints), COLUMNS, len(look.probes)))
    chain = np.empty((len(space.chain), len(look.probes)))
    count = 0
    for lit in lit_sets(design, np.zeros(len(design.strands))):
        base = look.probe_forecast(lit)
        # power joints, resistive or open, are rank-one changes: `amps * per_amp + 1 * value`
        amps = np.stack([base.compensating_a, np.ones_like(base.compensating_a)], axis=2)
        value = np.broadcast_to(base.value, base.per_amp.shape)
        np.matmul(amps, np.stack([base.per_amp, value], axis=1), out=joints)
        # data joints and nodes: runs of nodes that stay dark
        lit_a = (read.per_amp * responses.base(lit).solution.load_a[:, None])[space.order]
        upto = np.vstack([np.zeros(lit_a.shape[1]), np.cumsum(lit_a, axis=0)])
        np.subtract(upto[starts], upto[stops], out=chain)
        chain += base.value
        count += joints.size + chain.size
    return count


def table() -> None:
    """The table from the design, and with the circuit factored and the engine at hand."""
    design = fan(12, 30)
    print("every single fault × every probe × every lit set, 12 × 30; best of 5, milliseconds")
    count = every_fault(Engine(design))
    engine = Engine(design)
    cold_ms = _best_ms(lambda: every_fault(Engine(design)))
    warm_ms = _best_ms(partial(every_fault, engine))
    print(f"  {count / 1e6:.1f} million predictions; at most {TABLE_BUDGET_MS} ms")
    print(f"  from the design {cold_ms:.0f} ms, engine at hand {warm_ms:.0f} ms of a processor")
    what = "every single fault × every probe × every lit set, 12 × 30, of a processor"
    note(f"{what}: from the design", cold_ms, "ms", most=TABLE_BUDGET_MS)
    note(f"{what}: engine at hand", warm_ms, "ms", most=TABLE_BUDGET_MS)


def _best_ms(work: Callable[[], object]) -> float:
    """Return the best processor time of some runs; wall time varies on a busy machine. [ms]"""
    found = []
    for _ in range(TIMES):
        start_s = time.process_time()
        work()
        found.append(time.process_time() - start_s)
    return min(found) * 1e3


def main() -> None:
    """Print both."""
    if (threads := "OPENBLAS_NUM_THREADS") not in os.environ:  # one, as the command itself takes
        words = [sys.executable, "-m", "tests.bench.diagnosis_speed", *sys.argv[1:]]
        os.execve(sys.executable, words, os.environ | {threads: "1"})
    table()
    whole_process([Path.cwd(), *(Path(word).resolve() for word in sys.argv[1:])])


if __name__ == "__main__":
    from tests.bench.figures import run as run_bench

    run_bench(main)
