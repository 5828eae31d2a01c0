"""An evening of seven alike units: `python -m tests.bench.evening [--evenings N] [--seed S]`.

    python -m tests.bench.evening                        one evening of each design and of each kind
    python -m tests.bench.evening --evenings 5 --seed 9
    python -m tests.bench.evening --slips 2              eyes that miss twice as much

Each unit goes through a whole session on a virtual prop: what the guidance asks is done until it is
signed off. Its time is that of a person by the keystroke-level model's operators; see
`benchtest.diagnosis.planning.cost` for their sources. The person signs off as soon as the guidance
offers it. Supply volts are measured at the first unit of an evening; at the others one key confirms
them, and one key signs. Strands are looked at in a parade; there the eye misses one failure in
fifty, and strand by strand, as in the notebook way, one in two hundred (both from memory). Units
have faults at the rates that the diagnosis assumes, or one fault each.

The notebook way on the same units: each strand and each color is looked at, both ends of every
strand are read with everything lit and written down; where a reading is lower than at a like strand
by more than the meter can err, the four joints of the lowest strand and those of the feed are read,
and the worst is reflowed. Prints; asserts nothing.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.circuit.prediction import strand_end_probes
from benchtest.diagnosis.model.faults import Priors
from benchtest.diagnosis.planning.cost import USUAL_TIMES, Leads, look_s, reading_cost, repair_s
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design, Probe, StrandEnd
from benchtest.prop.joints import data_joints, power_joints
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.reader import parse_design
from benchtest.records.shelf import Shelf
from benchtest.session.autopilot import Outcome, run_guidance
from benchtest.session.guidance.release import is_enough, unfinished_items
from benchtest.session.log.events import ReadingTaken, RepairDone, SignedOff
from benchtest.session.log.person_effort import PersonEffort, person_effort
from benchtest.session.session import Session
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.observer import InProcessProp, Observation
from benchtest.virtual.virtual_prop import VirtualProp
from tests.bench.figures import note, run

UNITS = 7
SIGNER = "demo"
"""Name that the guided run signs with."""
PARADE_SLIPS, STRAND_SLIPS = 1.0 / 50.0, 1.0 / 200.0
"""Share of failures that an eye misses in a parade, and at one strand by itself; from memory."""
NOTEBOOK_DROP_V = 0.010
"""Drop from which the notebook way calls a joint bad. Common practice, no source."""
NOTEBOOK_SPREAD_V = 0.05
"""Rail volts that a strand's end may be lower than its neighbours'. Common practice, no source."""
NOTEBOOK_REPAIRS = 4

FAN = """
format = 1
name = "{name}"
[node]
kind = "{kind}"
[[strand]]
count = 14
nodes = 27
pitch_mm = {pitch_mm}
lead_mm = [60.0, 60.0]
wire = "22 AWG"
[data]
path = "zigzag"
[[bus]]
name = "foot"
joins = "A"
copper = {{ weight_oz = 2.0, width_mm = 8.0 }}
spacing_mm = 40.0
ring = true
[[bus]]
name = "crown"
joins = "B"
copper = {{ weight_oz = 2.0, width_mm = 8.0 }}
spacing_mm = 40.0
ring = true
[[feed]]
name = "main"
at = "foot:1"
volts = {volts}
wire = "14 AWG"
length_mm = 1500.0
fuse_a = 20.0
supply_a = 30.0
"""
MAX_EVENING_MIN = 15.0
SOUND_TARGETS = {
    "seconds": ("s", 100.0),
    "keys": ("", 60.0),
    "looks": ("", 6.0),
    "readings": ("", 11.0),
}
"""Counts of a sound unit and what they should not exceed."""
DESIGNS = {
    "5 V": FAN.format(name="Sedge fan", kind="ws2811-5v", pitch_mm=25.0, volts=5.0),
    "12 V": FAN.format(name="Alder fan", kind="ws2811-12v", pitch_mm=50.0, volts=12.0),
}


class Eyes(InProcessProp):
    """A virtual prop and a person who sometimes misses what is wrong, and reflows in vain."""

    def __init__(self, prop: VirtualProp, slips: float, chance: np.random.Generator) -> None:
        super().__init__(prop)
        self._slips, self._chance = slips, chance
        self.in_vain = 0

    def look(self) -> list[Observation]:
        """Return the look of the nodes; a failure is missed now and then."""
        return [
            Observation(seen.strand, seen.first, seen.last, "ok")
            if seen.seen != "ok" and self._chance.random() < self._slips
            else seen
            for seen in super().look()
        ]

    def repair(self, where: str) -> bool:
        """Work on a joint or node, and count what was not bad."""
        was_wrong = super().repair(where)
        self.in_vain += not was_wrong
        return was_wrong


@dataclass
class Way:
    """One way to test all units."""

    is_sound: list[bool] = field(default_factory=list)
    efforts: list[PersonEffort] = field(default_factory=list)
    reading_s: list[float] = field(default_factory=list)
    """Time of all readings of each unit. [s]"""
    naming_s: list[float] = field(default_factory=list)
    """Time of the readings before the first repair of a joint, of units with such. [s]"""
    missed: int = 0
    in_vain: int = 0

    def median(self, name: str, sound: bool) -> float:
        """Return the median of a count over sound units, or over faulty ones; NaN without any."""
        values = [
            float(getattr(effort, name))
            for effort, is_sound in zip(self.efforts, self.is_sound, strict=True)
            if is_sound is sound
        ]
        return float(np.median(values)) if values else math.nan


def draw_faults(design: Design, chance: np.random.Generator, *, one: bool) -> list[str]:
    """Draw faults at the rates that the diagnosis assumes, or exactly one of them."""
    rates = Priors()
    odds: dict[str, float] = {}
    for joint in power_joints(design):
        ohm = math.exp(chance.uniform(math.log(0.03), math.log(30.0)))
        odds[f"{joint.name}={ohm:.2f}"] = rates.resistive
        odds[f"{joint.name}=open"] = rates.open
    for joint in data_joints(design):
        odds[f"{joint.name}=open"] = rates.data_open
    for index in range(design.node_count):
        node = design.node_at(index)
        odds[f"{node}=dead"] = rates.dead_node
        odds[f"{node}=dark"] = rates.dark_node
    names, shares = list(odds), np.array(list(odds.values()))
    if one:
        return [str(chance.choice(names, p=shares / shares.sum()))]
    return [name for name, share in odds.items() if chance.random() < share]


def by_tool(
    shelf: Shelf, tag: str, text: str, faults: Sequence[str], seed: int, slips: float, way: Way
) -> None:
    """Test one unit as the guidance asks; the shelf has the earlier ones of the evening."""
    design = parse_design(text, "fan.toml")
    unit = VirtualProp(design, [parse_fault(fault, design) for fault in faults], seed)
    eyes = Eyes(unit, slips, np.random.default_rng([seed, 1]))
    signer = shelf.last_signer() or ""
    session = Session.start(shelf, text, tag, DEFAULT_METER)

    def is_offered() -> bool:
        """Return True once the guidance offers the sign-off in place of readings."""
        found = session.state.concluded
        is_due = found is not None and is_enough(session.state, found)
        return is_due and not unfinished_items(session.state, found)

    run_guidance(session, eyes, eyes, lambda line: None, Outcome(tag, ""), is_offered)
    if session.state.signed is None:
        session.record(SignedOff(SIGNER))
    effort = person_effort(design, session.events, signer=signer)
    way.efforts.append(effort)
    events = [one.what for one in session.events]
    read = [isinstance(one, ReadingTaken) for one in events]
    is_repair = [isinstance(one, RepairDone) for one in events]
    first = is_repair.index(True) if any(is_repair) else len(events)
    all_of_them, before = (
        person_effort(design, [one for one, is_read in zip(some, read, strict=False) if is_read])
        for some in (events, events[:first])
    )
    way.reading_s.append(all_of_them.seconds)
    if before.readings and any(is_repair):
        way.naming_s.append(before.seconds)
    way.is_sound.append(not faults)
    way.missed += len(unit.faults)
    way.in_vain += eyes.in_vain


class Notebook:
    """A person with a meter, a notebook and the drawing of one unit."""

    def __init__(self, design: Design, eyes: Eyes) -> None:
        self.design, self.eyes = design, eyes
        self.leads = Leads()
        self.looks = self.readings = self.lead_moves = 0
        self.seconds = 0.0

    def test(self) -> None:
        """Look, read, reflow the worst joint, and again until nothing is found."""
        self.seconds += 4 * (USUAL_TIMES.decision_s + USUAL_TIMES.key_s)
        for _ in range(NOTEBOOK_REPAIRS):
            if where := self._by_eye() or self._by_meter():
                self.eyes.repair(where)
                self.seconds += repair_s()
            else:
                return

    def _show(self, lit: LitSet) -> list[Observation]:
        self.eyes.show(frame_from_duty(lit.duty(self.design)))
        self.looks += 1
        self.seconds += look_s(lit)
        return [seen for seen in self.eyes.look() if seen.seen != "ok"]

    def _by_eye(self) -> str:
        """Return the first node in the order of data that is dark, or the joint in front of it."""
        for color in self.design.node.colours:
            self._show(all_lit(self.design, 0.25, color))
        wrong = {}
        for strand in self.design.strands:
            for seen in self._show(LitSet(frozenset([strand.number]), 0.25)):
                if seen.seen == "dark":
                    wrong[strand.number] = seen
        before = ""
        for entry in self.design.data_path:
            nodes = self.design.strand(entry.strand).nodes
            if entry.strand in wrong:
                dark = wrong[entry.strand]
                node = dark.first if entry.end == "A" else dark.last
                at_entry = node == (1 if entry.end == "A" else nodes)
                return before or f"{entry}d" if at_entry else f"{entry.strand}.{node}"
            before = f"{StrandEnd(entry.strand, 'B' if entry.end == 'A' else 'A')}d"
        return ""

    def _by_meter(self) -> str:
        """Return the joint with the largest drop at the strand whose end is lowest."""
        self.eyes.show(frame_from_duty(all_lit(self.design).duty(self.design)))
        volts = {probe: self._read(probe) for probe in strand_end_probes(self.design)}
        low = min(volts, key=lambda probe: volts[probe])
        assert isinstance(low.red.place, StrandEnd)
        alike = [v for probe, v in volts.items()
                 if isinstance(probe.red.place, StrandEnd)
                 and probe.red.place.end == low.red.place.end]  # fmt: skip
        if float(np.median(alike)) - volts[low] < NOTEBOOK_SPREAD_V:
            return ""
        strand = low.red.place.strand
        near = [joint for joint in power_joints(self.design)
                if strand in joint.strands or not joint.strands]  # fmt: skip
        drops = {joint.name: abs(self._read(joint.probe)) for joint in near}
        worst = max(drops, key=lambda name: drops[name])
        return worst if drops[worst] > NOTEBOOK_DROP_V else ""

    def _read(self, probe: Probe) -> float:
        effort = reading_cost(self.design, self.leads, all_lit(self.design), probe)
        self.leads = effort.leads
        self.readings += 1
        self.lead_moves += effort.lead_moves
        self.seconds += effort.seconds
        return self.eyes.measure(str(probe))


def by_notebook(design: Design, faults: Sequence[str], seed: int, slips: float, way: Way) -> None:
    """Test the same unit by eye and meter alone."""
    unit = VirtualProp(design, [parse_fault(fault, design) for fault in faults], seed)
    eyes = Eyes(unit, slips, np.random.default_rng([seed, 2]))
    notebook = Notebook(design, eyes)
    notebook.test()
    way.efforts.append(
        PersonEffort(0, notebook.looks, notebook.readings, notebook.lead_moves, notebook.seconds)
    )
    way.is_sound.append(not faults)
    way.missed += len(unit.faults)
    way.in_vain += eyes.in_vain


def _row(title: str, way: Way, evenings: int) -> str:
    minutes = sum(effort.seconds for effort in way.efforts) / evenings / 60.0
    cells = [f"{title:<10}{minutes:7.1f} min"]
    for sound in (True, False):
        values = [way.median(name, sound)
                  for name in ("seconds", "keys", "looks", "readings")]  # fmt: skip
        cells.append("".join(f"{value:7.0f}" for value in values))
    moves = sum(effort.lead_moves for effort in way.efforts)
    readings = max(1, sum(effort.readings for effort in way.efforts))
    cells.append(f"{moves / readings:6.2f}{way.missed:7}{way.in_vain:8}")
    return "  ".join(cells)


def _note_targets(title: str, way: Way, minutes: dict[str, float]) -> None:
    """Note the figures of one kind of evening, with the targets of one at the usual rates."""
    is_usual = title.endswith("usual rates")
    third = minutes["notebook"] / 3.0
    for name, taken in minutes.items():
        most = min(MAX_EVENING_MIN, third) if is_usual and name == "tool" else None
        note(f"{title}: {name}, an evening of {UNITS}", taken, "min", most=most)
    if any(way.is_sound):
        for name, (unit, most) in SOUND_TARGETS.items():
            note(f"{title}: a sound unit, median {name}", way.median(name, True), unit, most=most)
        sound_s = [
            one for one, is_sound in zip(way.reading_s, way.is_sound, strict=True) if is_sound
        ]
        note(
            f"{title}: readings of a sound unit, median", float(np.median(sound_s)), "s", most=75.0
        )
    if way.naming_s:
        value = float(np.median(way.naming_s))
        note(f"{title}: readings up to a named joint, median", value, "s", most=36.0)
    moves = [one.lead_moves / max(1, one.readings) for one in way.efforts]
    note(f"{title}: lead moves a reading, median", float(np.median(moves)), most=1.4)
    note(f"{title}: faults missed", float(way.missed), f"in {len(way.efforts)} units")


def main() -> int:
    """Run the evenings and print one row for each way."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--evenings", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--slips", type=float, default=1.0, help="times the usual misses")
    args = parser.parse_args()
    print(f"seed {args.seed}; medians of sound units, then of faulty ones")
    print(f"{'':<21}{'  '.join(['      s   keys  looks   read'] * 2)}   moves missed in vain")
    for volts, text in DESIGNS.items():
        design = parse_design(text, "fan.toml")
        for kind in ("usual rates", "one fault"):
            tool, notebook = Way(), Way()
            for evening in range(args.evenings):
                with tempfile.TemporaryDirectory() as folder, Shelf(Path(folder)) as shelf:
                    for number in range(evening * UNITS, (evening + 1) * UNITS):
                        seed = 10_000 * args.seed + number
                        chance = np.random.default_rng([args.seed, number, len(kind)])
                        faults = draw_faults(design, chance, one=kind == "one fault")
                        tag = f"SF-{1 + number % UNITS:02}"
                        misses = args.slips * PARADE_SLIPS
                        by_tool(shelf, tag, text, faults, seed, misses, tool)
                        by_notebook(design, faults, seed, args.slips * STRAND_SLIPS, notebook)
            title, minutes = f"{volts}, {kind}", {}
            print(f"{title}:")
            for name, way in (("tool", tool), ("notebook", notebook)):
                print(_row(name, way, args.evenings))
                total_s = sum(effort.seconds for effort in way.efforts)
                minutes[name] = total_s / args.evenings / 60.0
            _note_targets(title, tool, minutes)
    return 0


if __name__ == "__main__":
    run(main)
