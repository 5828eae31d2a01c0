"""Stops at random moments. By hand: `python -m tests.bench.stops [TRIALS] [SEED]`.

`drive` is started from an interactive shell and stopped by Ctrl-Z there, under full white and
under a walk; the terminal program is stopped by the signal while keys are typed. Each must be
stopped with a dark frame as the last packet, and must not light up when it resumes. Prints figures.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

from tests.bench.figures import note, run
from tests.tui.conftest import SMALL_FAN, make_ready
from tests.tui.stop_trials import stop_drive, stop_program

TRIALS = 100


def main(trials: int = TRIALS, seed: int = 1) -> int:
    """Try so many stops of each kind; an AssertionError names the first that was wrong."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory(prefix="stops-") as there:
        folder = Path(there)
        prop = folder / "small-fan.toml"
        prop.write_text(SMALL_FAN)
        make_ready(folder / "bench", prop, "SF-01")
        for pattern in ("full-white", "walk"):
            lit = stop_drive(folder / "driving", prop, pattern, trials, chance)
            print(f"drive {pattern}: {trials} stops, {lit} of them lit before; all dark")
            note(f"stops of drive {pattern}", trials)
        lit = stop_program(folder, trials, chance)
        print(f"terminal program: {trials} stops, {lit} of them lit before; all dark")
        note("stops of the terminal program", trials)
    return 0


if __name__ == "__main__":
    run(lambda: main(*map(int, sys.argv[1:3])))
