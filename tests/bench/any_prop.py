"""Diagnosis accuracy on any prop: `python -m tests.bench.any_prop [--count N] [--seed S]`.

Made-up designs (`any_prop_designs.py`), each with a unit in a random state (`any_prop_units.py`),
and a person who follows the tool until it is done or 40 readings are taken. Prints figures for each
family and in all, next to the notebook way on the same units; asserts nothing.

    python -m tests.bench.any_prop --count 60 --seed 5 --jobs 2
    python -m tests.bench.any_prop --seed 5 --family "fuse blown" --count 20
    python -m tests.bench.any_prop --seed 5 --unit 17 --keep /tmp/unit-17
    python -m tests.bench.any_prop --count 20 --json rows.jsonl     raw rows, one object a line
    python -m tests.bench.any_prop --read rows.jsonl                tables of these rows

The loop: `diagnose_state` weighs a session's evidence as the terminal program does. A look that the
finding asks for is taken first. Then `session.guidance.next_step` decides on that finding, with all
strands passed: read, repair, or sign off. A repair is recorded as the session records it, and the
strands that it touched are looked at again in red. Of several supplies the volts are measured
before power. A unit that takes more processor time than `--limit` for findings and truth together,
or more memory than `MEMORY_LIMIT_MIB`, is stopped and counted as such.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import multiprocessing
import os
import resource
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import count as counting
from itertools import pairwise
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.circuit.prediction import strand_end_probes
from benchtest.diagnosis import Engine, Finding
from benchtest.diagnosis.planning.cost import USUAL_TIMES, Leads, look_s, reading_cost, repair_s
from benchtest.errors import BenchError
from benchtest.evidence.marks import SEEN, Mark
from benchtest.evidence.readings import check_volts
from benchtest.evidence.rounding import step_decimals
from benchtest.pattern import frame_from_duty
from benchtest.prop.design import Design, Probe, StrandEnd
from benchtest.prop.joints import data_hops, power_joints
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.session.guidance.next_step import next_step
from benchtest.session.log.events import (
    CheckMade,
    MarkMade,
    NotTaken,
    ReadingTaken,
    RepairDone,
    SessionEvent,
)
from benchtest.session.log.evidence import diagnose_state
from benchtest.session.log.power_checks import CheckKey, judge_check, with_measured_supplies
from benchtest.session.log.state import LoggedEvent, State, apply_event, changes_earlier, fold
from benchtest.virtual.observer import observe
from benchtest.wording import repair_text
from tests.bench import figures
from tests.bench.any_prop_designs import FIXED, LOADS, SHAPES, Made, chance_of, made_design
from tests.bench.any_prop_units import (
    SEVERAL,
    SINGLE,
    SOUND,
    Unit,
    alike,
    hidden_of,
    is_named,
    state_of,
)

MOST_READINGS = 40
MOST_REPAIRS = 8
MOST_STEPS = 160
WITHIN = 16
"""Readings within which both of two faults should be found."""
CPU_LIMIT_S = 120.0
MEMORY_LIMIT_MIB = 4096
SLIP = 1.0 / 60.0
"""Share of readings that are typed wrong. Common practice, no source."""
OFF_BY_ONE, UNNOTICED, IMAGINED = 1.0 / 30.0, 1.0 / 60.0, 1.0 / 400.0
"""Probabilities of eye errors: an edge one node off, faint light mistaken for full light, and a
node seen dim that is not."""
COUNTED = 0.02
"""Probability from which a suspect counts for the calibration."""
ONE_THREAD = "OPENBLAS_NUM_THREADS"
SETTING_S = 10.0
"""Seconds to look up a setting of the controller. [s] Common practice, no source."""
UNPLUG_S = 15.0
"""Seconds to unplug all supplies, wait until capacitors are empty, and plug in again. [s] Common
practice, no source."""
NOTEBOOK_SUSPECT_V = 0.010
"""The notebook way calls a joint bad when it drops more at full white. Common practice."""


class OutOfTime(BaseException):
    """The unit has used up its processor time; nothing that catches exceptions stops this."""


@dataclass
class Row:
    """Results of one unit; one of the `raw` rows of `--json`."""

    number: int
    state: str
    shape: str
    load: str
    kind: str
    strands: int
    nodes: int
    feeds: int
    hidden: tuple[str, ...]
    conditions: tuple[str, ...]
    truth: str
    apart_v: float = 0.0
    """Difference between ngspice and our circuit at the worst node at full white. [V]"""
    meter: str = ""
    named: list[tuple[str, str, float, str]] = field(default_factory=list)
    """Places that were repaired: place, kind, probability, and `right`, `alike` or `needless`; or
    `setting` for a setting of the controller that was looked up and is right."""
    left: tuple[str, ...] = ()
    end: str = ""
    """`released`, `unexplained` where nothing fits, or what stopped it."""
    healthy: float = 0.0
    readings: int = 0
    to_name: int | None = None
    """Readings before the first repair."""
    to_fix: int | None = None
    """Readings before the last fault was put right."""
    looks: int = 0
    lead_moves: int = 0
    seconds: float = 0.0
    slips: int = 0
    said: list[tuple[float, bool]] = field(default_factory=list)
    cpu_s: list[float] = field(default_factory=list)
    """Processor time of each finding."""
    peak_mib: float = 0.0
    notebook: str = ""
    notebook_right: bool = False
    notebook_readings: int = 0
    notebook_moves: int = 0
    notebook_s: float = 0.0

    @property
    def is_sound(self) -> bool:
        return not self.hidden

    @property
    def needless(self) -> int:
        """Number of repairs that removed no fault, at places distinguishable from every fault."""
        return sum(verdict == "needless" for *_, verdict in self.named)

    @property
    def is_right(self) -> bool:
        """All faults named and nothing else; of a sound unit: released, and never touched."""
        if self.is_sound:
            return self.end == "released" and not self.named
        return not self.left and self.needless == 0


def row_of(kept: dict[str, Any]) -> Row:
    """Return a row as written by `--json`."""
    lists = {key: tuple(kept[key]) for key in ("hidden", "conditions", "left")}
    pairs = {key: [tuple(each) for each in kept[key]] for key in ("named", "said")}
    return Row(**{**kept, **lists, **pairs})


# -- The person --------------------------------------------------------------------------------


class Person:
    """A person at the bench with one unit: does what the tool asks, with slips and faint eyes."""

    def __init__(self, made: Made, unit: Unit, row: Row, seed: int, say: Callable[[str], None]):
        self.design, self.unit, self.row, self.say = made.design, unit, row, say
        self._chance = chance_of(seed, row.number, 4)
        self.state = State(made.design)
        self._happened: list[LoggedEvent] = []
        self._leads = Leads()
        self.engine = Engine(with_measured_supplies(made.design, self._supplies()))

    def _supplies(self) -> dict[CheckKey, CheckMade]:
        """Measure the volts of every supply before power, to a hundredth of a volt."""
        found: dict[CheckKey, CheckMade] = {}
        for feed in self.unit.true.feeds:
            key: CheckKey = ("supply", feed.name)
            found[key] = judge_check(self.design, key, f"{feed.volts * self.unit.gain:.2f}")
        return found

    def work(self) -> None:
        """Follow the tool until it is done."""
        row = self.row
        for _ in range(MOST_STEPS):
            finding = self._think()
            if finding.look is not None:
                self._look(finding.look.lit)
                continue
            advice = next_step(_all_passed(self.state), finding)
            if advice.task == "read" and advice.lit is not None and advice.probe is not None:
                if row.readings >= MOST_READINGS:
                    row.end = f"{MOST_READINGS} readings"
                    break
                self._read(advice.lit, advice.probe, advice.replaces)
            elif advice.check is not None and advice.check[0] == "rails":
                self._measure_ohms(advice.check)
            elif advice.check is not None and advice.lit is not None:  # at a supply's terminals
                self._record(NotTaken(advice.lit.text(self.design), str(advice.probe)))
            elif advice.task == "repair" and advice.suspect is not None:
                if len(row.named) >= MOST_REPAIRS:
                    row.end = f"{MOST_REPAIRS} repairs"
                    break
                suspect = advice.suspect
                self._repair(
                    suspect.where,
                    suspect.fault,
                    repair_text(suspect, self.design),
                    suspect.probability,
                )
            else:
                row.end = "unexplained" if finding.fits_nothing else "released"
                break
        else:
            row.end = f"{MOST_STEPS} steps"
        row.healthy = finding.healthy

    def _think(self) -> Finding:
        start_s = time.process_time()
        try:
            finding = diagnose_state(self.engine, self.state, self.unit.named_meter)
        finally:  # one that the limit stops counts with what it took until then
            took_s = time.process_time() - start_s
            self.row.cpu_s.append(took_s)
        total: dict[tuple[str, str], float] = {}
        for suspect in finding.suspects:
            fault = "joint" if suspect.fault in ("resistive", "open") else suspect.fault
            key = suspect.where, fault
            total[key] = total.get(key, 0.0) + suspect.probability
        if self.state.readings or self.state.marks:
            words = {s.where: repair_text(s, self.design) for s in finding.suspects}
            self.row.said += [
                (min(p, 1.0), any(self._is_guilty(t, where, fault, words) for t in self.unit.left))
                for (where, fault), p in total.items()
            ]
        best = sorted(total.items(), key=lambda item: -item[1])[:4]
        shown = ", ".join(f"{where} {fault} {p:.3f}" for (where, fault), p in best)
        ask = finding.next
        asks = f"{'settled, ' if ask.settled else ''}{ask.expect_bits:.2f} bit"
        self.say(f"    healthy {finding.healthy:.3f}; {shown or 'no suspect'}; {asks}; "
                 f"{took_s:.2f} s CPU")  # fmt: skip
        return finding

    def _is_guilty(self, text: str, where: str, fault: str, words: dict[str, str]) -> bool:
        place = text.partition("=")[0]
        if place.endswith("d"):  # of a hop the repair does both, but only one is at fault
            return where == place
        return is_named(text, where, fault, words[where], self.design)

    def _record(self, what: SessionEvent) -> None:
        """Fold an event as a session does."""
        self._happened.append(LoggedEvent(len(self._happened) + 1, "", what))
        if changes_earlier(what):
            self.state = fold(self._happened, self.design)
        else:
            self.state = apply_event(self.state, self._happened[-1])

    def _show(self, lit: LitSet) -> None:
        frame = frame_from_duty(lit.duty(self.design))
        for _ in range(3):  # a controller goes on sending: nodes that brown out settle
            self.unit.receive(frame)

    def _look(self, lit: LitSet) -> None:
        self._show(lit)
        marks = list(self._seen(lit))
        shown = []
        for mark in marks:
            self._record(
                MarkMade(
                    lit.text(self.design), mark.strand, mark.nodes, mark.seen, lit.level, lit.colour
                )
            )
            if mark.seen != "ok":
                shown.append(f"{mark.strand}.{mark.nodes} {mark.seen}")
                self.row.seconds += 3.5  # a range typed, as a reading is
        self.row.looks += 1
        self.row.seconds += look_s(lit)
        self.say(f"look: {lit.text(self.design)} {lit.colour}: {'; '.join(shown) or 'all right'}")

    def _seen(self, lit: LitSet) -> Iterator[Mark]:
        """Yield a person's marks: runs of each strand, `ok` where a dark one is rightly dark."""
        sights: dict[int, list[Mark]] = {}
        for sight in observe(self.unit):  # type: ignore[arg-type]
            sights.setdefault(sight.strand, []).append(sight.mark(lit))
        for strand in self.design.strands:
            marks = sights.get(strand.number)
            if marks is None:
                yield Mark(lit, strand.number, 1, strand.nodes, "ok")
            else:
                yield from self._erring(lit, marks, strand.nodes)

    def _erring(self, lit: LitSet, marks: list[Mark], nodes: int) -> list[Mark]:
        """A strand's marks as eyes that err see them."""
        looks = [SEEN.index("ok")] * nodes
        for mark in marks:
            looks[mark.first - 1 : mark.last] = [SEEN.index(mark.seen)] * (
                mark.last - mark.first + 1
            )
        off, unnoticed, imagined = self._chance.random(3)
        where = int(self._chance.integers(nodes))
        if set(looks) != {0}:
            if off < OFF_BY_ONE and len(marks) > 1:
                looks = [looks[0], *looks[:-1]]
            if unnoticed < UNNOTICED:
                faint = {SEEN.index("warm"), SEEN.index("dim")}
                looks = [0 if look in faint else look for look in looks]
        elif imagined < IMAGINED and lit.lights(marks[0].strand):
            looks[where] = SEEN.index("dim")
        edges = [0, *(np.flatnonzero(np.diff(looks)) + 1).tolist(), nodes]
        strand = marks[0].strand
        return [Mark(lit, strand, low + 1, high, SEEN[looks[low]]) for low, high in pairwise(edges)]

    def _read(self, lit: LitSet, probe: Probe, again: int | None) -> None:
        self._show(lit)
        effort = reading_cost(self.design, self._leads, lit, probe)
        self._leads = effort.leads
        self.row.lead_moves += effort.lead_moves
        self.row.seconds += effort.seconds
        self.row.readings += 1
        shown = self.unit.measure(probe)
        typed = self._typed(shown)
        self._record(
            ReadingTaken(
                lit.text(self.design),
                str(probe),
                typed,
                level=lit.level,
                colour=lit.colour,
                again=again,
                decimals=self._decimals(shown),
            )
        )
        slip = "" if math.isclose(typed, shown, abs_tol=0.006) else f" (the meter: {shown:g})"
        instead = "" if again is None else ", in place of an odd one"
        lit_text = lit.text(self.design)
        self.say(f"reading {self.row.readings}{instead}: {lit_text} {probe} = {typed:g} V{slip}")

    def _decimals(self, shown_v: float) -> int:
        """Return the decimals that the person types, as the program records them."""
        if "10 mV steps" in self.unit.hidden.conditions:
            return 2
        return step_decimals(self.unit.meter.resolution_v(shown_v))

    def _typed(self, shown_v: float) -> float:
        """The reading as it is typed: to 10 mV by some people, and sometimes wrong."""
        digits = 2 if "10 mV steps" in self.unit.hidden.conditions else 4
        text = f"{shown_v:.{digits}f}"
        if self._chance.random() < SLIP:
            slipped = _slipped(text, self._chance)
            with contextlib.suppress(BenchError):  # one that the tool refuses is typed again
                check_volts(float(slipped), self.unit.named_meter)
                self.row.slips += 1
                return float(slipped)
        with contextlib.suppress(BenchError):
            return check_volts(float(text), self.unit.named_meter)
        return math.copysign(self.unit.named_meter.ranges_v[-1], shown_v)

    def _measure_ohms(self, key: CheckKey) -> None:
        """Unplug, and measure between the rails of a feed; where they touch, find the bridge."""
        unit, row, feed = self.unit, self.row, key[1]
        short = [text for text in unit.left if is_named(text, feed, "short", "", self.design)]
        shown = "OL" if not short else short[0].rpartition(":")[2]
        row.readings += 1
        row.lead_moves += 2
        row.seconds += UNPLUG_S + 2.0 * USUAL_TIMES.lead_move_s + USUAL_TIMES.typed_reading_s
        self._leads = Leads()
        self.say(f"reading {row.readings}: ohms between the rails at {feed} = {shown}")
        self._record(judge_check(self.design, key, shown))
        if short:
            self._repair(feed, "short", "", 1.0)

    def _repair(self, where: str, kind: str, words: str, probability: float) -> None:
        row, unit = self.row, self.unit
        near = [text for text in unit.left if alike(text, where, self.design)]
        done = unit.repair(where, kind, words)
        verdict = "right" if done else "alike" if near else "needless"
        if verdict == "needless" and kind == "mapping":
            verdict = "setting"
        row.named.append((where, kind, round(probability, 4), verdict))
        row.seconds += SETTING_S if verdict == "setting" else repair_s()
        row.to_name = row.readings if row.to_name is None else row.to_name
        if not unit.left and row.to_fix is None:
            row.to_fix = row.readings
        self.say(f"repair: {where} {kind} at {probability:.3f}: {verdict}")
        before = self.state.verdicts, self.state.marks
        self._record(RepairDone(where, "as named"))
        self._leads = Leads()
        touched = {mark.strand for mark in before[1]} - {mark.strand for mark in self.state.marks}
        colour = "red" if "red" in self.design.node.colours else "white"
        self._look(LitSet(frozenset(touched or {1}), 1.0, colour))


def _all_passed(state: State) -> State:
    """The session as it is once every check and every strand's look has passed."""
    numbers = [strand.number for strand in state.design.strands]
    right = dict.fromkeys(numbers, True)
    return replace(
        state,
        verdicts=right,
        looked_level=dict.fromkeys(numbers, 1.0),
        marks=(),
        first_light=True,
        colours={colour: dict(right) for colour in state.design.node.colours},
        recheck=frozenset(),
    )


def _slipped(text: str, chance: np.random.Generator) -> str:
    """A number typed wrong: a digit, two digits exchanged, the point moved, the sign lost."""
    sign, digits = ("-", text[1:]) if text.startswith("-") else ("", text)
    places = [place for place, letter in enumerate(digits) if letter.isdigit()]
    way = int(chance.integers(4))
    if way == 0:
        place = int(chance.choice(places))
        other = str(int(chance.integers(10)))
        return sign + digits[:place] + other + digits[place + 1 :]
    if way == 1:
        one, two = sorted(chance.choice(places, size=2, replace=False).tolist())
        swapped = list(digits)
        swapped[one], swapped[two] = swapped[two], swapped[one]
        return sign + "".join(swapped)
    if way == 2:
        return f"{sign}{float(digits) * float(chance.choice([0.1, 10.0])):.5f}"
    return digits if sign else "-" + digits


# -- The notebook way ----------------------------------------------------------------------------


def notebook(made: Made, unit: Unit, row: Row) -> None:
    """Test a unit without the tool: look at full white, read strand ends, then the worst strand.

    It names one thing, and is right if that is one of the faults. Where nodes are dark the first of
    them in the order of data is named, or the data joint in front of it where it is the first of
    its strand; where a strand shows wrong colours, its order.
    """
    design, lit = made.design, all_lit(made.design)
    frame, leads = frame_from_duty(lit.duty(design)), Leads()
    for _ in range(3):
        unit.receive(frame)
    row.notebook_s += look_s(lit)
    looks = {}
    for sight in observe(unit):  # type: ignore[arg-type]
        for node in range(sight.first, sight.last + 1):
            looks[sight.strand, node] = sight.seen

    def read(probe: Probe) -> float:
        nonlocal leads
        effort = reading_cost(design, leads, lit, probe)
        leads = effort.leads
        row.notebook_readings += 1
        row.notebook_moves += effort.lead_moves
        row.notebook_s += effort.seconds
        return unit.measure(probe)

    volts = {probe: read(probe) for probe in strand_end_probes(design)}
    worst = min(volts, key=lambda probe: volts[probe]).red.place
    assert isinstance(worst, StrandEnd)
    mine = [joint for joint in power_joints(design) if worst.strand in joint.strands]
    mine += [joint for joint in power_joints(design) if not joint.strands]
    drops = {joint.name: abs(read(joint.probe)) for joint in mine}
    name = max(drops, key=lambda joint: drops[joint])
    said, kind = (name, "open") if drops[name] > NOTEBOOK_SUSPECT_V else ("", "")
    if not said:
        said, kind = _by_eye(design, looks)
    row.notebook = said
    row.notebook_right = (
        any(is_named(text, said, kind, "", design) or alike(text, said, design)
            for text in row.hidden)
        if row.hidden else said == ""
    )  # fmt: skip


def _by_eye(design: Design, looks: Mapping[tuple[int, int], str]) -> tuple[str, str]:
    leaving_by = {entering.strand: leaving for leaving, entering in data_hops(design)}
    for entry in design.data_path:
        nodes = range(1, design.strand(entry.strand).nodes + 1)
        order = nodes if entry.end == "A" else nodes[::-1]
        for place, node in enumerate(order):
            seen = looks.get((entry.strand, node))
            if seen == "dark" and place == 0:
                return f"{leaving_by.get(entry.strand, entry)}d", "data-open"
            if seen == "dark":
                return f"{entry.strand}.{node}", "dead-node"
            if seen == "wrong-colour":
                return str(entry.strand), "colour-order"
    return "", ""


# -- One unit in a process of its own --------------------------------------------------------------


def try_unit(
    seed: int, number: int, say: Callable[[str], None] = lambda _: None
) -> tuple[Row, State]:
    """One unit from first look to release, within this process; and the session at its end."""
    made = made_design(seed, number)
    hidden = hidden_of(made, seed, number)
    design = made.design
    row = Row(
        number, hidden.state, made.shape, made.load, design.node.name, len(design.strands),
        design.node_count, len(design.feeds), hidden.faults, hidden.conditions, "",
    )  # fmt: skip
    unit, person = None, None
    try:
        unit = Unit(made, seed, number)
        row.truth, row.meter = unit.truth, str(unit.meter)
        other = Unit(made, seed, number)
        notebook(made, other, row)
        row.apart_v = other.apart_v()
        person = Person(made, unit, row, seed, say)
        person.work()
    except OutOfTime:
        row.end = "CPU limit"
    except MemoryError:
        row.end = "memory limit"
    except Exception as fault:
        row.end = f"failed: {type(fault).__name__}: {fault}"
        say(row.end)
    row.left = tuple(unit.left) if unit is not None else hidden.faults
    row.peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    return row, State(design) if person is None else person.state


def _limit(most_s: float) -> None:
    def stop(number: int, frame: FrameType | None) -> None:
        raise OutOfTime

    signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, most_s)
    most = MEMORY_LIMIT_MIB * 1024 * 1024
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _in_its_process(job: tuple[int, int, float]) -> Row:
    seed, number, most_s = job
    _limit(most_s)
    try:
        return try_unit(seed, number)[0]
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)


def numbers_of(
    seed: int, count: int, family: str | None = None, most_nodes: int | None = None
) -> list[int]:
    """Units of a study: the first ones, or the first of a family or of props that are small."""
    if family is None and most_nodes is None:
        return list(range(count))
    found: list[int] = []
    for number in counting():
        if len(found) == count or number > 400 * max(count, 1):
            break
        if family in (*SOUND, *SINGLE, *SEVERAL) and family != state_of(seed, number):
            continue
        made = made_design(seed, number)
        if most_nodes is not None and made.design.node_count > most_nodes:
            continue
        hidden = hidden_of(made, seed, number)
        design = (made.shape, made.load, made.design.node.name)
        if family in (None, hidden.state, *design, *hidden.conditions):
            found.append(number)
    return found


# -- Figures ---------------------------------------------------------------------------------------


def calibration_error(said: Iterable[tuple[float, bool]]) -> tuple[float, list[str]]:
    """Expected calibration error over ten bins, and a line for each bin."""
    rows = [row for row in said if row[0] >= COUNTED]
    lines, error = [], 0.0
    for low in range(10):
        part = [row for row in rows if min(int(row[0] * 10), 9) == low]
        if part:
            mean = float(np.mean([p for p, _ in part]))
            share = float(np.mean([guilty for _, guilty in part]))
            error += len(part) / len(rows) * abs(mean - share)
            lines.append(f"said {mean:4.0%}: guilty {share:4.0%} of {len(part)}")
    return error, lines


def _share(part: int, whole: int) -> str:
    return f"{part}/{whole}"


def _spread(values: Sequence[float], digits: int = 0) -> str:
    """Median and 90th percentile."""
    if not values:
        return "-"
    return f"{np.median(values):.{digits}f}/{np.percentile(values, 90):.{digits}f}"


HEAD = (
    f"{'family':<24}{'right':>8}{'need-':>6}{'accu-':>6}{'stop-':>6}{'readings':>10}{'to name':>9}"
    f"{'looks':>7}{'moves':>7}{'seconds':>11}{'CPU p50/p99/max':>19}{'MiB':>6}{'calib.':>8}"
    f"{'notebook':>10}{'reads':>7}{'secs':>6}\n"
    f"{'':<24}{'':>8}{'less':>6}{'sed':>6}{'ped':>6}"
)


def line(title: str, rows: Sequence[Row]) -> str:
    """One family as a line."""
    sound = [row for row in rows if row.is_sound]
    accused = sum(bool(row.named) for row in sound)
    cpu = [s for row in rows for s in row.cpu_s] or [0.0]
    error = calibration_error(said for row in rows for said in row.said)[0]
    named = [row.to_name for row in rows if row.to_name is not None and not row.is_sound]
    return (
        f"{title[:23]:<24}{_share(sum(row.is_right for row in rows), len(rows)):>8}"
        f"{sum(row.needless for row in rows):>6}{accused if sound else '-':>6}"
        f"{sum(row.end != 'released' for row in rows):>6}"
        f"{_spread([row.readings for row in rows]):>10}{_spread(named):>9}"
        f"{np.median([row.looks for row in rows]):>7.0f}"
        f"{np.median([row.lead_moves for row in rows]):>7.0f}"
        f"{_spread([row.seconds for row in rows]):>11}"
        f"{f'{np.median(cpu):.2f}/{np.percentile(cpu, 99):.1f}/{max(cpu):.1f}':>19}"
        f"{max(row.peak_mib for row in rows):>6.0f}{error:>8.3f}"
        f"{_share(sum(row.notebook_right for row in rows), len(rows)):>10}"
        f"{np.median([row.notebook_readings for row in rows]):>7.0f}"
        f"{np.median([row.notebook_s for row in rows]):>6.0f}"
    )


def summary(rows: Sequence[Row]) -> None:
    """Print every table."""
    print(HEAD)
    for state in dict.fromkeys((*SOUND, *SINGLE, *SEVERAL)):
        if mine := [row for row in rows if row.state == state]:
            print(line(state, mine))
    for title, families, of in (
        ("by copper", (*SHAPES, FIXED), lambda row: (row.shape,)),
        ("by volts at full white", tuple(LOADS), lambda row: (row.load,)),
        ("by node kind", sorted({row.kind for row in rows}), lambda row: (row.kind,)),
        ("by condition", sorted({c for row in rows for c in row.conditions}),
         lambda row: row.conditions),
        ("by truth", ("ngspice", "ours"), lambda row: (row.truth,)),
    ):  # fmt: skip
        print(f"-- {title}")
        for family in families:
            if mine := [row for row in rows if family in of(row)]:
                print(line(family, mine))
    print("-- in all")
    print(line("all", rows))
    ends: dict[str, int] = {}
    for row in rows:
        ends[row.end] = ends.get(row.end, 0) + 1
    print("ends: " + "; ".join(f"{end} {number}" for end, number in sorted(ends.items())))
    error, bins = calibration_error(said for row in rows for said in row.said)
    print(f"calibration error {error:.3f}\n  " + "\n  ".join(bins))


def note_all(rows: Sequence[Row]) -> None:
    """Keep the figures that have a target, and those next to them."""
    note = figures.note
    single = [row for row in rows if row.state in SINGLE]
    sound = [row for row in rows if row.is_sound]
    two = [row for row in rows if row.state == "two"]
    note("made-up props", float(len(rows)), families=float(len({row.state for row in rows})))
    _note_share("single faults named", [row.is_right for row in single], least=97.0)
    by_hand = [row.notebook_right for row in single]
    _note_share("single faults named by the notebook way", by_hand)
    taken = [row.readings if row.to_name is None else row.to_name for row in single]
    if taken:
        note("readings to the name of a single fault, median", _median(taken), most=5.0)
        percentile = float(np.percentile(taken, 90))
        note("readings to the name of a single fault, 90th percentile", percentile, most=11.0)
    needless = sum(row.needless for row in rows)
    note("needless repairs in 100 units", 100.0 * needless / len(rows), most=3.0, count=needless)
    _note_share("sound units accused", [bool(row.named) for row in sound], most=1.0)
    by_hand = [not row.notebook_right for row in sound]
    _note_share("sound units accused by the notebook way", by_hand)
    if released := [row.readings for row in sound if row.is_right]:
        note("readings until a sound unit is released, median", _median(released), most=10.0)
    both = [row.to_fix is not None and row.to_fix <= WITHIN for row in two]
    _note_share(f"both of two faults within {WITHIN} readings", both, least=90.0)
    error = calibration_error(said for row in rows for said in row.said)[0]
    note("calibration error over all readings", error, most=0.04)
    note("looks, median", _median([row.looks for row in rows]))
    note("lead moves, median", _median([row.lead_moves for row in rows]))
    note("lead moves of the notebook way, median", _median([row.notebook_moves for row in rows]))
    note("the person's time, median", _median([row.seconds for row in rows]), "s")
    note("time of the notebook way, median", _median([row.notebook_s for row in rows]), "s")
    cpu = [s for row in rows for s in row.cpu_s]
    note("processor time of a finding, median", _median(cpu), "s", most=0.25)
    percentile = float(np.percentile(cpu, 99))
    note("processor time of a finding, 99th percentile", percentile, "s", most=1.0)
    small = [s for row in rows if row.strands <= 16 and row.nodes <= 800 for s in row.cpu_s]
    longest = max(small, default=0.0)
    note("processor time of a finding, longest, up to 16 x 50", longest, "s", most=2.0)
    note("processor time of a finding, longest of all", max(cpu), "s", most=4.0)
    note("peak memory of the worst unit", max(row.peak_mib for row in rows), "MiB", most=350.0)
    apart_v = [row.apart_v for row in rows if row.truth == "ngspice"]
    if apart_v:
        note("truth by ngspice and by our circuit apart, worst node", 1e6 * max(apart_v), "µV")
    stopped = sum(row.end in ("CPU limit", "memory limit") for row in rows)
    note("units stopped at the limit of time or memory", float(stopped), most=0.0)


def _median(values: Sequence[float]) -> float:
    return float(np.median(values))


def _note_share(
    what: str, good: Sequence[bool], least: float | None = None, most: float | None = None
) -> None:
    """Keep a share in per cent with its counts, unless it has no units."""
    if good:
        share = 100.0 * sum(good) / len(good)
        figures.note(what, share, "%", least=least, most=most, count=sum(good), of=len(good))


# -- The command -----------------------------------------------------------------------------------


def replay(seed: int, number: int, keep: Path | None) -> Row:
    """One unit with its whole path printed."""
    made = made_design(seed, number)
    unit = Unit(made, seed, number)
    print(made.text)
    print(f"unit {number} of seed {seed}: {unit.hidden.state}; {made.shape}; {made.load}")
    print(f"hidden: {', '.join(unit.hidden.faults) or 'nothing'}; conditions: "
          f"{', '.join(unit.hidden.conditions) or 'none'}; truth by {unit.truth}; meter "
          f"{unit.meter}, named as {unit.named_meter}; gain {unit.gain:.4f}")  # fmt: skip
    print(
        f"supplies: {', '.join(f'{feed.name} {feed.volts:.3f} V' for feed in unit.true.feeds)}; "
        f"node {unit.true.node.channel_ma:.2f} mA, design {made.design.node.channel_ma:.2f}"
    )
    row, state = try_unit(seed, number, lambda words: print(words, flush=True))
    print(f"end: {row.end}; left: {', '.join(row.left) or 'nothing'}; named: {row.named}; "
          f"{row.readings} readings, {row.looks} looks, {row.seconds:.0f} s of the person, "
          f"{sum(row.cpu_s):.1f} s CPU, peak {row.peak_mib:.0f} MiB")  # fmt: skip
    print(f"notebook: {row.notebook or 'nothing'} after {row.notebook_readings} readings, "
          f"{'right' if row.notebook_right else 'wrong'}")  # fmt: skip
    if keep is not None:
        _keep(keep, made, unit, state)
    return row


def _keep(folder: Path, made: Made, unit: Unit, state: State) -> None:
    """Write the evidence since the last repair as files of `benchtest diagnose`."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "case.toml").write_text(made.text, encoding="utf-8")
    design = made.design
    readings = ["lit,probe,volts,colour"]
    readings += [
        f"{r.lit.text(design)},{r.probe},{r.volts:.6g},{r.lit.colour}" for r in state.readings
    ]
    marks = ["lit,strand,nodes,seen,colour"]
    marks += [
        f"{m.lit.text(design)},{m.strand},{m.nodes},{m.seen},{m.lit.colour}" for m in state.marks
    ]
    (folder / "readings.csv").write_text("\n".join(readings) + "\n", encoding="utf-8")
    (folder / "marks.csv").write_text("\n".join(marks) + "\n", encoding="utf-8")
    print(
        f"kept; to weigh again: benchtest diagnose {folder}/case.toml --readings "
        f"{folder}/readings.csv --marks {folder}/marks.csv --meter {unit.named_meter}"
    )


def main() -> int:
    """Run the study, or replay one unit."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--count", type=int, default=200, help="units (200)")
    parser.add_argument("--seed", type=int, default=1, help="of the study; no two share units")
    parser.add_argument("--family", help="a state, shape, load, node kind or condition")
    parser.add_argument("--jobs", type=int, default=1, help="processes side by side")
    parser.add_argument("--unit", type=int, help="replay this unit and print its path")
    parser.add_argument("--keep", type=Path, help="with --unit: write its evidence to a folder")
    parser.add_argument("--most-nodes", type=int, help="only props of so many nodes or fewer")
    parser.add_argument("--limit", type=float, default=CPU_LIMIT_S, help="processor time of a unit")
    parser.add_argument("--read", type=Path, help="take rows that --json wrote; try no unit")
    parser.add_argument("--rows", type=Path, help="write raw rows, one JSON object per line")
    args = parser.parse_args()
    if args.unit is not None:
        replay(args.seed, args.unit, args.keep)
        return 0
    if args.read is not None:
        kept = [row_of(json.loads(text)) for text in args.read.read_text("utf-8").splitlines()]
        summary(kept)
        note_all(kept)
        return 0
    numbers = numbers_of(args.seed, args.count, args.family, args.most_nodes)
    if not numbers:
        print(f'no unit of family "{args.family}"')
        return 2
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # and the pool's processes with it
    rows = study(args.seed, numbers, args.jobs, args.rows, args.limit)
    summary(rows)
    note_all(rows)
    return 0


def study(
    seed: int,
    numbers: Sequence[int],
    jobs: int,
    target: Path | None = None,
    most_s: float = CPU_LIMIT_S,
) -> list[Row]:
    """Every unit in a process of its own; rows in the order of their numbers."""
    rows: list[Row] = []
    work = [(seed, number, most_s) for number in numbers]
    context = multiprocessing.get_context("fork")
    out = target.open("w", encoding="utf-8") if target is not None else None
    with context.Pool(jobs, maxtasksperchild=1) as pool:
        for row in pool.imap(_in_its_process, work, chunksize=1):
            rows.append(row)
            told = ", ".join(f"{where} {verdict}" for where, _, _, verdict in row.named)
            print(f"{len(rows)}/{len(work)} unit {row.number} ({row.state}; {row.shape}; "
                  f"{row.nodes} nodes): {'right' if row.is_right else 'WRONG'}; {row.end}; "
                  f"{told or 'nothing named'}; hidden {', '.join(row.hidden) or 'nothing'}; "
                  f"{row.readings} readings; {sum(row.cpu_s):.0f} s",
                  file=sys.stderr, flush=True)  # fmt: skip
            if out is not None:
                out.write(json.dumps(asdict(row)) + "\n")
                out.flush()
    if out is not None:
        out.close()
    return rows


if __name__ == "__main__":
    # with a file behind it `--json` means raw rows; alone it means figures, as of every bench
    if "--json" in sys.argv[:-1]:
        sys.argv[sys.argv.index("--json")] = "--rows"
    if ONE_THREAD not in os.environ:  # processor time is measured, and the machine is shared
        os.environ[ONE_THREAD] = "1"
        os.execv(sys.executable, [sys.executable, "-m", "tests.bench.any_prop", *sys.argv[1:]])
    figures.run(main)
