"""Two tests of one unit side by side: `python tests/bench/comparing.py [units] [seed]`.

Each virtual unit of the three demo designs is read as the engine asks, until it is settled, and
again a year later with another meter on another supply: with one joint gone bad, and with nothing
changed. As at the bench, the volts of several supplies are measured before power. Prints how often
the joint that changed is named, how often another one is, and how often the change lies within its
band; asserts nothing.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.diagnosis import Engine
from benchtest.diagnosis.batch.joint_comparison import (
    JointChange,
    changes_between,
    ohms_of_sessions,
)
from benchtest.diagnosis.batch.model import UnitReadings
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.prop.reader import parse_design
from benchtest.session.log.power_checks import measured_supplies
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.virtual_prop import BuiltUnit, VirtualProp, build_unit
from tests.bench.diagnosis import engine_of, measured
from tests.bench.figures import note, run
from tests.bench.learning import DESIGNS, find, hide


@dataclass
class Tally:
    """Counts of comparison results."""

    changed: int = 0
    named: int = 0
    first: int = 0
    within: list[bool] = field(default_factory=list)
    unchanged: int = 0
    wrong: int = 0
    """Unchanged joints that were reported as changed."""

    def add(self, changes: tuple[JointChange, ...], built: BuiltUnit, hidden: str) -> None:
        """One comparison; of an unchanged unit where nothing is hidden."""
        where, _, ohm = hidden.partition("=")
        said = {change.where: change for change in changes}
        self.wrong += sum(c.beyond_noise for name, c in said.items() if name != where)
        self.unchanged += len(said) - bool(hidden)
        self.within += [
            change.factor[0] <= self.true(built, name, where, ohm) <= change.factor[2]
            for name, change in said.items()
        ]
        if hidden:
            self.changed += 1
            self.named += said[where].beyond_noise
            self.first += changes[0].where == where

    @staticmethod
    def true(built: BuiltUnit, name: str, where: str, ohm: str) -> float:
        """Resistance after over before."""
        return float(ohm) / built.joint_ohm[name] if name == where else 1.0

    def rows(self) -> list[tuple[str, float]]:
        """Figures in per cent."""
        return [
            (f"changed joint named, of {self.changed}", 100.0 * self.named / self.changed),
            ("changed joint first in the list", 100.0 * self.first / self.changed),
            (f"other joints named, of {self.unchanged}", 100.0 * self.wrong / self.unchanged),
            ("changes within their 90 % bands", 100.0 * float(np.mean(self.within))),
        ]


def session(engine: Engine, prop: VirtualProp) -> UnitReadings:
    """One test of a unit."""
    readings = find(engine_of(engine, prop), prop)[1]
    return UnitReadings("WF-03", readings, supply_v=measured_supplies(prop.design, measured(prop)))


def main(units: int, seed: int) -> None:
    """Run the cases and print their results."""
    total = Tally()
    rng = np.random.default_rng(seed)
    for name in DESIGNS:
        start_s = time.process_time()
        design = parse_design(
            files("benchtest.virtual").joinpath(f"{name}.toml").read_text("utf-8"), name
        )
        engine = Engine(design)
        for _ in range(units):
            unit, later = (int(rng.integers(1 << 30)) for _ in range(2))
            built = build_unit(design, unit, DEFAULT_METER.percent)
            other = build_unit(design, later, DEFAULT_METER.percent)
            fed = zip(built.design.feeds, other.design.feeds, strict=True)
            feeds = tuple(replace(one, volts=two.volts) for one, two in fed)
            aged = replace(
                built, design=replace(built.design, feeds=feeds), meter_gain=other.meter_gain
            )
            hidden = hide(design, rng)
            faults = [parse_fault(hidden, design)]
            before = session(engine, VirtualProp(design, (), unit, built=built))
            after = session(engine, VirtualProp(design, faults, later, built=aged))
            again = session(engine, VirtualProp(design, (), later, built=aged))
            first, second, third = ohms_of_sessions(design, (before, after, again))
            for rows, what in ((second, hidden), (third, "")):
                changes = changes_between(first, rows)
                total.add(changes, built, what)
                named = [c.where for c in changes if c.beyond_noise]
                print(f"{name}: {what or 'unchanged'}: named {named}", flush=True)
        print(f"   {time.process_time() - start_s:.0f} s of one core", flush=True)
    for what, percent in total.rows():
        print(f"{what}: {percent:.2f} %")
        note(what, percent, "%")


if __name__ == "__main__":
    run(lambda: main(*([int(word) for word in sys.argv[1:]] + [5, 1][len(sys.argv) - 1 :])))
