"""The session's engine at work: findings, their details, and figures of a healthy unit."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchtest.diagnosis import Engine, Finding
from benchtest.errors import CircuitFault
from benchtest.operating_system import return_freed_memory
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet
from benchtest.session.display.bench_model import DisplayedReading
from benchtest.session.display.finding_details import (
    FindingDetails,
    describe_next_reading,
    finding_details,
)
from benchtest.session.guidance.next_step import Task
from benchtest.session.log.evidence import evidence_key, odd_readings, with_looks_passed
from benchtest.session.log.state import LoggedEvent, State
from benchtest.session.report.strand_profile import final_lowest_v
from benchtest.session.workbench.active_session import ActiveSession


@dataclass(frozen=True, slots=True)
class _Judgments:
    """Readings next to those of a healthy unit, by event.

    They hold for as long as the engine, which changes when a supply is measured again.
    """

    engine: Engine
    z: Mapping[int, float]
    odd: frozenset[int]


@dataclass(frozen=True, slots=True)
class _Foreseen:
    """The finding of evidence that is likely to come: all looks that are asked for pass."""

    engine: Engine
    key: tuple[object, ...]
    finding: Finding

    def is_of(self, engine: Engine, state: State) -> bool:
        return self.engine is engine and self.key == evidence_key(state)


LOOKS: tuple[Task, ...] = ("look", "parade", "picture", "colour")
"""Questions while which the finding of a unit that passes them is worked out."""
_Asked = tuple[Engine, LitSet, Probe]
_Volts = tuple[float, float]


class DiagnosisWorker:
    """Runs the engine, one computation at a time, from worker threads and from the screen.

    Attributes:
        lock: held during a computation.
        takes_s: time that the last finding took. [s]
    """

    def __init__(self, active: ActiveSession) -> None:
        self._active = active
        self.lock = threading.Lock()
        self._judgments: _Judgments | None = None
        self._lowest: tuple[Finding, float | None] | None = None
        self._details: tuple[Finding, FindingDetails] | None = None
        self._healthy: tuple[_Asked, _Volts] | None = None
        self._possible: tuple[_Asked, _Volts] | None = None
        self._foreseen: _Foreseen | None = None
        self.takes_s = 0.0

    def diagnose(self) -> tuple[Sequence[LoggedEvent], Finding]:
        """Diagnose the evidence so far. Slow: call it from a worker thread.

        Returns:
            The events of the evidence and the finding, both for `accept`.
        """
        with self.lock:
            state, known = self._active.state, self._foreseen
            if known is not None and known.is_of(self._active.session.engine, state):
                finding = known.finding
            else:
                finding = self._timed_diagnosis(state)
            self._lowest = finding, final_lowest_v(self._active.session, finding)
            return_freed_memory()
            return state.undoable, finding

    def _timed_diagnosis(self, state: State) -> Finding:
        start_s = time.monotonic()
        finding = self._active.session.diagnose(state)
        self.takes_s = time.monotonic() - start_s
        return finding

    @property
    def may_foresee(self) -> bool:
        """True while looks are asked for whose likely finding is not known yet."""
        active, known = self._active, self._foreseen
        if active.advice.task not in LOOKS or active.state.failed or active.finding is not None:
            return False
        passed = self._passed
        return known is None or not known.is_of(active.session.engine, passed)

    @property
    def _passed(self) -> State:
        return with_looks_passed(self._active.state, self._active.light.look_level)

    def foresee(self) -> None:
        """Diagnose the unit as it is if it passes the looks. Slow: call it from a worker thread.

        Once it has passed them, `diagnose` returns that finding at once.
        """
        with self.lock:
            engine, passed = self._active.session.engine, self._passed
            finding = self._timed_diagnosis(passed)
            self._foreseen = _Foreseen(engine, evidence_key(passed), finding)
            return_freed_memory()

    def accept(self, events: Sequence[LoggedEvent], finding: Finding) -> bool:
        """Take a finding unless there are other events by now; return True if it was taken."""
        known = self._lowest
        lowest_v = known[1] if known is not None and known[0] is finding else None
        return self._active.accept(events, finding, lowest_v)

    @property
    def reading_lines(self) -> tuple[DisplayedReading, ...]:
        """Readings that count, judged as by the last finding that is still valid for them."""
        state, finding, engine = (
            self._active.state,
            self._active.finding,
            self._active.session.engine,
        )
        counted = [one for one in state.taken if one.counts]
        if finding is not None:
            z = {one.seq: row.z for one, row in zip(counted, finding.readings, strict=False)}
            odd = frozenset(one.seq for one in odd_readings(state, finding))
            self._judgments = _Judgments(engine, z, odd)
        known = self._judgments
        if known is None or known.engine is not engine:
            known = _Judgments(engine, {}, frozenset())
        return tuple(
            DisplayedReading(
                one.number,
                one.reading,
                one.reading.lit.text(state.design),
                known.z.get(one.seq),
                one.seq in known.odd,
            )
            for one in counted
        )

    def explain(self, finding: Finding) -> FindingDetails:
        """Work out the details of a finding. Slow: call it from a worker thread."""
        with self.lock:
            return finding_details(self._active.session, finding)

    def accept_details(self, finding: Finding, details: FindingDetails) -> None:
        """Take the details of a finding."""
        self._details = finding, details

    @property
    def details(self) -> FindingDetails | None:
        """Details of the present finding; None until they are worked out."""
        known = self._details
        return known[1] if known is not None and known[0] is self._active.finding else None

    @property
    def preview(self) -> str:
        """Volts that the reading asked for would show under each likely fault; may be empty."""
        advice, finding = self._active.advice, self._active.finding
        if advice.task != "read" or finding is None or finding.next.probe != advice.probe:
            return ""
        return describe_next_reading(finding, self.details)

    def healthy_volts(self, lit: LitSet, probe: Probe) -> _Volts:
        """Return the volts of a healthy unit at a probe and their standard deviation. [V]

        The figures are those of the engine, so they follow a supply that is measured again.
        """
        asked = (self._active.session.engine, lit, probe)
        known = self._healthy
        if known is None or known[0] != asked:
            self._healthy = known = asked, self._active.session.healthy_volts(lit, probe)
        return known[1]

    def possible_volts(self, lit: LitSet, probe: Probe, at_once: bool) -> _Volts | None:
        """Return the lowest and highest volts that any fault shows at a probe. [V]

        Args:
            lit: strands lit.
            probe: where the leads are.
            at_once: do not wait for a computation in progress.

        Returns:
            None if that would mean to wait, or if the circuit has no solution.
        """
        asked = (self._active.session.engine, lit, probe)
        if self._possible is not None and self._possible[0] == asked:
            return self._possible[1]
        if not self.lock.acquire(blocking=not at_once):
            return None
        try:
            self._possible = asked, self._active.session.possible_volts(lit, probe)
        except CircuitFault:
            return None
        finally:
            self.lock.release()
        return self._possible[1]
