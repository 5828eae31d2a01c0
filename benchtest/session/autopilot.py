"""A whole test without a user: a virtual prop with a hidden fault, tested as guided.

All parts are real: packets on loopback, a prop in another process, records on disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from benchtest.diagnosis import Finding
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.e131.encode import load_cid
from benchtest.drive.frame_clock import RAMP_S
from benchtest.drive.target import DriveSettings, Target, clock_for, driver_for
from benchtest.drive.universe_layout import Frame
from benchtest.errors import BenchError
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.formatting import count_noun
from benchtest.pattern import alternating_duty, frame_from_duty, picture_duty, turn_count
from benchtest.prop.design import Design
from benchtest.prop.joints import data_joints, power_joints
from benchtest.prop.lit_set import LitSet, all_lit
from benchtest.prop.outputs import without_hosts
from benchtest.prop.reader import parse_design
from benchtest.records.shelf import Shelf
from benchtest.session.bench_supply import evening_supplies, passed_check
from benchtest.session.display.event_text import format_volts
from benchtest.session.guidance.next_step import Advice, next_step
from benchtest.session.guidance.parade import MIN_PARADE_STRANDS
from benchtest.session.log.events import (
    Check,
    CheckMade,
    ColourSeen,
    ControllerSeen,
    FirstLight,
    MarkMade,
    NotTaken,
    PictureSeen,
    ReadingTaken,
    RepairDone,
    SignedOff,
    VerdictGiven,
)
from benchtest.session.log.person_effort import PersonEffort, person_effort
from benchtest.session.log.power_checks import CheckKey, name_checks
from benchtest.session.log.unit_target import VIRTUAL
from benchtest.session.report.strand_profile import final_lowest_v
from benchtest.session.session import Session
from benchtest.session.workbench.prop_light import FIRST_LEVEL, LOOK_LEVEL
from benchtest.virtual.observer import Observation
from benchtest.virtual.remote_prop import FRAME_TIMEOUT_S, start_simulation, wait_for_frame

DEMO_DESIGN = "willow-fan.toml"
MAX_STEPS = 120

Printer = Callable[[str], None]


@dataclass
class Outcome:
    """Result of a demo or reference run."""

    tag: str
    hidden: str
    named: list[str] = field(default_factory=list)
    """Joints and nodes that were repaired, in order."""
    repaired: bool = False
    """True if one of these repairs removed a fault."""
    readings: int = 0
    person: PersonEffort = field(default_factory=PersonEffort)
    """Effort of the same session for a user."""

    @property
    def found(self) -> bool:
        """True if the repair was at the hidden fault.

        Both data joints of one hop look the same to every reading, so that the second may be it.
        """
        tries = 2 if self.hidden.partition("=")[0].endswith("d") else 1
        return self.repaired and 0 < len(self.named) <= tries


@contextmanager
def demo_file() -> Iterator[Path]:
    """Yield the path of the demo's prop file."""
    with as_file(files("benchtest.virtual").joinpath(DEMO_DESIGN)) as path:
        yield path


def hide_fault(design: Design, seed: int) -> str:
    """Return a random fault that a builder might make, in the form of `simulate --fault`."""
    rng = np.random.default_rng(seed)
    sort = rng.choice(["resistive", "open", "data", "node"], p=[0.6, 0.15, 0.1, 0.15])
    if sort == "data":
        return f"{rng.choice([joint.name for joint in data_joints(design)])}=open"
    if sort == "node":
        node = design.node_at(int(rng.integers(design.node_count)))
        return f"{node}={rng.choice(['dead', 'dark'])}"
    joints = [joint.name for joint in power_joints(design) if joint.strands]
    joint = rng.choice(joints)
    if sort == "open":
        return f"{joint}=open"
    return f"{joint}={float(np.exp(rng.uniform(np.log(0.12), np.log(6.0)))):.2f}"


def run_demo(
    folder: Path, seed: int, report: Printer, settings: DriveSettings | None = None
) -> Outcome:
    """Test a virtual unit with a hidden fault from the first check to the sign-off.

    Args:
        folder: bench folder for the record.
        seed: seed of the unit's tolerances and of the hidden fault.
        report: prints a line about each step.
        settings: settings of how the unit is driven; None for the usual ones.

    Raises:
        BenchError: something failed; contains what to do.
    """
    with demo_file() as path, Shelf(folder) as shelf:
        text = path.read_text("utf-8")
        design = parse_design(text, path.name)
        hidden = hide_fault(design, seed)
        tag = _free_tag(shelf)
        session = Session.start(shelf, text, tag, DEFAULT_METER)
        session.target = VIRTUAL
        given = Target("virtual", settings=settings or DriveSettings())
        with start_simulation(path, [hidden], seed, output=str(given.output)) as prop:
            report(f"Unit {tag}, {design.name}: {count_noun(len(design.strands), 'strand')}, "
                f"{count_noun(design.node_count, 'node')}. A fault is hidden in it.")  # fmt: skip
            sender = SourceSettings(load_cid(folder))
            target = given.at(prop.target)
            driver = driver_for(target, without_hosts(design), sender)
            with clock_for(target, design, driver, attended=False).start() as clock:
                assert clock.info is not None
                report(f"Driving {clock.info}.")
                outcome = run_guidance(session, clock, prop, report, Outcome(tag, hidden))
        outcome.person = person_effort(design, session.events)
        return outcome


class Light(Protocol):
    """A light that shows frames on a prop."""

    def show(self, frame: Frame, ramp_s: float = 0.0) -> None: ...

    def dark(self) -> None: ...


class Eyes(Protocol):
    """A prop that can be looked at, measured and repaired."""

    def measure(self, probe: str) -> float: ...

    def look(self) -> list[Observation]: ...

    def state(self) -> dict[str, Any]: ...

    def repair(self, where: str) -> bool: ...


def run_guidance(
    session: Session,
    light: Light,
    prop: Eyes,
    report: Printer,
    outcome: Outcome,
    until: Callable[[], bool] = lambda: False,
) -> Outcome:
    """Follow the guidance until nothing is left to do, or until a condition is true.

    Raises:
        BenchError: the test did not end within `MAX_STEPS`.
    """
    return _Worker(session, light, prop, report, outcome).work(until)


def _free_tag(shelf: Shelf) -> str:
    taken = {unit.tag for unit in shelf.units()}
    return next(tag for n in range(1, 10_000) if (tag := f"WF-{n:02}") not in taken)


@dataclass
class _Worker:
    """Follows the guidance, with the look and the meter of a virtual prop."""

    session: Session
    clock: Light
    prop: Eyes
    report: Printer
    outcome: Outcome
    _shown: set[int] = field(default_factory=set, init=False)
    """Strands that lit in a parade that has stopped; its end passes them too."""
    _repairs: int = field(default=0, init=False)

    def work(self, until: Callable[[], bool]) -> Outcome:
        for _ in range(MAX_STEPS):
            if until():
                return self.outcome
            advice = next_step(self.session.state, None)
            if advice.task == "think":
                finding = self.session.diagnose()
                self.session.conclude(finding, final_lowest_v(self.session, finding))
                advice = next_step(self.session.state, finding)
                self._report_finding(finding, advice)
                if until():  # may depend on the finding, which the next reading makes invalid
                    return self.outcome
            if advice.task == "done":
                return self.outcome
            self._do(advice)
        raise BenchError(f"the demo did not end within {MAX_STEPS} steps; run it with --seed")

    def _do(self, advice: Advice) -> None:
        if advice.check is not None and advice.lit is not None:
            # under load: a virtual supply has no terminals to measure at
            lit_text = advice.lit.text(self.session.design)
            self.session.record(NotTaken(lit_text, str(advice.probe)))
        elif advice.check is not None:
            if not self._pass_checks(advice.due_checks):
                self._check(*advice.check)
        elif advice.task == "glow":
            self._glow()
        elif advice.task == "downstream" and advice.lit is not None:
            self._downstream(advice.lit)
        elif advice.task == "picture" and advice.lit is not None:
            self._picture(advice.lit)
        elif advice.task == "controller":
            self._controller()
        elif advice.task == "colour" and advice.colour is not None:
            self._colour(advice)
        elif advice.task == "look" and advice.strand is not None:
            self._look(advice.strand)
        elif advice.task == "read":
            self._read(advice)
        elif advice.task == "repair" and advice.suspect is not None:
            self._repair(advice.suspect.where)
        elif advice.task == "sign-off":
            self.session.record(SignedOff("demo", f"hidden fault was {self.outcome.hidden}"))
            self.report("Signed off; the record is saved.")
        else:
            raise BenchError(f"the demo cannot do this step: {advice.text}")

    def _light(self, lit: LitSet, ramp_s: float = 0.0) -> None:
        """Light a set, and wait until the prop shows it."""
        self._show(frame_from_duty(lit.duty(self.session.design)), ramp_s)

    def _show(self, frame: Frame, ramp_s: float = 0.0) -> None:
        """Show a frame, and wait until the prop shows it."""
        self.clock.show(frame, ramp_s)
        wait_for_frame(self.prop, lambda: frame, ramp_s + FRAME_TIMEOUT_S)

    def _pass_checks(self, keys: Sequence[CheckKey]) -> bool:
        """Pass all checks by one key if their supplies were measured this evening."""
        known = evening_supplies(self.session)
        if len(keys) < 2 or any(name == "supply" and feed not in known for name, feed in keys):
            return False
        first: int | None = None
        for key in keys:
            self.session.record(passed_check(key, known), first)
            first = first or self.session.next_seq - 1
        self.report(f"  before power: {name_checks(keys, known)} OK")
        return True

    def _check(self, check: Check, feed: str) -> None:
        """Record a check; fuse and polarity of a virtual prop are right, its supply is measured."""
        volts = self.prop.measure(feed) if check == "supply" else None
        self.session.record(CheckMade(check, feed, passed=True, volts=volts))
        shown = "" if volts is None else f", {volts:.2f} V"
        self.report(f"  before power: {check} at {feed} OK{shown}")

    def _glow(self) -> None:
        self._light(all_lit(self.session.design, FIRST_LEVEL))
        glows = all(sight.seen == "ok" for sight in self.prop.look())
        self.session.record(FirstLight(glows, FIRST_LEVEL))
        self.report(f"  first light: {'every strand glows' if glows else 'not every strand glows'}")

    def _downstream(self, lit: LitSet) -> None:
        """Look at the strands behind a dark one; one by one if one lights."""
        self._light(LitSet(lit.strands, LOOK_LEVEL))
        sights = [sight for sight in self.prop.look() if sight.strand in lit.strands]
        if any(sight.seen != "dark" for sight in sights):
            self._judge(min(lit.strands))
            return
        for strand in sorted(lit.strands):
            self.session.record(VerdictGiven(strand, False, LOOK_LEVEL, "parade"))
            nodes = f"1-{self.session.design.strand(strand).nodes}"
            self.session.record(MarkMade(str(strand), strand, nodes, "dark", LOOK_LEVEL))
        self.report(f"  strands {lit.text(self.session.design)}: dark too")

    def _picture(self, lit: LitSet) -> None:
        """Look at every turn of the picture."""
        design, as_drawn = self.session.design, True
        for turn in range(turn_count(design)):
            self._show(frame_from_duty(picture_duty(design, turn, lit.strands)))
            as_drawn = as_drawn and all(sight.seen == "ok" for sight in self.prop.look())
        text = lit.text(design)
        self.session.record(PictureSeen(as_drawn, None if text == "all" else text))
        self.report(f"  picture: {'as drawn' if as_drawn else 'not as drawn'}")

    def _controller(self) -> None:
        """Look at two colours in turn; the controller of a demo agrees with the prop file."""
        self._show(frame_from_duty(alternating_duty(self.session.design)))
        agrees = all(sight.seen == "ok" for sight in self.prop.look())
        self.session.record(ControllerSeen(agrees or None))
        self.report(f"  two colours in turn: {'as sent' if agrees else 'not as sent'}")

    def _colour(self, advice: Advice) -> None:
        """Look at a colour; a wrong one means a wrong colour order, which no demo hides."""
        assert advice.lit is not None
        assert advice.colour is not None
        self._light(LitSet(advice.lit.strands, LOOK_LEVEL, advice.lit.colour))
        right = all(sight.seen != "wrong-colour" for sight in self.prop.look())
        text = advice.lit.text(self.session.design)
        lit = None if advice.strand is not None or text == "all" else text
        self.session.record(ColourSeen(advice.colour, right, advice.strand, LOOK_LEVEL, lit))
        where = "" if text == "all" else f" on {text}"
        self.report(f"  {advice.colour}{where}: {'right' if right else 'wrong'}")

    def _look(self, strand: int) -> None:
        """Look at a strand; of several, at all in a parade, which stops at one that fails."""
        state = self.session.state
        untested = state.untested
        if len(state.repairs) != self._repairs:  # what was shown before may have changed
            self._shown, self._repairs = set(), len(state.repairs)
        if strand != untested[0] or len(untested) < MIN_PARADE_STRANDS:
            self._judge(strand)
            return
        for number in untested:
            if number not in self._shown and self._judge(number, in_parade=True):
                return
            self._shown.add(number)
        for number in untested:  # by the one key at the end of the parade
            self.session.record(VerdictGiven(number, True, LOOK_LEVEL, "parade"))

    def _judge(self, strand: int, *, in_parade: bool = False) -> bool:
        """Light a strand and record what is wrong; return True if something is.

        A strand that passes in a parade is recorded at its end.
        """
        self._light(LitSet(frozenset([strand]), LOOK_LEVEL))
        sights = [sight for sight in self.prop.look() if sight.strand == strand]
        wrong = [sight for sight in sights if sight.seen != "ok"]
        if wrong or not in_parade:
            self.session.record(VerdictGiven(strand, not wrong, LOOK_LEVEL))
        self.report(f"  strand {strand}: {'pass' if not wrong else 'fail'}")
        for sight in wrong:
            nodes = str(sight.first) if sight.first == sight.last else f"{sight.first}-{sight.last}"
            self.session.record(MarkMade(str(strand), strand, nodes, sight.seen, LOOK_LEVEL))
            self.report(f"    node {nodes} {sight.seen}")
        return bool(wrong)

    def _read(self, advice: Advice) -> None:
        assert advice.lit is not None
        design = self.session.design
        self._light(advice.lit, RAMP_S if len(advice.lit.strands) > 4 else 0.0)
        volts = self.prop.measure(str(advice.probe))
        self.session.record(ReadingTaken(advice.lit.text(design), str(advice.probe), volts))
        self.outcome.readings += 1
        shown = format_volts(volts)
        self.report(f"  reading {self.outcome.readings}: {advice.lit.text(design)} lit, "
                 f"{advice.probe} = {shown}")  # fmt: skip

    def _repair(self, where: str) -> None:
        self.clock.dark()
        self.outcome.named.append(where)
        was_wrong = self.prop.repair(where)
        self.outcome.repaired = self.outcome.repaired or was_wrong
        self.session.record(RepairDone(where, "repaired by the demo"))
        self.report(f"Repaired {where}. Only the strands at that place are tested again.")

    def _report_finding(self, finding: Finding, advice: Advice) -> None:
        if advice.task == "repair" and finding.suspects:
            top = finding.suspects[0]
            ohms = "" if top.ohms is None else f", about {top.ohms.best:.2g} ohm"
            self.report(f"Finding: {top.where} {top.fault}, {top.probability:.0%}{ohms}.")
            self.report(f"  {advice.text}")
        elif advice.task == "sign-off":
            cleared = finding.cleared_ohm
            words = "" if cleared is None else f"; no joint above {cleared * 1e3:.0f} milliohm"
            self.report(f"Finding: nothing wrong, {finding.healthy:.0%}{words} under these loads.")
