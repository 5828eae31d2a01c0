"""CPU time and memory of findings in a running session: `python -m tests.bench.findings [SEED]`.

    python -m tests.bench.findings 7                 made-up units of every size, seed 7
    python -m tests.bench.findings 7 --quick         two small ones
    python -m tests.bench.findings --session FILE    one exported session, each step of it

Every design is drawn: size, topology, node kind, and how well it is fed. One engine goes through a
whole session of a unit, as the terminal program does: readings that the plan asks for, slips of the
typist, looks, repairs whose evidence stays, and then evidence that fits nothing. Afterwards 112 and
412 readings at random probes. Each row prints CPU seconds of a finding (median, 99th percentile,
worst), the work units charged, and peak memory of a process that did only that row. Prints; asserts
nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.diagnosis import Engine, Finding, PreRepairEvidence, still_valid
from benchtest.diagnosis.planning.candidates import lit_sets, reachable_probes
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import Reading
from benchtest.prop.conductors import board_copper, parse_wire
from benchtest.prop.design import Bus, BusPad, Design, Feed, Link, Strand, StrandEnd
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import all_lit
from benchtest.prop.node_kinds import catalogue
from benchtest.session.log.evidence import diagnose_state
from benchtest.session.log.power_checks import with_measured_supplies
from benchtest.session.report.export_tables import exported_evidence
from benchtest.virtual.virtual_prop import VirtualProp
from tests.bench.diagnosis import look, named, new_unit, read
from tests.bench.figures import note, run

SIZES = ((2, 10), (6, 20), (12, 30), (14, 27), (16, 50), (64, 50))
UNITS = 3
"""Units of each size that are tested by one engine, one after the other."""
MOST_READINGS, MOST_REPAIRS = 40, 3
MANY = (112, 412)
SLIP_CHANCE = 0.03
BUDGETS_S = {False: (0.25, 1.0, 2.0), True: (4.0, 4.0, 4.0)}
"""Median, 99th percentile and worst; of props beyond 16 strands of 50 nodes only the worst."""
BUDGET_MIB = {False: 350.0, True: 700.0}
KINDS = ("ws2811-5v", "ws2812b-5v", "ws2811-12v", "ws2811-12v-resistor", "ws2815-12v")
TOPOLOGIES = ("two buses", "ring", "one bus", "links")


@dataclass
class Times:
    """CPU seconds and work units of each finding of one row, by sort of evidence."""

    seconds: list[float] = field(default_factory=list)
    units: list[int] = field(default_factory=list)
    many: dict[int, float] = field(default_factory=dict)

    def of(self, work: Callable[[], Finding]) -> Finding:
        """Run and time one finding."""
        start_s = time.process_time()
        found = work()
        self.seconds.append(time.process_time() - start_s)
        return found


def drawn_design(rng: np.random.Generator, strands: int, nodes: int) -> Design:
    """A design of this size; from well fed to barely lit."""
    kind = catalogue()[str(rng.choice(KINDS))]
    topology, numbers = str(rng.choice(TOPOLOGIES)), range(1, strands + 1)
    wire = parse_wire(str(rng.choice(["18 AWG", "20 AWG", "22 AWG", "24 AWG CCA"])))
    pitch_mm = float(rng.choice([16.7, 33.0, 75.0]))
    copper = board_copper(float(rng.choice([1.0, 2.0])), float(rng.uniform(4.0, 15.0)))
    foot = Bus("foot", tuple(StrandEnd(n, "A") for n in numbers), copper, 40.0, topology == "ring")
    crown = Bus("crown", tuple(StrandEnd(n, "B") for n in numbers), copper, 40.0, foot.ring)
    buses = {"one bus": (foot,), "links": (foot,)}.get(topology, (foot, crown))
    turns = [StrandEnd(n, "A" if n % 2 else "B") for n in numbers]
    ends = [(StrandEnd(n, "B"), StrandEnd(n + 1, "B")) for n in range(1, strands, 2)]
    links = tuple(Link(*two, 50.0, wire) for two in ends)
    cable = parse_wire(str(rng.choice(["8 AWG", "12 AWG", "16 AWG"])))
    feeds = 1 if strands < 12 else int(rng.integers(1, 4))
    pads = [BusPad("foot", 1 + (strands - 1) * n // max(1, feeds - 1)) for n in range(feeds)]
    return Design(
        name=f"{topology}, {kind.name}, {feeds} fed",
        node=kind,
        strands=tuple(Strand(n, nodes, pitch_mm, (60.0, 60.0), wire) for n in numbers),
        data_path=tuple(turns),
        buses=buses,
        links=links if topology == "links" else (),
        feeds=tuple(
            Feed(f"feed{n}", pad, kind.volts, cable, float(rng.choice([300.0, 1500.0, 4000.0])))
            for n, pad in enumerate(dict.fromkeys(pads))
        ),
    )


def drawn_faults(rng: np.random.Generator, design: Design) -> list[str]:
    """None to three faults: joints from 60 mΩ to open, nodes and data joints."""
    count = int(rng.choice([0, 1, 2, 3], p=[0.2, 0.3, 0.3, 0.2]))
    names = [joint.name for joint in power_joints(design)]
    found = []
    for name in rng.permutation(names)[:count].tolist():
        sort = rng.random()
        strand = design.strands[int(rng.integers(len(design.strands)))]
        if sort < 0.6:
            found.append(f"{name}={np.exp(rng.uniform(np.log(0.06), np.log(30.0))):.3g}")
        elif sort < 0.75:
            found.append(f"{name}=open")
        else:
            found.append(f"{strand.number}.{int(rng.integers(1, strand.nodes + 1))}=dead")
    return found


def slipped(rng: np.random.Generator, reading: Reading) -> Reading:
    """A reading as typed: now and then a digit is wrong."""
    if rng.random() > SLIP_CHANCE or reading.volts is None:
        return reading
    return replace(reading, volts=reading.volts + float(rng.choice([-0.1, 0.1, 1.0])))


def session(
    engine: Engine, prop: VirtualProp, faults: list[str], rng: np.random.Generator, times: Times
) -> list[Reading]:
    """One unit as at the bench: read, look, repair, and read on when all is settled."""
    design = engine.design
    readings: list[Reading] = []
    marks: list[Mark] = look(prop, all_lit(design, 0.25)) if rng.random() < 0.7 else []
    repaired: list[str] = []
    before: list[PreRepairEvidence] = []
    probes, taken = reachable_probes(design), 0
    lits = lit_sets(design, np.zeros(len(design.strands)))

    def finding() -> Finding:
        return times.of(lambda: engine.diagnose(readings, marks, repaired=repaired, before=before))

    found = finding()
    while taken < MOST_READINGS:
        worst = named(found)
        if found.look and len(marks) < 8 * len(design.strands):
            marks += look(prop, found.look.lit)
        elif found.next.settled and worst and len(before) < MOST_REPAIRS:
            readings, marks = repair(prop, worst, readings, marks, repaired, before)
        elif found.next.settled or found.next.lit is None or found.next.probe is None:
            # settled: a person who goes on reads somewhere else
            for _ in range(4):
                lit, probe = (
                    lits[int(rng.integers(len(lits)))],
                    probes[int(rng.integers(len(probes)))],
                )
                readings.append(slipped(rng, read(prop, lit, probe)))
            taken += 4
        else:
            readings.append(slipped(rng, read(prop, found.next.lit, found.next.probe)))
            taken += 1
        found = finding()
    # evidence that fits nothing: the same probes with a few volts moved
    readings = [
        replace(r, volts=r.volts + float(rng.normal(0.0, 0.2)))
        if r.volts is not None and rng.random() < 0.5
        else r
        for r in readings
    ]
    finding()
    return readings


def repair(
    prop: VirtualProp,
    where: str,
    readings: list[Reading],
    marks: list[Mark],
    repaired: list[str],
    before: list[PreRepairEvidence],
) -> tuple[list[Reading], list[Mark]]:
    """Return the readings and marks that remain valid after work on a suspect, guilty or not."""
    prop.repair(where)
    valid = still_valid(prop.design, where, readings)
    kept = [reading for reading, ok in zip(readings, valid, strict=True) if ok]
    before.append(PreRepairEvidence(where, tuple(readings), tuple(marks), tuple(kept)))
    repaired.append(where)
    return kept, []


def many(
    engine: Engine, prop: VirtualProp, count: int, rng: np.random.Generator, times: Times
) -> None:
    """So many readings at random probes, some of them several times."""
    design = engine.design
    probes, lits = reachable_probes(design), lit_sets(design, np.zeros(len(design.strands)))
    readings: list[Reading] = []
    while len(readings) < count:
        lit, probe = lits[int(rng.integers(len(lits)))], probes[int(rng.integers(len(probes)))]
        readings += [slipped(rng, read(prop, lit, probe)) for _ in range(int(rng.integers(1, 4)))]
    start_s = time.process_time()
    engine.diagnose(readings[:count])
    times.many[count] = time.process_time() - start_s


def row(seed: int, strands: int, nodes: int) -> dict[str, object]:
    """All findings of one size, in this process."""
    rng = np.random.default_rng([seed, strands, nodes])
    design = drawn_design(rng, strands, nodes)
    engine, times, level = Engine(design), Times(), []
    for unit in range(UNITS):
        faults = drawn_faults(rng, design)
        prop = new_unit(design, faults, seed * 100 + unit)
        session(engine, prop, faults, rng, times)
        level.append(resident_mib())
    for count in MANY:
        many(engine, prop, count, rng, times)
    return {
        "name": f"{strands} × {nodes}: {design.name}",
        "seconds": times.seconds,
        "many": times.many,
        "level": level,
        "peak": peak_mib(),
    }


def of_session(file: Path) -> dict[str, object]:
    """Every step of an exported session, as the program would have diagnosed it."""
    evidence = exported_evidence(file.read_text("utf-8").split("\n"), file.name)
    times, level = Times(), []
    engine = Engine(with_measured_supplies(evidence.design, evidence.state.checks))
    times.of(lambda: diagnose_state(engine, evidence.state, Meter.parse(evidence.row.meter)))
    level.append(resident_mib())
    return {"name": file.name, "seconds": times.seconds, "many": {}, "level": level,
            "peak": peak_mib()}  # fmt: skip


def peak_mib() -> float:
    """Peak resident memory of this process. [MiB]"""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def resident_mib() -> float:
    """Resident memory of this process now. [MiB]"""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def show(found: dict[str, Any], large: bool) -> None:
    """One line, and its figures."""
    seconds = np.array(found["seconds"])
    p50, p99, worst = np.percentile(seconds, [50, 99, 100])
    rest = ", ".join(f"{count}: {s:.2f} s" for count, s in found["many"].items())
    level = " ".join(f"{mib:.0f}" for mib in found["level"])
    print(f"{found['name']:<50} {len(seconds):4} {p50:6.2f} {p99:6.2f} {worst:6.2f} "
          f"{found['peak']:6.0f}   {level}   {rest}", flush=True)  # fmt: skip
    most = BUDGETS_S[large]
    note(f"a finding, {found['name']}: median", float(p50), "s", most=most[0])
    note(f"99th percentile, {found['name']}", float(p99), "s", most=most[1])
    note(f"worst, {found['name']}", float(worst), "s", most=most[2])
    for count, s in found["many"].items():
        note(f"{count} readings, {found['name']}", float(s), "s", most=most[2])
    note(f"peak memory, {found['name']}", float(found["peak"]), "MiB", most=BUDGET_MIB[large])


def in_own_process(words: Iterable[str]) -> dict[str, Any]:
    """Return a row from a process of its own, so that its memory does not include other rows."""
    code = [sys.executable, "-m", "tests.bench.findings", "--row", *words]
    done = subprocess.run(code, capture_output=True, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def main() -> None:
    """Print a line for each size, or for one session."""
    if (threads := "OPENBLAS_NUM_THREADS") not in os.environ:
        words = [sys.executable, "-m", "tests.bench.findings", *sys.argv[1:]]
        os.execve(sys.executable, words, os.environ | {threads: "1"})
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", nargs="?", type=int, default=1)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--session", type=Path, action="append", default=[])
    parser.add_argument("--sizes", nargs="*", default=[])
    parser.add_argument("--row", nargs="*")
    asked = parser.parse_args()
    if asked.row:
        words = asked.row
        found = of_session(Path(words[0])) if len(words) == 1 else row(*map(int, words))
        print(json.dumps(found))
        return
    print(f"{'finding':<50} {'n':>4} {'p50 s':>6} {'p99 s':>6} {'max s':>6} {'MiB':>6}   level")
    for file in asked.session:
        show(in_own_process([str(file)]), large=False)
    sizes = [tuple(map(int, size.split("x"))) for size in asked.sizes] or list(SIZES)
    for strands, nodes in [] if asked.session else sizes[:2] if asked.quick else sizes:
        found = in_own_process([str(asked.seed), str(strands), str(nodes)])
        show(found, large=strands * nodes > 800)


if __name__ == "__main__":
    run(main)
