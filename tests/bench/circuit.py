"""Time of a prediction, compared with ngspice on the same circuit.

By hand: `python tests/bench/circuit.py`. Prints; judges nothing.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.circuit.network import Circuit
from benchtest.circuit.prediction import predict
from benchtest.circuit.solution import solve
from benchtest.circuit.spice import spice_deck
from benchtest.prop.conductors import board_copper, parse_wire
from benchtest.prop.design import Bus, BusPad, Design, Feed, Strand, StrandEnd
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import catalogue
from benchtest.prop.writer import write_design
from tests.bench.figures import note, run

SIZES = [(12, 30), (16, 48), (24, 60), (32, 90), (48, 120), (64, 160)]
LEVELS = (1.0, 0.1)
"""At full white the larger fans are in undervoltage, at a tenth no fan is."""
BUDGET_MS = {(12, 30): 3.0, (64, 160): 120.0}
TIMES, LEAST_S = 15, 0.5
"""Fewest runs, and shortest time of all: a processor wakes up slowly. [s]"""
NGSPICE_SIZES = SIZES[:4]
"""Beyond these ngspice takes minutes."""


def fan(strands: int, nodes: int) -> Design:
    """Return a fan: strands between two buses, with one feed.

    The wire and copper are thick enough to keep the smallest fan out of undervoltage.
    """
    wire, copper = parse_wire("16 AWG"), board_copper(2.0, 8.0)
    numbers = range(1, strands + 1)
    return Design(
        name="Bench fan",
        node=catalogue()["ws2811-5v"],
        strands=tuple(Strand(number, nodes, 30.0, (60.0, 60.0), wire) for number in numbers),
        data_path=tuple(StrandEnd(number, "A" if number % 2 else "B") for number in numbers),
        buses=(
            Bus("foot", tuple(StrandEnd(number, "A") for number in numbers), copper, 40.0),
            Bus("crown", tuple(StrandEnd(number, "B") for number in numbers), copper, 40.0),
        ),
        feeds=(Feed("main", BusPad("foot", 1), 5.0, parse_wire("8 AWG"), 500.0),),
    )


def best_ms(work: Callable[[], object], times: int = TIMES) -> float:
    """Best of some runs, and of more where they are short. [ms]"""
    found: list[float] = []
    end_s = time.perf_counter() + LEAST_S
    while len(found) < times or time.perf_counter() < end_s:
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found) * 1e3


def curve() -> None:
    """A line for each size, and how the time grows with the number of nodes."""
    print(f"predict, in process; best of {TIMES} or more, milliseconds")
    print("  from the design: nothing is kept; at hand: another lit set of a prop factored before")
    print(f"{'strands × nodes':>16} {'level':>6} {'from the design':>16} {'at hand':>9}")
    for level in LEVELS:
        times, nodes = [], []
        for strands, count in SIZES:
            design = fan(strands, count)
            lit = all_lit(design, level)
            duty, circuit = lit.duty(design), Circuit(design)
            times.append(best_ms(partial(predict, design, lit)))
            nodes.append(design.node_count)
            solved = best_ms(partial(solve, circuit, duty))
            print(f"{f'{strands} × {count}':>16} {level:6g} {times[-1]:16.2f} {solved:9.2f}")
            note(
                f"predict, {strands} × {count} nodes at level {level:g}",
                times[-1],
                "ms",
                most=BUDGET_MS.get((strands, count)),
            )
        power = float(np.polyfit(np.log(nodes), np.log(times), 1)[0])
        note(f"its time grows with the nodes to the power, level {level:g}", power, most=1.15)
        print(f"  at level {level:g} time grows with the number of nodes to the power {power:.2f}")


def beside_ngspice() -> None:
    """The same circuits by both, in process and as commands."""
    if shutil.which("ngspice") is None:
        print("ngspice is not on this machine: nothing to put beside")
        return
    print("beside ngspice at full white, milliseconds; ngspice's own time is what it prints of its")
    print("analysis, in steps of a millisecond, without reading the deck")
    columns = ("solve", "ngspice's own", "predict command", "ngspice -b")
    print(f"{'strands × nodes':>16} " + " ".join(f"{column:>15}" for column in columns))
    with tempfile.TemporaryDirectory() as folder:
        for strands, count in NGSPICE_SIZES:
            row = _beside(fan(strands, count), Path(folder))
            shown = " ".join(f"{ms:15.1f}" for ms in row)
            print(f"{f'{strands} × {count}':>16} {shown}")
            for column, ms in zip(columns, row, strict=True):
                note(f"{column}, {strands} × {count} nodes at full white", ms, "ms")


def _beside(design: Design, folder: Path) -> tuple[float, ...]:
    duty = all_lit(design).duty(design)
    deck, prop = folder / "prop.cir", folder / "prop.toml"
    text = spice_deck(design, duty)
    deck.write_text(text.replace(".endc", "rusage all\n.endc"), encoding="utf-8")
    prop.write_text(write_design(design), encoding="utf-8")
    own = []

    def ngspice() -> None:
        done = _run(["ngspice", "-b", str(deck)])
        own.append(float(re.findall(r"Total analysis time \(seconds\) = (\S+)", done)[-1]) * 1e3)

    whole_ms = best_ms(ngspice, 3)
    command = [sys.executable, "-m", "benchtest", "predict", str(prop), "--json"]
    ours_ms = best_ms(partial(_run, command), 3)
    in_process_ms = best_ms(lambda: solve(Circuit(design), duty))
    return in_process_ms, min(own), ours_ms, whole_ms


def _run(command: list[str]) -> str:
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
    )
    return done.stdout


def main() -> None:
    """Print both tables."""
    curve()
    beside_ngspice()


if __name__ == "__main__":
    run(main)
