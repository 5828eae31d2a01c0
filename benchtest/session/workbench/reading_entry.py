"""Readings: what is asked, what is typed, and what a source gives by itself."""

from __future__ import annotations

import dataclasses
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from benchtest.drive.frame_clock import RAMP_S, FrameClock
from benchtest.errors import CircuitFault, InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.reading_source import ReadingSource
from benchtest.evidence.readings import check_volts
from benchtest.prop.design import Probe
from benchtest.prop.lit_set import LitSet, parse_lit_set
from benchtest.prop.notation import parse_probe
from benchtest.session.display.event_text import metered_text, said, volts_text
from benchtest.session.log import power_checks as checks
from benchtest.session.log.events import ReadingTaken, Struck
from benchtest.session.log.reading_list import (
    WHY_GONE,
    NumberedReading,
    ReadingRow,
    agree,
    numbers_counted,
    reading_row,
)
from benchtest.session.session import Session
from benchtest.session.workbench.node_walk import Walker
from benchtest.session.workbench.reading_sources import BridgePins, VirtualMeter
from benchtest.session.workbench.typo_check import (
    Typed,
    Unit,
    is_far,
    judge_typed,
    number_text,
    unit_of,
    volt_decimals,
    volts_of,
)
from benchtest.virtual.remote_prop import RemoteProp
from benchtest.virtual.wait_for_frame import FRAME_TIMEOUT_S, wait_for_frame

IMPOSSIBLE = "Check the unit, the lit strands and where the leads are."
Asked = tuple[str, LitSet | None, Probe | None]


@dataclass(frozen=True, slots=True)
class SourceReading:
    """What a source gave."""

    text: str
    """As it would be typed."""
    asked: Asked
    """For what."""
    source: str
    """Its name."""
    meter: str | None = None
    """Its class; None for the session's meter."""


class Prober(Walker):
    """The desk with somebody who measures.

    Attributes:
        source: what reads by itself; None where every reading is typed.
    """

    def __init__(
        self,
        session: Session,
        clock: FrameClock,
        virtual: RemoteProp | None = None,
        now_s: Callable[[], float] = time.monotonic,
        source: ReadingSource | None = None,
    ) -> None:
        super().__init__(session, clock, virtual, now_s)
        self.source = source or (None if virtual is None else VirtualMeter(virtual))
        self._doubted = ""
        self._read: SourceReading | None = None
        self._thinking = threading.Lock()
        self._expected = lru_cache(maxsize=256)(session.expect)
        self._possible = lru_cache(maxsize=256)(session.possible)
        self._checks = session.state.checks

    # -- what is asked and typed ---------------------------------------------------------------

    @property
    def unit(self) -> str:
        """Of the number that is asked for; empty where none is."""
        advice = self.advice
        if advice.task == "check" and advice.check is not None:
            return checks.unit_of(advice.check[0])
        if advice.task == "soak" and self.soaking.soak is None:
            return "time"
        return self._read_unit if advice.task == "read" else ""

    @property
    def _read_unit(self) -> Unit:
        """Of a bare number in the field of a reading."""
        lit, probe = self.advice.lit, self.advice.probe
        return "V" if lit is None or probe is None else unit_of(self._healthy(lit, probe)[0])

    def _healthy(self, lit: LitSet, probe: Probe) -> tuple[float, float]:
        """Return what a healthy unit shows, and its standard deviation. [V]"""
        if self.session.state.checks is not self._checks:  # a supply was measured
            self._checks = self.session.state.checks
            self._expected.cache_clear()
            self._possible.cache_clear()
        return self._expected(lit, probe)

    def typed(self, text: str, at_once: bool = True) -> Typed | None:
        """Return a reading being typed next to a healthy unit's; None when none is asked.

        Args:
            text: what was typed so far.
            at_once: do not wait for a finding that is being worked out; whether any fault shows
                such volts may then be missing.
        """
        advice = self.advice
        if advice.task != "read" or advice.lit is None or advice.probe is None:
            return None
        expected_v, sd_v = self._healthy(advice.lit, advice.probe)
        most_v = max(feed.volts for feed in self.design.feeds)
        meter = self.session.meter
        first = judge_typed(text, expected_v, sd_v, meter, most_v)
        if first.volts is None or not is_far(first.volts, expected_v, sd_v, meter):
            return first
        possible_v = self._possible_volts(advice.lit, advice.probe, at_once)
        return judge_typed(text, expected_v, sd_v, meter, most_v, possible_v)

    def _possible_volts(
        self, lit: LitSet, probe: Probe, at_once: bool
    ) -> tuple[float, float] | None:
        """Return what any fault shows at a probe; None where that cannot be worked out."""
        if not self._thinking.acquire(blocking=not at_once):
            return None
        try:
            return self._possible(lit, probe)
        except CircuitFault:
            return None
        finally:
            self._thinking.release()

    def ask_for(self, lit_text: str, probe_text: str) -> None:
        """Ask for a reading of the person's own choice next.

        Raises:
            InputError: the prop has no such strand or point.
        """
        lit = parse_lit_set(lit_text, self.design)
        self.choices.own_reading = (lit, parse_probe(probe_text, self.design))

    def _enter_check(self, text: str) -> str:
        key = self.advice.check
        assert key is not None
        meant = checks.meant_supply(self.design, key, text)
        if meant and text != self._doubted:
            self._doubted = text
            raise InputError(
                f"did you mean {meant} V? Tab takes that; Enter again keeps {text} as it is"
            )
        made = checks.judge(self.design, key, text)
        if self.advice.lit is not None:
            made = dataclasses.replace(made, lit=self.advice.lit.text(self.design))
        self.record(made)
        self.choices.answered()
        return said(made)

    def meant(self, text: str) -> str:
        """What was meant by a slip of the pen, ready to be entered; the text itself where none."""
        if self.advice.check is not None:
            return checks.meant_supply(self.design, self.advice.check, text) or text
        typed = self.typed(text)
        if typed is None or typed.meant_v is None:
            return text
        return number_text(typed.meant_v, self._read_unit)

    def take_reading(self, text: str) -> str:
        """Keep the reading that was asked for; return what becomes of one that it repeats.

        Raises:
            InputError: it is no number, or beyond the meter's range.
        """
        advice = self.advice
        if advice.task != "read" or advice.lit is None or advice.probe is None:
            raise InputError("no reading is asked for just now")
        volts = check_volts(self.volts_of(text), self.session.meter)
        decimals = volt_decimals(text, self._read_unit)
        if decimals is not None:
            volts = round(volts, decimals)  # millivolts may be off by the last bit of their volts
        return self._keep_reading(volts, decimals=decimals)

    def volts_of(self, text: str) -> float:
        """Return the volts that stand in the field.

        Raises:
            InputError: not a number.
        """
        return volts_of(text, self._read_unit)

    def _keep_reading(
        self,
        volts: float,
        source: str | None = None,
        meter: str | None = None,
        decimals: int | None = None,
    ) -> str:
        """Record a reading; return what becomes of one that it repeats."""
        advice = self.advice
        lit, probe = advice.lit, advice.probe
        assert lit is not None
        earlier = self._reading_of(advice.again)
        again = None
        if earlier is not None:
            new = dataclasses.replace(earlier.reading, volts=volts)
            again = None if agree(earlier.reading, new, self.session.meter) else earlier.seq
        lit_text = lit.text(self.design)
        self.record(
            ReadingTaken(
                lit_text,
                str(probe),
                volts,
                None,
                lit.level,
                lit.colour,
                source,
                meter,
                again,
                decimals,
            )
        )
        self.choices.own_reading = self.choices.again = None
        self._doubted, self._read = "", None
        if earlier is None:
            return ""
        shown = volts_text(earlier.reading.value)
        if again is None:
            return f"; reading {earlier.number} showed the same, so both count"
        return f" in place of {shown}; if the meter did show both, a joint is loose: wiggle it"

    # -- the list of readings ------------------------------------------------------------------

    def _reading_of(self, seq: int | None) -> NumberedReading | None:
        """Return the reading of an event, if it still counts."""
        taken = self.session.state.taken
        return next((one for one in taken if one.counts and one.seq == seq), None)

    def reading_rows(self) -> list[ReadingRow]:
        """Return every reading of the session, as the list of readings shows it."""
        finding = self.finding
        off = {} if finding is None else dict(
            zip(
                numbers_counted(self.session.state.taken),
                (row.z for row in finding.readings),
                strict=False,
            )
        )  # fmt: skip
        return [
            reading_row(one, self.design, off.get(one.number)) for one in self.session.state.taken
        ]

    def take_again(self, number: int) -> None:
        """Ask for a reading of the list again next.

        Raises:
            InputError: the session has no reading of that number, or it was a clamp's.
        """
        one = self._numbered(number)
        if one.reading.volts is None:
            raise InputError(f"reading {number} is a clamp's amperes: log that on its own")
        self.choices.drop()
        self.choices.own_reading = (one.reading.lit, one.reading.probe)
        self.choices.again = one.seq if one.counts else None

    def strike(self, number: int) -> str:
        """Strike a reading out; return what was struck.

        Raises:
            InputError: the session has no reading of that number, or it no longer counts.
        """
        one = self._numbered(number)
        if one.standing in ("struck", "retaken"):
            raise InputError(f"reading {number} does not count already: {WHY_GONE[one.standing]}")
        self.record(Struck(one.seq))
        self.choices.drop()
        shown = reading_row(one, self.design, None)
        return f"struck out reading {number}, {shown.probe} = {shown.value}; u takes that back"

    def _numbered(self, number: int) -> NumberedReading:
        taken = self.session.state.taken
        if not 1 <= number <= len(taken):
            raise InputError(f"there is no reading {number}; there are {len(taken)}")
        return taken[number - 1]

    # -- readings that nobody types ------------------------------------------------------------

    @property
    def asked(self) -> Asked:
        """What a number is asked for: a reading under a light, or a check."""
        return (self.advice.task, self.advice.lit, self._asked_probe)

    @property
    def _asked_probe(self) -> Probe | None:
        """Where the leads go; None where no volts are asked for."""
        advice = self.advice
        if advice.task == "read":
            return advice.probe
        if advice.check is not None and self.unit == "V" and advice.lit is None:
            return parse_probe(advice.check[1], self.design)
        return None

    @property
    def has_instrument(self) -> bool:
        """Whether a real meter or bridge is read, which may be unplugged."""
        return self.source is not None and not isinstance(self.source, VirtualMeter)

    @property
    def reads_itself(self) -> bool:
        """Whether one key takes and keeps it; a virtual meter's stands in the field first."""
        return self.source_reads and self.has_instrument

    @property
    def source_reads(self) -> bool:
        """Whether the source can read what is asked for."""
        probe = self._asked_probe
        if self.unit == "Ω" and isinstance(self.source, VirtualMeter):
            return True
        return self.source is not None and probe is not None and self.source.can_read(probe)

    @property
    def source_name(self) -> str:
        """In a few words, for a key: `virtual meter`, `meter`, `bridge`."""
        if self.source is None:
            return "meter"
        return self.source.name.partition(" on ")[0]

    @property
    def own_probe(self) -> str:
        """What is likely read next by one's own choice: the first place that a bridge sits at."""
        pins = self.source.pins if isinstance(self.source, BridgePins) else {}
        return str(next(iter(pins), ""))

    @property
    def source_words(self) -> str:
        """What a bridge reads by itself; empty where a meter reads anywhere."""
        if not isinstance(self.source, BridgePins):
            return ""
        sits = ", ".join(f"{probe} (input {pin})" for probe, pin in self.source.pins.items())
        return f"The bridge reads by itself: {sits}."

    def read_source(self) -> SourceReading:
        """What the source shows at what is asked for; waits for the light.

        Raises:
            InputError: nothing is asked for that it can read, or the prop is dark.
            DriveFault: it gives no reading, and what to do.
        """
        asked, probe, source = self.asked, self._asked_probe, self.source
        if source is None:
            raise InputError(
                "type what your meter shows; --readings-from names one that is read for you"
            )
        if self.unit == "Ω" and isinstance(source, VirtualMeter):
            # a virtual prop knows no bridge between rails, and no capacitors
            return SourceReading("OL", asked, source.name)
        if probe is None:
            raise InputError("no volts are asked for just now")
        if not source.can_read(probe):
            raise InputError(f"{source.name} is not at {probe}: type what your meter shows")
        lit = self.advice.lit
        if lit is not None and lit.strands and self.lamp.is_dark:
            raise InputError("the prop is dark: b lights it, then read")
        light = self.lamp.words
        self.wait_for_light()
        given = source.read(probe)
        if lit is not None and (self.lamp.words != light or self.clock.held is not None):
            raise InputError("the light was changed while that was read: read again")
        # a source reads to the microvolt at best, and a float has digits beyond
        digits = 4 if isinstance(source, VirtualMeter) else 6
        text = f"{given.volts:.{digits}f}"
        if self.unit == "mV":
            text = f"{given.volts * 1e3:.{digits - 3}f}"
        meter = None if given.meter is None else str(given.meter)
        return SourceReading(text, asked, source.name, meter)

    def wait_for_light(self) -> None:
        """Wait until a meter may be read, away from the keys.

        Raises:
            DriveFault: the virtual prop does not show what it is sent.
        """
        if self.virtual is None:
            self.lamp.wait_until_steady()
        elif self.advice.lit is not None:
            wait_for_frame(self.virtual, lambda: self.lamp.frame, FRAME_TIMEOUT_S + RAMP_S)

    def hold(self, read: SourceReading) -> None:
        """What a source gave stands in the field: entered unchanged, it keeps the source's name.

        Raises:
            InputError: something else is asked for by now.
        """
        if read.asked != self.asked:
            raise InputError("something else is asked for by now: read again")
        self._read = read
        self._doubted = read.text  # no pen, no slip of one

    def holds(self, read: SourceReading) -> bool:
        """Whether it still stands in the field for what is asked."""
        return self._read is read and read.asked == self.asked

    def take(self, read: SourceReading) -> str:
        """Keep what a source gave; says so.

        Raises:
            InputError: something else is asked for by now, it is beyond the source's range, or
                the leads are likely the wrong way round.
        """
        self.hold(read)
        if self.advice.task == "check":
            return self._enter_check(read.text)
        typed = self.typed(read.text, at_once=False)
        if (
            typed is not None
            and typed.meant_v is not None
            and typed.meant_v == -(typed.volts or 0.0)
        ):
            self._doubted = read.text
            raise InputError("are red and black exchanged? Enter keeps it as it is, Tab turns it")
        if typed is not None and typed.is_impossible:
            self._doubted = read.text
            raise InputError(f"{typed.hint} {IMPOSSIBLE} Enter keeps it as it is")
        return self._take(read)

    def _take(self, read: SourceReading) -> str:
        meter = self.session.meter if read.meter is None else Meter.parse(read.meter)
        volts = check_volts(self.volts_of(read.text), meter)
        beside = self._keep_reading(volts, read.source, read.meter)
        return f"saved {metered_text(volts, meter)}, {read.source}{beside}"
