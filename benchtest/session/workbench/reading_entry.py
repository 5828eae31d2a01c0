"""The entry field, and the readings on record: shown, taken again, struck out."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from benchtest.errors import InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.readings import check_volts
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.session.display.event_text import format_metered_volts, format_volts
from benchtest.session.guidance.overrides import Overrides
from benchtest.session.log import power_checks as checks
from benchtest.session.log.events import ReadingTaken, Struck
from benchtest.session.log.reading_list import (
    WHY_GONE,
    NumberedReading,
    ReadingRow,
    counted_numbers,
    reading_row,
    readings_agree,
)
from benchtest.session.workbench.active_session import ActiveSession
from benchtest.session.workbench.diagnosis_worker import DiagnosisWorker
from benchtest.session.workbench.typo_check import (
    TypedReading,
    Unit,
    entry_unit,
    format_number,
    is_far,
    judge_typed,
    parse_volts,
    volt_decimals,
)


class RecordedReadings:
    """All readings of the session, by number or by event."""

    def __init__(self, active: ActiveSession) -> None:
        self._active = active

    def of_event(self, seq: int | None) -> NumberedReading | None:
        """Return the reading of an event; None if no reading of it counts."""
        taken = self._active.state.taken
        return next((one for one in taken if one.counts and one.seq == seq), None)

    def rows(self) -> list[ReadingRow]:
        """Return every reading of the session as a row of the list."""
        taken, finding = self._active.state.taken, self._active.finding
        judged = () if finding is None else finding.readings
        off = dict(zip(counted_numbers(taken), (row.z for row in judged), strict=False))
        return [reading_row(one, self._active.design, off.get(one.number)) for one in taken]

    def take_again(self, number: int) -> None:
        """Ask for a reading of the list again next.

        Raises:
            InputError: the session has no reading of that number, or it was a clamp's.
        """
        one = self._numbered(number)
        if one.reading.volts is None:
            raise InputError(f"reading {number} is a clamp's amperes: log that on its own")
        asked = (one.reading.lit, one.reading.probe)
        replaces = one.seq if one.counts else None
        self._active.overrides = Overrides(own_reading=asked, replaces=replaces)

    def strike(self, number: int) -> str:
        """Strike a reading out; return a line that confirms it.

        Raises:
            InputError: the session has no reading of that number, or it no longer counts.
        """
        one = self._numbered(number)
        if one.standing in ("struck", "retaken"):
            raise InputError(f"reading {number} does not count already: {WHY_GONE[one.standing]}")
        self._active.record(Struck(one.seq))
        self._active.drop_overrides()
        shown = reading_row(one, self._active.design, None)
        return f"struck out reading {number}, {shown.probe} = {shown.value}; u takes that back"

    def _numbered(self, number: int) -> NumberedReading:
        taken = self._active.state.taken
        if not 1 <= number <= len(taken):
            raise InputError(f"there is no reading {number}; there are {len(taken)}")
        return taken[number - 1]


IMPOSSIBLE = "Check the unit, the lit strands and where the leads are."
Asked = tuple[str, LitSet | None, Probe | None]
"""Task, lit set and probe that a number is asked for."""


@dataclass(frozen=True, slots=True)
class PendingReading:
    """A reading that a source gave, before it is kept."""

    text: str
    """The number as the user would type it."""
    asked: Asked
    source: str
    """Name of the source."""
    meter: str | None = None
    """Accuracy class of the source; None for the session's meter."""
    beyond: bool = False
    """True if the volts are the end of its range."""


class ReadingEntry:
    """Judges a number while it is typed, and records it as a reading or a check."""

    def __init__(
        self, active: ActiveSession, worker: DiagnosisWorker, recorded: RecordedReadings
    ) -> None:
        self._active = active
        self._worker = worker
        self._recorded = recorded
        self._doubted = ""
        self._pending: PendingReading | None = None

    # -- the question --------------------------------------------------------------------------

    @property
    def unit(self) -> str:
        """Unit of the number that is asked for; empty if no number is."""
        advice = self._active.advice
        if advice.task == "check" and advice.check is not None:
            return checks.check_unit(advice.check[0])
        if advice.task == "soak" and self._active.soak.soak is None:
            return "time"
        return self.volt_unit if advice.task == "read" else ""

    @property
    def volt_unit(self) -> Unit:
        """Unit of a bare number in the field of a reading."""
        healthy = self.healthy_volts
        return "V" if healthy is None else entry_unit(healthy[0])

    @property
    def healthy_volts(self) -> tuple[float, float] | None:
        """Volts of a healthy unit and their standard deviation; None unless a reading is asked."""
        advice = self._active.advice
        if advice.task != "read" or advice.lit is None or advice.probe is None:
            return None
        return self._worker.healthy_volts(advice.lit, advice.probe)

    @property
    def asked(self) -> Asked:
        """Task, lit set and probe that a number is asked for."""
        return (self._active.advice.task, self._active.advice.lit, self.probe)

    @property
    def probe(self) -> Probe | None:
        """Place of the leads; None if no volts are asked for."""
        advice = self._active.advice
        if advice.task == "read":
            return advice.probe
        if advice.check is not None and self.unit == "V":
            return advice.probe or parse_probe(advice.check[1], self._active.design)
        return None

    def ask_for(self, lit_text: str, probe_text: str) -> None:
        """Ask for a reading that the user chose next.

        Raises:
            InputError: the prop has no such strand or point.
        """
        design = self._active.design
        asked = parse_lit_set(lit_text, design), parse_probe(probe_text, design)
        self._active.overrides = dataclasses.replace(self._active.overrides, own_reading=asked)

    # -- while it is typed ---------------------------------------------------------------------

    def typed(self, text: str, at_once: bool = True) -> TypedReading | None:
        """Return the reading in the field next to a healthy unit's; None if none is asked for.

        Args:
            text: content of the field.
            at_once: do not wait for a computation in progress; volts that no fault can show may
                then pass unnoticed.
        """
        advice, healthy = self._active.advice, self.healthy_volts
        if healthy is None or advice.lit is None or advice.probe is None:
            return None
        expected_v, sd_v = healthy
        most_v = max(feed.volts for feed in self._active.design.feeds)
        meter = self._active.session.meter
        first = judge_typed(text, expected_v, sd_v, meter, most_v)
        if first.volts is None or not is_far(first.volts, expected_v, sd_v, meter):
            return first
        possible_v = self._worker.possible_volts(advice.lit, advice.probe, at_once)
        return judge_typed(text, expected_v, sd_v, meter, most_v, possible_v)

    def meant(self, text: str) -> str:
        """Return the number that the user likely meant; the text itself if it is no likely typo."""
        advice = self._active.advice
        if advice.check is not None:
            return checks.meant_supply(self._active.design, advice.check, text) or text
        typed = self.typed(text)
        if typed is None or typed.meant_v is None:
            return text
        return format_number(typed.meant_v, self.volt_unit)

    def _parse_volts(self, text: str) -> float:
        """Return the volts in the field.

        Raises:
            InputError: not a number.
        """
        return parse_volts(text, self.volt_unit)

    # -- when it is entered --------------------------------------------------------------------

    def enter(self, text: str) -> str:
        """Record the number in the field; return a line that confirms it.

        A likely typo is questioned once; the same text entered again is kept.

        Raises:
            InputError: not a number, beyond the meter's range, or a likely typo.
        """
        if self._active.advice.task == "check":
            return self._enter_check(text)
        # do not wait for a finding: it will reject what only the engine would question here
        typed = self.typed(text, at_once=self._active.awaits_finding)
        if typed is not None and typed.is_doubtful and text != self._doubted:
            self._doubted = text
            then = IMPOSSIBLE if typed.is_impossible else "Tab takes that;"
            raise InputError(f"{typed.hint} {then} Enter again keeps {text} as it is")
        pending = self._pending
        if pending is not None and (pending.text, pending.asked) == (text, self.asked):
            return self._keep_pending(pending)
        shown = format_volts(self._parse_volts(text))
        return f"saved {shown}{self.take_reading(text)}"

    def _enter_check(self, text: str) -> str:
        active = self._active
        advice = active.advice
        assert advice.check is not None
        meant = checks.meant_supply(active.design, advice.check, text)
        if meant and text != self._doubted:
            self._doubted = text
            raise InputError(
                f"did you mean {meant} V? Tab takes that; Enter again keeps {text} as it is"
            )
        made = checks.judge_check(active.design, advice.check, text)
        if advice.lit is not None:
            made = dataclasses.replace(made, lit=advice.lit.text(active.design))
        return active.answer(made)

    def take_reading(self, text: str) -> str:
        """Record the reading that was asked for; return a note on the reading it repeats.

        Raises:
            InputError: not a number, beyond the meter's range, or no reading is asked for.
        """
        advice = self._active.advice
        if advice.task != "read" or advice.lit is None or advice.probe is None:
            raise InputError("no reading is asked for just now; o asks for one of your own")
        volts = check_volts(self._parse_volts(text), self._active.session.meter)
        decimals = volt_decimals(text, self.volt_unit)
        if decimals is not None:
            volts = round(volts, decimals)  # millivolts may be off by the last bit of their volts
        return self._keep(volts, decimals=decimals)

    def _keep(
        self,
        volts: float,
        source: str | None = None,
        meter: str | None = None,
        decimals: int | None = None,
        beyond: bool = False,
    ) -> str:
        """Record a reading; return a note on the reading it repeats."""
        active = self._active
        advice = active.advice
        lit, probe = advice.lit, advice.probe
        assert lit is not None
        earlier = self._recorded.of_event(advice.replaces)
        replaces = None
        if earlier is not None:
            new = dataclasses.replace(earlier.reading, volts=volts)
            replaces = (
                None if readings_agree(earlier.reading, new, active.session.meter) else earlier.seq
            )
        active.record(
            ReadingTaken(
                lit.text(active.design),
                str(probe),
                volts,
                None,
                lit.level,
                lit.colour,
                source,
                meter,
                replaces,
                decimals,
                beyond,
            )
        )
        active.overrides = dataclasses.replace(active.overrides, own_reading=None, replaces=None)
        self._doubted, self._pending = "", None
        if earlier is None:
            return ""
        shown = format_volts(earlier.reading.value)
        if replaces is None:
            return f"; reading {earlier.number} showed the same, so both count"
        return f" in place of {shown}; if the meter did show both, a joint is loose: wiggle it"

    # -- readings of a source ------------------------------------------------------------------

    def hold(self, pending: PendingReading) -> None:
        """Put a source's reading into the field: entered unchanged, it keeps the source's name.

        Raises:
            InputError: something else is asked for by now.
        """
        if pending.asked != self.asked:
            raise InputError("something else is asked for by now: read again")
        self._pending = pending
        self._doubted = pending.text  # readings of an instrument are not checked for typos

    def holds(self, pending: PendingReading) -> bool:
        """Return True while that reading is in the field and still asked for."""
        return self._pending is pending and pending.asked == self.asked

    def take(self, pending: PendingReading) -> str:
        """Record a source's reading; return a line that confirms it.

        Raises:
            InputError: something else is asked for by now, the reading is beyond the source's
                range, or the leads are likely swapped.
        """
        self.hold(pending)
        if self._active.advice.task == "check":
            return self._enter_check(pending.text)
        typed = self.typed(pending.text, at_once=False)
        if (
            typed is not None
            and typed.meant_v is not None
            and typed.meant_v == -(typed.volts or 0.0)
        ):
            raise InputError("are red and black exchanged? Enter keeps it as it is, Tab turns it")
        if typed is not None and typed.is_impossible:
            raise InputError(f"{typed.hint} {IMPOSSIBLE} Enter keeps it as it is")
        return self._keep_pending(pending)

    def _keep_pending(self, pending: PendingReading) -> str:
        session = self._active.session
        meter = session.meter if pending.meter is None else Meter.parse(pending.meter)
        volts = check_volts(self._parse_volts(pending.text), meter)
        note = self._keep(volts, pending.source, pending.meter, beyond=pending.beyond)
        shown = format_metered_volts(volts, meter)
        if pending.beyond:
            shown = f"more than {shown}" if volts > 0.0 else f"less than {shown}"
        return f"saved {shown}, {pending.source}{note}"
