"""Differences in volts and amperes from ngspice, on made-up props of every kind and state.

    python -m tests.bench.agreement [PROPS]

The props are those of `tests/outside/test_generated_props_by_ngspice.py`, by their seeds.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.circuit.network import Circuit
from benchtest.circuit.solution import solve
from benchtest.circuit.spice import spice_deck
from tests.bench.figures import note, run
from tests.outside.ngspice import by_ngspice, everywhere
from tests.outside.test_generated_props_by_ngspice import SEEDS, made

BUDGET_UV = 10.0


def apart(seed: int, folder: Path) -> tuple[float, float, int]:
    """Worst distance of a voltage [V] and of a feed's current [A], and figures compared."""
    prop = made(seed)
    duty, probes = prop.lit.duty(prop.design), everywhere(prop.design)
    theirs = by_ngspice(spice_deck(prop.design, duty, prop.joint_ohm, probes), folder)
    ours = solve(Circuit(prop.design, prop.joint_ohm), duty)
    volts = [
        abs(theirs[f"probe_{number}"] - ours.volts(probe)) for number, probe in enumerate(probes, 1)
    ]
    amps = [abs(theirs[f"feed_{n}"] - a) for n, a in enumerate(ours.feed_a.values(), 1)]
    return max(volts), max(amps), len(volts) + len(amps)


def main() -> None:
    """Print the worst of all props."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else len(SEEDS)
    with tempfile.TemporaryDirectory() as folder:
        rows = [apart(seed, Path(folder)) for seed in list(SEEDS)[:count]]
    volts, amps, figures = (list(column) for column in zip(*rows, strict=True))
    print(f"{len(rows)} props, {sum(figures)} figures: volts at most {max(volts) * 1e6:.3g} µV "
          f"apart, feeds at most {max(amps) * 1e6:.3g} µA")  # fmt: skip
    note(f"volts apart from ngspice, worst of {sum(figures)} figures on {len(rows)} props",
         max(volts) * 1e6, "µV", most=BUDGET_UV)  # fmt: skip
    note("feed amperes apart from ngspice, worst", max(amps) * 1e6, "µA")


if __name__ == "__main__":
    run(main)
