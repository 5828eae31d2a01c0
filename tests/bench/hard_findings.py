"""Findings on hard evidence: `python -m tests.bench.hard_findings [SEED] [--sizes 14x27 64x50]`.

A fixed grid: props of four sizes, and for each a sound unit, one fault, 40 readings of two faults
with slips, three repairs, dark strands, and a prop whose nodes lack volts. Designs, faults, probes
and noise are drawn from the seed. Each case is diagnosed at a third, two thirds and all of its
evidence by one engine, as in a session. Each size runs in a process of its own, which takes all its
cases in turn. Prints processor seconds, work units and memory; asserts nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from benchtest.diagnosis import Engine, Finding, PreRepairEvidence, still_valid
from benchtest.diagnosis.planning.candidates import lit_sets, reachable_probes
from benchtest.evidence.marks import Mark
from benchtest.evidence.readings import Reading
from benchtest.operating_system import return_freed_memory, share_one_arena
from benchtest.prop.conductors import parse_wire
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import catalogue
from benchtest.virtual.virtual_prop import VirtualProp
from tests.bench.diagnosis import look, new_unit, read
from tests.bench.figures import note, run
from tests.bench.findings import drawn_design, peak_mib, resident_mib, slipped

SIZES = ((14, 27), (16, 50), (32, 50), (64, 50))
MOST_S = {True: (0.25, 1.0, 2.0), False: (4.0, 4.0, 4.0)}
"""Median, 99th percentile and worst, of props up to 800 nodes; of larger ones only the worst."""
MOST_MIB = {True: 350.0, False: 700.0}
SMALL_NODES = 800
LACKING_CASES = ("one fault", "40 readings", "three repairs")
"""Cases that are repeated on the prop whose nodes lack volts."""
SHORT_OF_VOLTS = ("ws2811-5v", "ws2812b-5v", "ws2811-12v-resistor")


@dataclass
class Evidence:
    """Evidence on one unit, growing.

    Attributes:
        name: of the case.
        readings: of all steps.
        marks: seen before the first reading.
        before: evidence from before each repair.
    """

    name: str
    readings: list[Reading]
    marks: list[Mark]
    before: list[PreRepairEvidence]

    def steps(self) -> Iterator[tuple[list[Reading], list[Mark]]]:
        """Yield a third, two thirds and all of the readings, each with the marks."""
        for part in (1, 2, 3):
            yield self.readings[: len(self.readings) * part // 3], self.marks


class Case:
    """One unit with hidden faults, and a person who reads at random probes."""

    def __init__(self, rng: np.random.Generator, design: Design, faults: list[str], seed: int):
        self.rng, self.design = rng, design
        self.prop: VirtualProp = new_unit(design, faults, seed)
        self._probes = reachable_probes(design)
        self._lits = lit_sets(design, np.zeros(len(design.strands)))

    def readings(self, count: int) -> list[Reading]:
        """Return readings; every third one repeats a lit set, as at the bench."""
        found: list[Reading] = []
        lit = self._lits[0]
        for number in range(count):
            if number % 3 == 0:
                lit = self._lits[int(self.rng.integers(len(self._lits)))]
            probe = self._probes[int(self.rng.integers(len(self._probes)))]
            found.append(slipped(self.rng, read(self.prop, lit, probe)))
        return found

    def marks(self) -> list[Mark]:
        """Return a look of all strands."""
        return look(self.prop, all_lit(self.design, 0.25))


def joint_faults(rng: np.random.Generator, design: Design, count: int, sort: str) -> list[str]:
    """Return faults of different joints, open or with a resistance that shows."""
    names = [joint.name for joint in power_joints(design)]
    chosen = [names[int(place)] for place in rng.permutation(len(names))[:count]]
    if sort == "open":
        return [f"{name}=open" for name in chosen]
    return [f"{name}={np.exp(rng.uniform(np.log(0.1), np.log(3.0))):.3g}" for name in chosen]


def short_of_volts(rng: np.random.Generator, design: Design) -> Design:
    """Return the same prop on one long thin cable, with thin wire: most nodes lack volts."""
    kind, feed = catalogue()[str(rng.choice(SHORT_OF_VOLTS))], design.feeds[0]
    wire = parse_wire("24 AWG CCA")
    cable = replace(feed, volts=kind.volts, wire=parse_wire("14 AWG"), length_mm=4000.0)
    strands = tuple(replace(strand, wire=wire) for strand in design.strands)
    return replace(design, node=kind, strands=strands, feeds=(cable,))


def cases(seed: int, design: Design) -> Iterator[Evidence]:
    """Yield the evidence of every case on one design."""
    rng = np.random.default_rng([seed, design.node_count])
    number = 0

    def case(faults: list[str], of: Design = design) -> Case:
        nonlocal number
        number += 1
        return Case(rng, of, faults, seed * 100 + number)

    unit = case([])
    yield Evidence("sound", unit.readings(9), unit.marks(), [])
    unit = case(joint_faults(rng, design, 1, "resistive"))
    yield Evidence("one fault", unit.readings(12), unit.marks(), [])
    unit = case(joint_faults(rng, design, 2, "resistive"))
    yield Evidence("40 readings", unit.readings(40), unit.marks(), [])
    unit = case(joint_faults(rng, design, 3, "resistive"))
    yield three_repairs(rng, unit)
    strand = design.strands[int(rng.integers(len(design.strands)))]
    node = f"{strand.number}.{int(rng.integers(1, strand.nodes))}=no-data-out"
    unit = case([*joint_faults(rng, design, 2, "open"), node])
    yield Evidence("dark strands", unit.readings(12), unit.marks(), [])


def three_repairs(rng: np.random.Generator, unit: Case) -> Evidence:
    """Return evidence after three repairs of joints that may be good, with that from before."""
    readings, marks = unit.readings(12), unit.marks()
    before: list[PreRepairEvidence] = []
    names = [joint.name for joint in power_joints(unit.design)]
    for place in rng.permutation(len(names))[:3].tolist():
        where = names[place]
        unit.prop.repair(where)
        valid = still_valid(unit.design, where, readings)
        kept = [reading for reading, ok in zip(readings, valid, strict=True) if ok]
        before.append(PreRepairEvidence(where, tuple(readings), tuple(marks), tuple(kept)))
        readings, marks = kept + unit.readings(6), []
    return Evidence("three repairs", readings, marks, before)


def findings_of(seed: int, strands: int, nodes: int) -> dict[str, Any]:
    """Return seconds and work units of every finding of one size, in this process."""
    share_one_arena()
    rng = np.random.default_rng([seed, strands, nodes])
    design = drawn_design(rng, strands, nodes)
    lacking = short_of_volts(rng, design)
    rows: list[dict[str, Any]] = []
    level = []
    for of in (design, lacking):
        engine = Engine(of)
        for case in cases(seed, of):
            if of is lacking and case.name not in LACKING_CASES:
                continue
            name = case.name if of is design else f"short of volts, {case.name}"
            repaired = [one.where for one in case.before]
            for readings, marks in case.steps():
                diagnose = partial(
                    engine.diagnose, readings, marks, repaired=repaired, before=case.before
                )
                seconds, finding = timed(diagnose)
                return_freed_memory()
                rows.append({"case": name, "s": seconds, "units": engine.work_units,
                             "settled": finding.next.settled})  # fmt: skip
            level.append(resident_mib())
    return {"name": f"{strands} × {nodes}: {design.name}", "rows": rows, "level": level,
            "peak": peak_mib()}  # fmt: skip


def timed(work: Callable[[], Finding]) -> tuple[float, Finding]:
    """Return processor seconds of a finding, and the finding."""
    start_s = time.process_time()
    found = work()
    return time.process_time() - start_s, found


def in_own_process(seed: int, strands: int, nodes: int) -> dict[str, Any]:
    """Return `findings_of` from a process of its own."""
    words = ["--row", str(seed), str(strands), str(nodes)]
    code = [sys.executable, "-m", "tests.bench.hard_findings", *words]
    done = subprocess.run(code, stdout=subprocess.PIPE, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def show(found: dict[str, Any], small: bool) -> None:
    """Print one size, a line for each case, and keep its figures."""
    print(f"{found['name']}: peak {found['peak']:.0f} MiB; after each case "
          f"{' '.join(f'{mib:.0f}' for mib in found['level'])}")  # fmt: skip
    for name in dict.fromkeys(row["case"] for row in found["rows"]):
        of = [row for row in found["rows"] if row["case"] == name]
        seconds = " ".join(f"{row['s']:6.2f}" for row in of)
        units = " ".join(f"{row['units'] / 1e6:5.2f}" for row in of)
        print(f"  {name:<30} s: {seconds}   million units: {units}", flush=True)
    every = [row["s"] for row in found["rows"]]
    p50, p99, worst = np.percentile(every, [50, 99, 100])
    print(f"  {len(every)} findings: median {p50:.2f} s, 99th percentile {p99:.2f} s, "
          f"worst {worst:.2f} s", flush=True)  # fmt: skip
    most = MOST_S[small]
    for what, value, limit in zip(
        ("median", "99th percentile", "worst"), (p50, p99, worst), most, strict=True
    ):
        note(f"hard findings, {found['name']}: {what}", float(value), "s", most=limit)
    note(f"peak memory, {found['name']}", float(found["peak"]), "MiB", most=MOST_MIB[small])


def main() -> None:
    """Print every size."""
    if (threads := "OPENBLAS_NUM_THREADS") not in os.environ:
        words = [sys.executable, "-m", "tests.bench.hard_findings", *sys.argv[1:]]
        os.execve(sys.executable, words, os.environ | {threads: "1"})
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("seed", nargs="?", type=int, default=1)
    parser.add_argument("--sizes", nargs="*", default=[])
    parser.add_argument("--row", nargs=3, type=int)
    asked = parser.parse_args()
    if asked.row:
        print(json.dumps(findings_of(*asked.row)))
        return
    for size in [tuple(map(int, text.split("x"))) for text in asked.sizes] or SIZES:
        small = size[0] * size[1] <= SMALL_NODES
        show(in_own_process(asked.seed, *size), small)


if __name__ == "__main__":
    run(main)
