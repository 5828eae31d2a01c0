"""How well the diagnosis names joints: `python tests/bench/diagnosis.py [cases] [seed]`.

Builds units whose figures differ from the design's (node current, wire, copper, supply, every
joint, every node), hides one fault, and takes the readings that the engine asks for, with a meter
that has a gain error and steps. Truth and model share their equations, not their figures. Prints
figures; asserts nothing.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from importlib.resources import files

import numpy as np

from benchtest.diagnosis import Engine, Finding
from benchtest.evidence.reading import Reading
from benchtest.pattern import frame_of
from benchtest.prop.design import Design
from benchtest.prop.joints import power_joints
from benchtest.prop.reader import parse_design
from benchtest.virtual.faults import parse_fault
from benchtest.virtual.prop import VirtualProp

MOST_READINGS = 24
LEAST_OHM, MOST_OHM = 0.06, 30.0
OPEN_SHARE = 0.15
HEALTHY_SHARE = 0.2
DESIGNS = ("willow-fan", "tide-arch", "gull-wing")


@dataclass(frozen=True)
class Case:
    """How one case went."""

    design: str
    hidden: str
    named: str
    probability: float
    readings: int
    seconds: float
    healthy: float

    @property
    def exact(self) -> bool:
        return self.hidden.partition("=")[0] == self.named


def main(cases: int, seed: int) -> None:
    """Run the cases and print what came of them."""
    rng = np.random.default_rng(seed)
    done: list[Case] = []
    for name in DESIGNS:
        text = files("benchtest.virtual").joinpath(f"{name}.toml").read_text("utf-8")
        design = parse_design(text, name)
        engine = Engine(design)
        for number in range(cases):
            case = _case(engine, design, _hide(design, rng), int(rng.integers(1 << 30)))
            done.append(case)
            print(f"{name} {number + 1}: {case}", flush=True)
        _summary(name, [case for case in done if case.design == design.name])
    _summary("all", done)


def _hide(design: Design, rng: np.random.Generator) -> str:
    if rng.random() < HEALTHY_SHARE:
        return ""
    joint = rng.choice([joint.name for joint in power_joints(design)])
    if rng.random() < OPEN_SHARE:
        return f"{joint}=open"
    return f"{joint}={np.exp(rng.uniform(np.log(LEAST_OHM), np.log(MOST_OHM))):.4g}"


def _case(engine: Engine, design: Design, hidden: str, seed: int) -> Case:
    prop = VirtualProp(design, [parse_fault(hidden, design)] if hidden else [], seed)
    readings: list[Reading] = []
    start_s = time.perf_counter()
    finding = engine.diagnose(readings)
    while not finding.next.settled and len(readings) < MOST_READINGS:
        ask = finding.next
        assert ask.lit is not None
        assert ask.probe is not None
        prop.receive(frame_of(ask.lit.duty(design)))
        readings.append(Reading(ask.lit, ask.probe, prop.measure(ask.probe)))
        finding = engine.diagnose(readings)
    named, probability = _named(finding)
    seconds = time.perf_counter() - start_s
    return Case(design.name, hidden, named, probability, len(readings), seconds, finding.healthy)


def _named(finding: Finding) -> tuple[str, float]:
    """The likeliest joint, or nothing where nothing being wrong is likelier."""
    total: dict[str, float] = {"": finding.healthy}
    for suspect in finding.suspects:
        total[suspect.where] = total.get(suspect.where, 0.0) + suspect.probability
    name = max(total, key=lambda where: total[where])
    return name, total[name]


def _summary(title: str, cases: list[Case]) -> None:
    bad = [case for case in cases if case.hidden]
    good = [case for case in cases if not case.hidden]
    print(f"== {title}: {len(bad)} with a fault, {len(good)} healthy")
    if bad:
        taken = sorted(case.readings for case in bad)
        exact = sum(case.exact for case in bad)
        print(f"   exact joint {exact}/{len(bad)}; readings median {np.median(taken):g}, "
              f"90th percentile {np.percentile(taken, 90):g}")  # fmt: skip
    if good:
        wrong = sum(case.named != "" for case in good)
        taken = sorted(case.readings for case in good)
        print(f"   false alarms {wrong}/{len(good)}; readings median {np.median(taken):g}")
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        part = [case for case in cases if low <= case.probability < high]
        if part:
            right = sum(case.exact for case in part) / len(part)
            said = np.mean([case.probability for case in part])
            print(f"   said {said:.0%} ({len(part)} cases): right {right:.0%}")
    per_reading = [case.seconds / max(case.readings, 1) for case in cases]
    print(f"   {np.median(per_reading):.2f} s a reading on this machine")


if __name__ == "__main__":
    words = [int(word) for word in sys.argv[1:]]
    main(*(words + [20, 1][len(words) :]))
