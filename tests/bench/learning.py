"""What the fifth unit of a batch owes to the four before it: `python tests/bench/learning.py`.

Simulated batches of the arch (one bus, 12 V) and the fan (two buses, 5 V): node current, wire and
copper are drawn for the batch and again for each of its units. Of four healthy units the readings
are taken that teach most (`diagnosis/teach.py`), one to four each, and the feed's amperes by a
clamp; what is read to clear them, which tells as little of the batch as it can, is not even used.
Then the fifth, with a hidden fault or none, is read twice: as the first unit of its kind, and with
what the four teach. Same unit, same fault, same meter. Words on the command line: batches, faults
for each of them, and seed. Prints figures; asserts nothing.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.circuit.tolerance import HAND_SOLDERED, Tolerances
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.learn import Learned, SeenUnit, learn
from benchtest.diagnosis.taps import CLAMP_A, CLAMP_SHARE
from benchtest.diagnosis.teach import teaching_readings
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.reading import Reading
from benchtest.pattern import frame_of
from benchtest.prop.design import Design, FeedName, Probe, rail_probe
from benchtest.prop.joints import power_joints
from benchtest.prop.lit import Lit, everything
from benchtest.prop.reader import parse_design
from benchtest.virtual.built import build
from benchtest.virtual.faults import parse_fault
from benchtest.virtual.prop import VirtualProp
from tests.bench.figures import note, run

DESIGNS = ("tide-arch", "willow-fan")
BATCH_SHARE = {"alike": 0.9, "no batch": 0.0}
"""Share of the variance of node current, wire and copper that a batch has in common."""
SEEN = 4
MOST_READINGS = 24
LEAST_OHM, MOST_OHM = 0.06, 30.0


def parts(share: float) -> tuple[Tolerances, Tolerances]:
    """Tolerances of a batch about its design, and of a unit about its batch."""
    t = HAND_SOLDERED
    common, own = np.sqrt(share), np.sqrt(1.0 - share)
    batch = replace(
        t,
        current=t.current * common,
        wire=t.wire * common,
        copper=t.copper * common,
        supply=0.0,
        fuse=0.0,
    )
    return batch, replace(t, current=t.current * own, wire=t.wire * own, copper=t.copper * own)


def new_unit(design: Design, share: float, batch: int, unit: int, hidden: str) -> VirtualProp:
    """A unit of a batch."""
    of_batch, of_unit = parts(share)
    like = build(design, batch, 0.0, of_batch).design
    built = build(like, unit, DEFAULT_METER.percent, of_unit)
    faults = [parse_fault(hidden, design)] if hidden else []
    return VirtualProp(design, faults, unit, built=built)


def read(prop: VirtualProp, lit: Lit, probe: Probe) -> Reading:
    """Light the unit and take a reading."""
    prop.receive(frame_of(lit.duty(prop.design)))
    return Reading(lit, probe, prop.measure(probe))


def clamped(prop: VirtualProp, seed: int) -> list[Reading]:
    """Each feed's amperes under full white, by a clamp of its own errors."""
    lit, rng = everything(prop.design), np.random.default_rng([seed, 3])
    prop.receive(frame_of(lit.duty(prop.design)))
    found = []
    for feed in prop.design.feeds:
        amps = prop.amps(feed.name) * (1.0 + CLAMP_SHARE * rng.normal()) + CLAMP_A * rng.normal()
        found.append(Reading(lit, rail_probe(FeedName(feed.name)), None, round(float(amps), 2)))
    return found


def find(engine: Engine, prop: VirtualProp) -> tuple[Finding, list[Reading]]:
    """Take what the engine asks for until it is settled."""
    readings: list[Reading] = []
    finding = engine.diagnose(readings)
    while not finding.next.settled and len(readings) < MOST_READINGS:
        lit, probe = finding.next.lit, finding.next.probe
        assert lit is not None
        assert probe is not None
        readings.append(read(prop, lit, probe))
        finding = engine.diagnose(readings)
    return finding, readings


def hide(design: Design, rng: np.random.Generator) -> str:
    """A joint of 60 mΩ to 30 Ω."""
    name = rng.choice([joint.name for joint in power_joints(design)])
    return f"{name}={np.exp(rng.uniform(np.log(LEAST_OHM), np.log(MOST_OHM))):.4g}"


@dataclass
class Tally:
    """How the units went that were read one way."""

    faulty: list[int] = field(default_factory=list)
    healthy: list[int] = field(default_factory=list)
    right: int = 0
    alarms: int = 0

    def add(self, hidden: str, finding: Finding, taken: int) -> None:
        total: dict[str, float] = {"": finding.healthy}
        for suspect in finding.suspects:
            total[suspect.where] = total.get(suspect.where, 0.0) + suspect.probability
        named = max(total, key=lambda where: total[where])
        if hidden:
            self.faulty.append(taken)
            self.right += named == hidden.partition("=")[0]
        else:
            self.healthy.append(taken)
            self.alarms += named != ""

    def line(self) -> str:
        words = []
        for what, taken, score in (
            ("fault named", self.faulty, f"{self.right}/{len(self.faulty)}"),
            ("healthy, false alarms", self.healthy, f"{self.alarms}/{len(self.healthy)}"),
        ):
            if taken:
                words.append(
                    f"{what} {score}, readings mean {np.mean(taken):.1f}, "
                    f"median {np.median(taken):g}, 90th percentile {np.percentile(taken, 90):g}"
                )
        return "; ".join(words)


def batch(
    plain: Engine, share: float, faults: Sequence[str], seed: int
) -> tuple[Learned, list[tuple[str, str, Finding, int]]]:
    """One batch: what four units teach, and how the fifth goes both ways."""
    design = plain.design
    seen = []
    asks = teaching_readings(design)
    for number in range(SEEN):
        unit = new_unit(design, share, seed, seed + 1 + number, "")
        readings = [read(unit, *ask) for ask in asks]
        seen.append(SeenUnit(f"WF-{number + 1:02}", [*readings, *clamped(unit, seed + number)]))
    learned = learn(design, seen)
    taught = Engine(learned.design, tolerances=learned.tolerances)
    rows = []
    for number, hidden in enumerate(faults):
        for way, engine in (("first", plain), ("fifth", taught)):
            unit = new_unit(design, share, seed, seed + 100 + number, hidden)
            finding, readings = find(engine, unit)
            rows.append((way, hidden, finding, len(readings)))
    return learned, rows


def study(plain: Engine, share: float, batches: int, faults: int, seed: int) -> dict[str, Tally]:
    """Batches of one design."""
    rng = np.random.default_rng(seed)
    tallies = {"first": Tally(), "fifth": Tally()}
    for _ in range(batches):
        hidden = [hide(plain.design, rng) for _ in range(faults)] + [""] * max(faults // 2, 1)
        learned, rows = batch(plain, share, hidden, int(rng.integers(1 << 29)))
        for way, where, finding, taken in rows:
            tallies[way].add(where, finding, taken)
        sd, alike = learned.tolerances, learned.tolerances.alike
        print(
            f"  learned from {len(learned.taught)}: "
            f"× {' '.join(f'{factor:.3f}' for factor in learned.factors)}; within "
            f"{sd.current:.1%} {sd.wire:.1%} {sd.copper:.1%}; together "
            f"{' '.join(f'{r:+.2f}' for r in alike)}",
            flush=True,
        )
    return tallies


def main(batches: int, faults: int, seed: int) -> None:
    """Run the batches and print what came of them."""
    for name in DESIGNS:
        text = files("benchtest.virtual").joinpath(f"{name}.toml").read_text("utf-8")
        plain = Engine(parse_design(text, name))
        for words, share in BATCH_SHARE.items():
            start_s = time.process_time()
            tallies = study(plain, share, batches, faults, seed)
            print(f"== {name}, {words}: {share:.0%} of the variance is the batch's")
            for way, tally in tallies.items():
                print(f"   {way} unit: {tally.line()}")
                note(f"{name}, {words}, {way} unit", tally.line())
            print(f"   {time.process_time() - start_s:.0f} s of one core", flush=True)


if __name__ == "__main__":
    run(lambda: main(*([int(word) for word in sys.argv[1:]] + [6, 4, 1][len(sys.argv) - 1 :])))
