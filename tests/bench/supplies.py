"""Supplies with different volts: `python tests/bench/supplies.py [healthy] [faulty] [seed]`.

Units of the demo design with two feeds, healthy or with one bad joint, are read as the engine asks,
each twice: by the design's volts, and by those that a meter shows of both supplies before power, as
at the bench. Truth is that of `diagnosis.py`. Prints how many sound units are called faulty and how
many joints are named either way; asserts nothing.
"""

from __future__ import annotations

import sys
from importlib.resources import files
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.diagnosis import Engine
from benchtest.prop.design import Design
from benchtest.prop.reader import parse_design
from tests.bench import figures
from tests.bench.diagnosis import EvidenceSet, calibration_error, engine_of, find, hide, new_unit

DESIGN = "gull-wing"
WAYS = ("by the design's volts", "by the volts measured before power")


def both_ways(design: Design, engine: Engine, hidden: list[str], seed: int) -> list[EvidenceSet]:
    """One unit, read twice."""
    supplied = engine_of(engine, new_unit(design, hidden, seed))
    return [find(engine, design, hidden, seed), find(supplied, design, hidden, seed)]


def main(healthy: int, faulty: int, seed: int) -> None:
    """Run the units and print their results."""
    design = parse_design(
        files("benchtest.virtual").joinpath(f"{DESIGN}.toml").read_text("utf-8"), DESIGN
    )
    engine, rng = Engine(design), np.random.default_rng([seed, 99])
    done: dict[bool, list[list[EvidenceSet]]] = {False: [], True: []}
    for bad in [False] * healthy + [True] * faulty:
        hidden, unit = hide(design, int(bad), rng), int(rng.integers(1 << 30))
        cases = both_ways(design, engine, hidden, unit)
        done[bad].append(cases)
        names = ", ".join(f"{case.named[0] or 'nothing'} in {case.readings}" for case in cases)
        print(f"{hidden or 'healthy'}, unit {unit}: {names}", flush=True)
    for place, way in enumerate(WAYS):
        sound = [cases[place] for cases in done[False]]
        ill = [cases[place] for cases in done[True]]
        _note(way, sound, ill)
    for row in figures.NOTED:
        print(f"{row['what']}: {row['value']} {row['unit']}")


def _note(way: str, sound: list[EvidenceSet], ill: list[EvidenceSet]) -> None:
    wrong = sum(case.named != [""] for case in sound)
    figures.note(f"healthy units called faulty, of {len(sound)}, {way}",
         wrong / max(1, len(sound)) * 100, "%", most=1.0 if way == WAYS[1] else None,
         count=wrong, of=len(sound))  # fmt: skip
    exact = sum(case.named == [*case.guilty] for case in ill)
    figures.note(f"exact joint named, of {len(ill)}, {way}", exact / max(1, len(ill)) * 100, "%",
         least=97.0 if way == WAYS[1] else None, count=exact, of=len(ill))  # fmt: skip
    taken = [case.readings for case in ill] or [0]
    figures.note(f"readings until a joint is named, mean, {way}", float(np.mean(taken)))
    error = calibration_error(row for case in [*sound, *ill] for row in case.said)[0]
    figures.note(f"expected calibration error, {way}", error)


if __name__ == "__main__":
    words = [int(word) for word in sys.argv[1:] if word.isdigit()]
    figures.run(lambda: main(*(words + [150, 60, 31][len(words) :])))
