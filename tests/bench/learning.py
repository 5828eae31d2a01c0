"""Benefit of four earlier units of a batch for the fifth: `python tests/bench/learning.py`.

Simulated batches of the three demo designs: node current, wire, copper and the bench's supply are
drawn for the batch and again for each of its units, so that a unit by itself is as far from its
design as the tolerances allow. Four healthy units are read as the engine asks, until they are
cleared; then the readings that inform most about the batch are added, and the feeds' amperes by a
clamp. Then other units, with a hidden fault or none, are read three times: as the first unit of
their kind, and with the figures learned from the four, without and with the added readings. Unit,
fault and meter are the same, so the differences are of pairs. Units that share nothing with the
four, and those on another supply, show the cost of a wrong assumption.

Words on the command line: batches of each design, faults for each batch (healthy units are half as
many), and seed. Prints figures; asserts nothing.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.circuit.tolerance import FROM_MANY_REELS, HAND_SOLDERED, Tolerances, cause_names
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.batch.learn import BatchKnowledge, learn
from benchtest.diagnosis.batch.model import UnitReadings
from benchtest.diagnosis.engine import engine_for
from benchtest.diagnosis.likelihood.measurement import CLAMP_A, CLAMP_SHARE, noise_of
from benchtest.diagnosis.likelihood.readings import ReadingLikelihood
from benchtest.diagnosis.model.fault_response import DesignResponse
from benchtest.diagnosis.planning.batch_readings import batch_calibration_readings
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design, FeedName, Probe, rail_probe
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.reader import parse_design
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.virtual_prop import BuiltUnit, VirtualProp, build_unit
from tests.bench.diagnosis import calibration_error, named
from tests.bench.figures import note, run

DESIGNS = ("willow-fan", "tide-arch", "gull-wing")
SHARES = {
    "one batch": (0.9, 0.95, 0.95),
    "one batch, the fifth on another supply": (0.9, 0.95, 0.0),
    "nothing alike": (0.0, 0.0, 0.0),
}
"""Share of the variance that a batch has in common: of node current, wire and copper, and of the
supplies' volts, among the four units and of the fifth with them."""
SEEN = 4
MOST_READINGS = 24
MIN_FAULT_OHM, MAX_FAULT_OHM = 0.06, 30.0
WAYS = ("first", "fifth", "fifth, taught")


def parts(share: float, of_supply: float) -> tuple[Tolerances, Tolerances]:
    """Tolerances of a batch about its design, and of a unit about its batch."""
    t = HAND_SOLDERED
    both = []
    for causes, supply in ((share, of_supply), (1.0 - share, 1.0 - of_supply)):
        times = float(np.sqrt(causes))
        both.append(
            replace(
                t,
                current=t.current * times,
                wire=t.wire * times,
                copper=t.copper * times,
                supply=t.supply * float(np.sqrt(supply)),
            )
        )
    return replace(both[0], fuse=0.0), both[1]


@dataclass(frozen=True)
class Batch:
    """Units that have something in common; one meter reads them all."""

    design: Design
    shares: tuple[float, float, float]
    seed: int

    def built(self, unit: int) -> BuiltUnit:
        """A unit of it."""
        share, of_supply, of_fifth = self.shares
        like = self._like(share, of_supply)
        if unit > SEEN and of_fifth != of_supply:
            fed = zip(like.feeds, self.design.feeds, strict=True)
            like = replace(like, feeds=tuple(replace(a, volts=b.volts) for a, b in fed))
            of_supply = of_fifth
        own = build_unit(like, self.seed + unit, DEFAULT_METER.percent, parts(share, of_supply)[1])
        return replace(
            own, meter_gain=build_unit(like, self.seed, DEFAULT_METER.percent).meter_gain
        )

    def _like(self, share: float, of_supply: float) -> Design:
        return build_unit(self.design, self.seed, 0.0, parts(share, of_supply)[0]).design

    def unit(self, unit: int, hidden: str = "") -> VirtualProp:
        """The same with a fault."""
        faults = [parse_fault(hidden, self.design)] if hidden else []
        return VirtualProp(self.design, faults, self.seed + unit, built=self.built(unit))


def read(prop: VirtualProp, lit: LitSet, probe: Probe) -> Reading:
    """Light the unit and take a reading."""
    prop.receive(frame_from_duty(lit.duty(prop.design)))
    return Reading(lit, probe, prop.measure(probe))


def clamped(prop: VirtualProp, seed: int) -> list[Reading]:
    """Each feed's amperes under full white, by a clamp of its own errors."""
    lit, rng = all_lit(prop.design), np.random.default_rng([seed, 3])
    prop.receive(frame_from_duty(lit.duty(prop.design)))
    found = []
    for feed in prop.design.feeds:
        amps = prop.amps(feed.name) * (1.0 + CLAMP_SHARE * rng.normal()) + CLAMP_A * rng.normal()
        found.append(Reading(lit, rail_probe(FeedName(feed.name)), None, round(float(amps), 2)))
    return found


@dataclass
class EvidenceSet:
    """Results of one unit, read one way."""

    hidden: str
    readings: int
    named: str
    worst: float
    """The likeliest joint's probability at the end, in a unit that was called healthy."""
    said: list[tuple[float, bool]] = field(default_factory=list)

    @property
    def guilty(self) -> str:
        """The joint that is at fault."""
        return self.hidden.partition("=")[0]


def find(engine: Engine, prop: VirtualProp, hidden: str = "") -> tuple[EvidenceSet, list[Reading]]:
    """Take the readings that the engine requests until the finding is settled."""
    readings: list[Reading] = []
    case = EvidenceSet(hidden, 0, "", 0.0)
    finding = engine.diagnose(readings)
    while not finding.next.settled and len(readings) < MOST_READINGS:
        lit, probe = finding.next.lit, finding.next.probe
        assert lit is not None
        assert probe is not None
        readings.append(read(prop, lit, probe))
        finding = engine.diagnose(readings)
        case.said += _said(finding, case.guilty)
    case.readings, case.named = len(readings), named(finding)
    case.worst = max(band.probability for band in finding.joints)
    return case, readings


def _said(finding: Finding, guilty: str) -> list[tuple[float, bool]]:
    total: dict[str, float] = {}
    for suspect in finding.suspects:
        total[suspect.where] = total.get(suspect.where, 0.0) + suspect.probability
    return [(p, where == guilty) for where, p in total.items()]


def hide(design: Design, rng: np.random.Generator) -> str:
    """A joint of 60 mΩ to 30 Ω."""
    name = rng.choice([joint.name for joint in power_joints(design)])
    return f"{name}={np.exp(rng.uniform(np.log(MIN_FAULT_OHM), np.log(MAX_FAULT_OHM))):.4g}"


def seen(plain: Engine, batch: Batch) -> tuple[list[UnitReadings], list[UnitReadings]]:
    """Four healthy units: as they were read to be cleared, and with what teaches most besides."""
    cleared, taught = [], []
    asks = batch_calibration_readings(batch.design)
    for number in range(1, SEEN + 1):
        unit = batch.unit(number)
        _, readings = find(plain, unit)
        more = [*(read(unit, *ask) for ask in asks), *clamped(unit, batch.seed + number)]
        cleared.append(UnitReadings(f"U-{number:02}", readings))
        taught.append(UnitReadings(f"U-{number:02}", [*readings, *more]))
    return cleared, taught


def _line(learned: BatchKnowledge) -> str:
    sd = learned.tolerances
    return (
        f"× {' '.join(f'{factor:.3f}' for factor in learned.factors)}; within {sd.current:.1%} "
        f"{sd.wire:.1%} {sd.copper:.1%}; supply × {learned.supply:.4f} ± {sd.supply:.2%}; "
        f"odds of a bad joint {learned.priors.resistive + learned.priors.open:.2%}"
    )


def study(
    plain: Engine, shares: tuple[float, float, float], batches: int, faults: int, seed: int
) -> dict[str, list[EvidenceSet]]:
    """Batches of one design; cases of each way in the same order."""
    rng = np.random.default_rng(seed)
    # where units share little, what four readings more would teach is not asked
    ways = WAYS if shares == SHARES["one batch"] else WAYS[:2]
    found: dict[str, list[EvidenceSet]] = {way: [] for way in ways}
    for _ in range(batches):
        batch = Batch(plain.design, shares, int(rng.integers(1 << 29)))
        cleared, taught = seen(plain, batch)
        engines = {"first": plain}
        for way, units in zip(ways[1:], (cleared, taught), strict=False):
            learned = learn(plain.design, units)
            engines[way] = engine_for(plain.design, learned)
            print(f"  {way}: {_line(learned)}", flush=True)
        hidden = [hide(plain.design, rng) for _ in range(faults)]
        for number, where in enumerate([*hidden, *[""] * ((faults + 1) // 2)]):
            for way, engine in engines.items():
                case, _ = find(engine, batch.unit(100 + number, where), where)
                found[way].append(case)
                if case.named != case.guilty:
                    print(f"  {way}: {where or 'healthy'}: named {case.named or 'healthy'} after "
                          f"{case.readings}, its likeliest joint {case.worst:.0%}")  # fmt: skip
    return found


def summary(title: str, found: dict[str, list[EvidenceSet]]) -> None:
    """Print the results of one design, or of all, in one world."""
    print(f"== {title}")
    first = found["first"]
    for way, cases in found.items():
        for what, is_faulty in (("one fault", True), ("healthy", False)):
            pairs = [
                (case, before)
                for case, before in zip(cases, first, strict=True)
                if bool(case.hidden) == is_faulty
            ]
            taken = np.array([case.readings for case, _ in pairs])
            saved = np.array([before.readings - case.readings for case, before in pairs])
            right = sum(case.named == case.guilty for case, _ in pairs)
            error = saved.std(ddof=1) / np.sqrt(len(saved)) if len(saved) > 1 else float("nan")
            words = (
                f"readings mean {taken.mean():.2f}, median {np.median(taken):g}, 90th percentile "
                f"{np.percentile(taken, 90):g}"
            )
            if way != "first":
                words += f"; saved {saved.mean():.2f} ± {error:.2f} a unit"
            score = f"named {right}/{len(pairs)}" if is_faulty else (
                f"false alarms {len(pairs) - right}/{len(pairs)}"
            )  # fmt: skip
            words = f"{score}, {words}"
            if not is_faulty:
                worst = [case.worst for case, _ in pairs if not case.named]
                words += f"; likeliest joint left {max(worst, default=0.0):.2%} at most"
            print(f"   {way} unit, {what}: {words}")
            note(f"{title}, {what}, {way} unit", words, right=right, of=len(pairs),
                 mean=float(taken.mean()), saved=float(saved.mean()),
                 error=float(error))  # fmt: skip
        error, _ = calibration_error(row for case in cases for row in case.said)
        print(f"   {way} unit: expected calibration error {error:.3f}", flush=True)
        note(f"{title}, {way} unit, expected calibration error", error)


def budget(plain: Engine, seed: int) -> None:
    """Print the parts of the uncertainty of typical readings, before and after learning. [mV]"""
    design = plain.design
    _, readings = find(plain, Batch(design, (0.9, 0.95, 0.95), seed).unit(1))
    known = replace(FROM_MANY_REELS, current=0.01, wire=0.01, copper=0.01)
    responses, names = DesignResponse(design, plain.space), cause_names(design)
    at = names.index("current")
    strands = design.node_count + len(design.strands)
    for what, tolerances in (("before", FROM_MANY_REELS), ("current, wire, copper to 1 %", known)):
        noise = noise_of(readings, DEFAULT_METER)
        likelihood = ReadingLikelihood(responses, readings, DEFAULT_METER, tolerances)
        spread, covariance = likelihood.healthy_spread, likelihood.healthy_covariance
        columns = {
            "supply": spread.shared[:, :at],
            "current, wire, copper": spread.shared[:, at : at + 3],
            "joints": spread.shared[:, at + 4 :],
            "nodes, strands": spread.nodes[:, :strands],
            "node's law": spread.nodes[:, strands:],
            "gain": (noise.gain * likelihood.healthy_mean())[:, None],
            "digits, leads": noise.own[:, None],
        }
        own = 1.0 / np.sqrt(np.diag(np.linalg.inv(covariance)))
        print(f"   a healthy unit's {len(readings)} readings, {what}: median sd in mV")
        each = {name: np.sqrt((part**2).sum(axis=1)) for name, part in columns.items()}
        each["all, given the other readings"] = own
        print("      " + "; ".join(f"{n} {1e3 * np.median(sd):.2f}" for n, sd in each.items()))


def main(batches: int, faults: int, seed: int) -> None:
    """Run the batches and print their results."""
    every: dict[str, dict[str, list[EvidenceSet]]] = {world: {} for world in SHARES}
    for name in DESIGNS:
        text = files("benchtest.virtual").joinpath(f"{name}.toml").read_text("utf-8")
        plain = Engine(parse_design(text, name))
        budget(plain, seed)
        for world, shares in SHARES.items():
            start_s = time.process_time()
            some = batches if world == "one batch" else (batches + 3) // 4
            found = study(plain, shares, some, faults, seed)
            summary(f"{name}, {world}", found)
            print(f"   {time.process_time() - start_s:.0f} s of one core", flush=True)
            for way, cases in found.items():
                every[world].setdefault(way, []).extend(cases)
    for world in SHARES:
        summary(f"all, {world}", every[world])


if __name__ == "__main__":
    run(lambda: main(*([int(word) for word in sys.argv[1:]] + [4, 5, 1][len(sys.argv) - 1 :])))
