"""Accuracy of the named joints: `python tests/bench/diagnosis.py [cases] [seed]`.

Simulated units of three designs (two buses at 5 V, one bus at 12 V, links with two feeds) with one
hidden fault, two, or none. The readings that the engine asks for are taken with a meter that has a
gain error, digits and steps. The same units are judged the notebook way: the volts of every strand
end under full white, then the drops across the joints of the worst strand.

Truth is not the model. Every unit has its own node current, wire, copper, supplies, joints and
nodes; and its loads are of another law than the diagnosis believes: each strand is from a bin of
its own, headroom and quiescent current are off, copper is warm and strands are not quite as long
as designed (see `unlike`). As at the bench, the volts of supplies are measured before power where
there are several. Prints figures; asserts nothing.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.circuit.prediction import strand_end_probes
from benchtest.diagnosis import Engine, Finding, PreRepairEvidence, still_valid
from benchtest.evidence.marks import Mark
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design, Probe, StrandEnd
from benchtest.prop.joints import power_joints
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.reader import parse_design
from benchtest.session.log.events import CheckMade
from benchtest.session.log.power_checks import CheckKey, judge_check, with_measured_supplies
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.observer import observe
from benchtest.virtual.virtual_prop import BuiltUnit, VirtualProp, build_unit
from tests.bench import figures

MOST_READINGS = 24
MOST_READINGS_TWO = 14
MIN_FAULT_OHM, MAX_FAULT_OHM = 0.06, 30.0
OPEN_SHARE = 0.15
CLEARED = 0.005
"""Probability under which a joint counts as cleared."""
DESIGNS = ("willow-fan", "tide-arch", "gull-wing")
NOTEBOOK_SUSPECT_V = 0.010
"""The notebook way calls a joint bad when it drops more at full white. Common practice."""

BIN_SD, HEADROOM_SD_V, QUIESCENT_FACTOR = 0.03, 0.15, 1.5
WARM_CELSIUS, PITCH_SD = 45.0, 0.02
"""Deviations of the true loads and lengths from the model, beyond its tolerances. Ours."""


@dataclass
class EvidenceSet:
    """Results of one unit."""

    hidden: list[str]
    named: list[str] = field(default_factory=list)
    readings: int = 0
    cleared: int | None = None
    """Readings after which every joint was under `CLEARED` for good."""
    looks: int = 0
    seconds: float = 0.0
    ohm_ratio: float | None = None
    in_band: bool | None = None
    notebook: str = ""
    notebook_readings: int = 0
    said: list[tuple[float, bool]] = field(default_factory=list)
    """Probability of each suspect after each reading, and whether it was guilty."""

    @property
    def guilty(self) -> set[str]:
        return {fault.partition("=")[0] for fault in self.hidden}


def unlike(built: BuiltUnit, rng: np.random.Generator) -> BuiltUnit:
    """The same unit with loads and lengths that no model of ours describes."""
    design = built.design.at_celsius(float(rng.uniform(20.0, WARM_CELSIUS)))
    kind = design.node
    off_v = HEADROOM_SD_V * float(rng.normal())
    node = replace(
        kind,
        full_v={colour: volts + off_v for colour, volts in kind.full_v.items()},
        dark_v={colour: volts + off_v for colour, volts in kind.dark_v.items()},
        quiescent_ma=kind.quiescent_ma * QUIESCENT_FACTOR ** float(rng.uniform(-1.0, 1.0)),
    )
    strands = tuple(
        replace(strand, pitch_mm=strand.pitch_mm * (1.0 + PITCH_SD * float(rng.normal())))
        for strand in design.strands
    )
    bins = 1.0 + BIN_SD * rng.normal(size=len(strands))
    of = np.repeat(np.arange(len(strands)), [strand.nodes for strand in strands])
    changed = replace(design, node=node, strands=strands)
    return replace(built, design=changed, node_factor=built.node_factor * bins[of])


def hide(design: Design, faults: int, rng: np.random.Generator) -> list[str]:
    """Faults of different joints: 60 mΩ to 30 Ω, or open."""
    names = rng.permutation([joint.name for joint in power_joints(design)])[:faults]
    found = []
    for name in names.tolist():
        ohm = np.exp(rng.uniform(np.log(MIN_FAULT_OHM), np.log(MAX_FAULT_OHM)))
        found.append(f"{name}=open" if rng.random() < OPEN_SHARE else f"{name}={ohm:.4g}")
    return found


def new_unit(design: Design, hidden: Sequence[str], seed: int) -> VirtualProp:
    """A unit with these faults."""
    built = build_unit(design, seed, DEFAULT_METER.percent)
    built = unlike(built, np.random.default_rng([seed, 2]))
    return VirtualProp(design, [parse_fault(h, design) for h in hidden], seed, built=built)


def measured(prop: VirtualProp) -> dict[CheckKey, CheckMade]:
    """Return each supply's volts as typed: with the meter's error, to a hundredth of a volt."""
    built = prop.built
    keys: list[CheckKey] = [("supply", feed.name) for feed in built.design.feeds]
    shown = [f"{feed.volts * built.meter_gain:.2f}" for feed in built.design.feeds]
    return {key: judge_check(prop.design, key, text) for key, text in zip(keys, shown, strict=True)}


def engine_of(engine: Engine, prop: VirtualProp) -> Engine:
    """Return the engine for this unit's readings, with its measured supplies if it has several."""
    supplied = with_measured_supplies(prop.design, measured(prop))
    return engine if supplied == prop.design else Engine(supplied)


def read(prop: VirtualProp, lit: LitSet, probe: Probe) -> Reading:
    """Light the unit and take a reading."""
    prop.receive(frame_from_duty(lit.duty(prop.design)))
    return Reading(lit, probe, prop.measure(probe))


def look(prop: VirtualProp, lit: LitSet) -> list[Mark]:
    """Light the unit and write down what every strand that should be lit looks like."""
    for _ in range(3):  # a controller goes on sending: nodes that brown out settle
        prop.receive(frame_from_duty(lit.duty(prop.design)))
    seen = [sight.mark(lit) for sight in observe(prop)]
    dark = [s for s in prop.design.strands if s.number not in {m.strand for m in seen}]
    return seen + [Mark(lit, s.number, 1, s.nodes, "ok") for s in dark]


def named(finding: Finding) -> str:
    """Return the likeliest joint, or an empty text if a healthy unit is likelier."""
    total: dict[str, float] = {"": finding.healthy}
    for suspect in finding.suspects:
        total[suspect.where] = total.get(suspect.where, 0.0) + suspect.probability
    return max(total, key=lambda where: total[where])


def note(case: EvidenceSet, finding: Finding) -> None:
    """Keep each suspect's probability and guilt, for the calibration."""
    total: dict[str, float] = {}
    for suspect in finding.suspects:
        total[suspect.where] = total.get(suspect.where, 0.0) + suspect.probability
    case.said += [(p, where in case.guilty) for where, p in total.items()]
    if max(joint.probability for joint in finding.joints) >= CLEARED:
        case.cleared = None
    elif case.cleared is None:
        case.cleared = len(finding.readings)


def find(engine: Engine, design: Design, hidden: list[str], seed: int) -> EvidenceSet:
    """One fault or none: read until nothing is worth reading."""
    case, prop = EvidenceSet(hidden), new_unit(design, hidden, seed)
    readings: list[Reading] = []
    marks: list[Mark] = []
    start_s = time.process_time()
    finding = engine.diagnose(readings)
    while finding.look or (not finding.next.settled and len(readings) < MOST_READINGS):
        if finding.look:
            case.looks += 1
            marks += look(prop, finding.look.lit)
        else:
            assert finding.next.lit is not None
            assert finding.next.probe is not None
            readings.append(read(prop, finding.next.lit, finding.next.probe))
        finding = engine.diagnose(readings, marks)
        note(case, finding)
    case.seconds = time.process_time() - start_s
    case.readings, case.named = len(readings), [named(finding)]
    _judge_ohms(case, finding)
    case.notebook, case.notebook_readings = notebook(new_unit(design, hidden, seed))
    return case


def _judge_ohms(case: EvidenceSet, finding: Finding) -> None:
    """Compare the estimated resistance with the hidden one."""
    where, _, ohm = case.hidden[0].partition("=") if case.hidden else ("", "", "open")
    ohms = next((s.ohms for s in finding.suspects if s.where == where and s.ohms), None)
    if ohm != "open" and ohms is not None:
        case.ohm_ratio = ohms.best / float(ohm)
        case.in_band = ohms.low <= float(ohm) <= ohms.high


def find_two(engine: Engine, design: Design, hidden: list[str], seed: int) -> EvidenceSet:
    """Two faults: what is named is repaired, and what the repair left valid is kept."""
    case, prop = EvidenceSet(hidden), new_unit(design, hidden, seed)
    readings: list[Reading] = []
    marks: list[Mark] = []
    repaired: list[str] = []
    before: list[PreRepairEvidence] = []
    while case.readings < MOST_READINGS_TWO:
        finding = engine.diagnose(readings, marks, repaired=repaired, before=before)
        if readings:
            note(case, finding)
        if finding.look:
            case.looks += 1
            marks += look(prop, finding.look.lit)
            continue
        if finding.next.settled:
            worst = named(finding)
            if not worst:
                break
            case.named.append(worst)
            if set(case.named) >= case.guilty or len(case.named) > 4:
                break
            prop.repair(worst)
            case.hidden = [h for h in case.hidden if h.partition("=")[0] != worst] + [
                h for h in case.hidden if h.partition("=")[0] == worst
            ]
            valid = still_valid(design, worst, readings)
            kept = [reading for reading, ok in zip(readings, valid, strict=True) if ok]
            before.append(PreRepairEvidence(worst, tuple(readings), tuple(marks), tuple(kept)))
            readings = kept
            repaired.append(worst)
            marks = []
            continue
        assert finding.next.lit is not None
        assert finding.next.probe is not None
        readings.append(read(prop, finding.next.lit, finding.next.probe))
        case.readings += 1
    return case


def notebook(prop: VirtualProp) -> tuple[str, int]:
    """Every strand end under full white, then the drops at the worst strand.

    Returns:
        The joint that is called bad, or nothing; and how many readings were taken.
    """
    design, lit = prop.design, all_lit(prop.design)
    volts = {probe: read(prop, lit, probe).volts or 0.0 for probe in strand_end_probes(design)}
    worst = min(volts, key=lambda probe: volts[probe]).red.place
    assert isinstance(worst, StrandEnd)
    mine = [joint for joint in power_joints(design) if worst.strand in joint.strands]
    drops = {joint.name: abs(read(prop, lit, joint.probe).volts or 0.0) for joint in mine}
    name = max(drops, key=lambda joint: drops[joint])
    return name if drops[name] > NOTEBOOK_SUSPECT_V else "", len(volts) + len(drops)


@dataclass(frozen=True)
class Said:
    """Suspects with nearly the same probability."""

    low: float
    """Lower end of their range of probability, which is a tenth wide."""
    mean: float
    guilty: float
    """Share of guilty suspects among them."""
    count: int

    def __str__(self) -> str:
        return f"said {self.mean:4.0%}: guilty {self.guilty:4.0%} of {self.count}"


def calibration_error(said: Iterable[tuple[float, bool]]) -> tuple[float, list[Said]]:
    """Expected calibration error over ten bins, and the bins."""
    rows = [row for row in said if row[0] >= 0.02]
    bins, error = [], 0.0
    for low in np.arange(0.0, 1.0, 0.1):
        part = [row for row in rows if low <= row[0] < low + 0.1 or (low > 0.85 and row[0] >= 1.0)]
        if part:
            mean = float(np.mean([p for p, _ in part]))
            share = float(np.mean([guilty for _, guilty in part]))
            error += len(part) / len(rows) * abs(mean - share)
            bins.append(Said(float(low), mean, share, len(part)))
    return error, bins


def summary(
    title: str, one: list[EvidenceSet], none: list[EvidenceSet], two: list[EvidenceSet]
) -> None:
    """Print the results of the cases."""
    print(f"== {title}")
    if one:
        taken = [case.readings for case in one]
        exact = sum(case.named == [*case.guilty] for case in one)
        by_hand = sum(case.notebook in case.guilty for case in one)
        print(f"   one fault: exact joint {exact}/{len(one)} ({exact / len(one):.1%}); readings "
              f"median {np.median(taken):g}, 90th percentile {np.percentile(taken, 90):g}; "
              f"looks median {np.median([case.looks for case in one]):g}; "
              f"the notebook way {by_hand}/{len(one)}")  # fmt: skip
        ratios = [abs(np.log(case.ohm_ratio)) for case in one if case.ohm_ratio]
        inside = [case.in_band for case in one if case.in_band is not None]
        if ratios:
            print(f"   resistance: off by a factor of {np.exp(np.median(ratios)):.2f} (median); "
                  f"inside its 90 % band {np.mean(inside):.0%} of {len(inside)}")  # fmt: skip
    if none:
        wrong = sum(case.named != [""] for case in none)
        taken = [case.readings for case in none]
        by_hand = sum(case.notebook != "" for case in none)
        cleared = [case.cleared or MOST_READINGS for case in none]
        print(f"   healthy: false alarms {wrong}/{len(none)}; all joints under {CLEARED:.1%} after "
              f"{np.median(cleared):g} readings (median), nothing worth reading after "
              f"{np.median(taken):g}; the notebook way alarms {by_hand}/{len(none)}")  # fmt: skip
    if two:
        both = sum(set(case.named) >= case.guilty for case in two)
        needless = sum(len(set(case.named) - case.guilty) for case in two)
        taken = [case.readings for case in two]
        print(f"   two faults: both found and mended in {MOST_READINGS_TWO} readings "
              f"{both}/{len(two)} ({both / len(two):.1%}); median {np.median(taken):g}; "
              f"needless repairs {needless}")  # fmt: skip
    apart = [calibration_error(row for c in cases for row in c.said)[0] if cases else 0.0
             for cases in ([*one, *none], two)]  # fmt: skip
    print(f"   calibration error of units with one fault or none {apart[0]:.3f}, with two "
          f"{apart[1]:.3f}")  # fmt: skip
    error, bins = calibration_error(row for case in [*one, *none, *two] for row in case.said)
    print(f"   expected calibration error {error:.3f}\n      " + "\n      ".join(map(str, bins)))


def note_all(
    one: list[EvidenceSet],
    none: list[EvidenceSet],
    two: list[EvidenceSet],
    own: dict[str, list[list[EvidenceSet]]],
) -> None:
    """Keep the results of all cases, each with its budget."""
    _note_one(one)
    wrong = sum(case.named != [""] for case in none)
    figures.note(f"healthy units called faulty, of {len(none)}", wrong / len(none) * 100, "%",
         most=1.0, count=wrong, of=len(none))  # fmt: skip
    for name, (_, healthy, _) in own.items():
        if name == "willow-fan":  # at 12 V joints of 30 to 60 mΩ show nothing, and are never read
            cleared = [case.cleared or MOST_READINGS for case in healthy]
            figures.note(f"readings until every joint of a healthy {name} is under {CLEARED:.1%}, "
                 "median", float(np.median(cleared)), most=12)  # fmt: skip
        figures.note(f"readings until nothing is worth reading on a healthy {name}, median",
             float(np.median([case.readings for case in healthy])))  # fmt: skip
    both = sum(set(case.named) >= case.guilty for case in two)
    figures.note(f"both of two joints found in {MOST_READINGS_TWO} readings, of {len(two)} units",
         both / len(two) * 100, "%", least=90.0, count=both, of=len(two))  # fmt: skip
    figures.note("readings of these units, median", float(np.median([c.readings for c in two])))
    figures.note("needless repairs of these units",
         sum(len(set(case.named) - case.guilty) for case in two))  # fmt: skip
    error, bins = calibration_error(row for c in [*one, *none, *two] for row in c.said)
    figures.note("expected calibration error of suspects", error, most=0.05)
    for some in bins:
        figures.note(f"suspects given {some.low:.0%} to {some.low + 0.1:.0%}, {some.mean:.0%} in "
             f"the mean: guilty, of {some.count}", some.guilty * 100, "%",
             given=some.mean * 100)  # fmt: skip


def _note_one(one: list[EvidenceSet]) -> None:
    """Keep the results of the units with one bad joint."""
    taken = [case.readings for case in one]
    exact = sum(case.named == [*case.guilty] for case in one)
    figures.note(f"exact joint named, of {len(one)} units", exact / len(one) * 100, "%",
         least=97.0, count=exact, of=len(one))  # fmt: skip
    figures.note(
        "the notebook way on the same units", sum(c.notebook in c.guilty for c in one), "named"
    )
    figures.note("readings of the notebook way, median",
         float(np.median([case.notebook_readings for case in one])))  # fmt: skip
    figures.note("readings until a joint is named, median", float(np.median(taken)), most=5)
    figures.note("the same, 90th percentile", float(np.percentile(taken, 90)), most=10)
    figures.note("looks beside them, median", float(np.median([case.looks for case in one])))
    ratios = [abs(np.log(case.ohm_ratio)) for case in one if case.ohm_ratio]
    inside = [case.in_band for case in one if case.in_band is not None]
    if ratios:
        figures.note("resistance of the named joint off by a factor, median",
             float(np.exp(np.median(ratios))))  # fmt: skip
        figures.note(f"resistance inside its 90 % band, of {len(inside)}",
             float(np.mean(inside)) * 100, "%", count=sum(inside), of=len(inside))  # fmt: skip


def main(cases: int, seed: int) -> None:
    """Run the cases and print their results."""
    rng = np.random.default_rng(seed)
    own: dict[str, list[list[EvidenceSet]]] = {}
    every: tuple[list[EvidenceSet], list[EvidenceSet], list[EvidenceSet]] = ([], [], [])
    for name in DESIGNS:
        text = files("benchtest.virtual").joinpath(f"{name}.toml").read_text("utf-8")
        design = parse_design(text, name)
        engine = Engine(design)
        done: tuple[list[EvidenceSet], list[EvidenceSet], list[EvidenceSet]] = ([], [], [])
        for faults, share in ((1, 1.0), (0, 0.5), (2, 0.5)):
            for _ in range(round(cases * share)):
                hidden, unit = hide(design, faults, rng), int(rng.integers(1 << 30))
                own_engine = engine_of(engine, new_unit(design, hidden, unit))
                case = (find_two if faults == 2 else find)(own_engine, design, hidden, unit)
                done[faults if faults < 2 else 2].append(case)
                print(f"{name}: {hidden or 'healthy'}: named {case.named}, {case.readings} "
                      f"readings, notebook {case.notebook!r}", flush=True)  # fmt: skip
        summary(name, done[1], done[0], done[2])
        own[name] = [done[1], done[0], done[2]]
        for kept, new in zip(every, done, strict=True):
            kept.extend(new)
        times = [case.seconds / max(case.readings, 1) for case in done[1]]
        print(f"   {np.median(times):.2f} s of one core a reading")
    summary("all", every[1], every[0], every[2])
    note_all(every[1], every[0], every[2], own)


if __name__ == "__main__":
    figures.run(
        lambda: main(*([int(word) for word in sys.argv[1:]] + [20, 1][len(sys.argv) - 1 :]))
    )
