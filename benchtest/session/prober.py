"""Readings: what is asked, what is typed, and what a source gives by itself."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from benchtest.drive.clock import RAMP_S, FrameClock
from benchtest.errors import InputError
from benchtest.evidence.meter import Meter
from benchtest.evidence.reading import check_volts
from benchtest.evidence.source import ReadingSource
from benchtest.prop.design import Probe
from benchtest.prop.lit import Lit, parse_lit
from benchtest.prop.names import parse_probe
from benchtest.session import checks
from benchtest.session.events import ReadingTaken
from benchtest.session.live import Session
from benchtest.session.shown import SETTLE_S, wait_until_shown
from benchtest.session.sources import BridgePins, VirtualMeter
from benchtest.session.typed import Typed, judge_typed, volts_of
from benchtest.session.walker import Walker
from benchtest.session.words import metered_text, said
from benchtest.virtual.process import RunningProp

Asked = tuple[str, Lit | None, Probe | None]


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
        virtual: RunningProp | None = None,
        now_s: Callable[[], float] = time.monotonic,
        source: ReadingSource | None = None,
    ) -> None:
        super().__init__(session, clock, virtual, now_s)
        self.source = source or (None if virtual is None else VirtualMeter(virtual))
        self._doubted = ""
        self._read: SourceReading | None = None
        self._expected = lru_cache(maxsize=256)(session.expect)

    # -- what is asked and typed ---------------------------------------------------------------

    @property
    def unit(self) -> str:
        """Of the number that is asked for; empty where none is."""
        advice = self.advice
        if advice.task == "check" and advice.check is not None:
            return checks.unit_of(advice.check[0])
        if advice.task == "soak" and self.soaking.soak is None:
            return "time"
        return "V" if advice.task == "read" else ""

    def typed(self, text: str) -> Typed | None:
        """A reading being typed, beside what a healthy unit shows; None when none is asked."""
        advice = self.advice
        if advice.task != "read" or advice.lit is None or advice.probe is None:
            return None
        expected_v, sd_v = self._expected(advice.lit, advice.probe)
        most_v = max(feed.volts for feed in self.design.feeds)
        return judge_typed(text, expected_v, sd_v, self.session.meter, most_v)

    def ask_for(self, lit_text: str, probe_text: str) -> None:
        """Ask for a reading of the person's own choice next.

        Raises:
            InputError: the prop has no such strand or point.
        """
        lit = parse_lit(lit_text, self.design)
        self.choices.own_reading = (lit, parse_probe(probe_text, self.design))

    def _enter_check(self, text: str) -> str:
        key = self.advice.check
        assert key is not None
        made = checks.judge(self.design, key, text)
        self.record(made)
        self.choices.answered()
        return said(made)

    def meant(self, text: str) -> str:
        """What was meant by a slip of the pen, ready to be entered; the text itself where none."""
        typed = self.typed(text)
        return text if typed is None or typed.meant_v is None else f"{typed.meant_v:.6g}"

    def take_reading(self, text: str) -> None:
        """Keep the reading that was asked for.

        Raises:
            InputError: it is no number, or beyond the meter's range.
        """
        advice = self.advice
        if advice.task != "read" or advice.lit is None or advice.probe is None:
            raise InputError("no reading is asked for just now")
        self._keep_reading(check_volts(volts_of(text), self.session.meter))

    def _keep_reading(
        self, volts: float, source: str | None = None, meter: str | None = None
    ) -> None:
        lit, probe = self.advice.lit, self.advice.probe
        assert lit is not None
        lit_text = lit.text(self.design)
        self.record(
            ReadingTaken(lit_text, str(probe), volts, None, lit.level, lit.colour, source, meter)
        )
        self.choices.own_reading = None
        self._doubted, self._read = "", None

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
        if advice.check is not None and self.unit == "V":
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
        return self.source is not None and probe is not None and self.source.reads(probe)

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
        if not source.reads(probe):
            raise InputError(f"{source.name} is not at {probe}: type what your meter shows")
        lit = self.advice.lit
        if lit is not None and lit.strands and self.lamp.is_dark:
            raise InputError("the prop is dark: b lights it, then read")
        light = self.lamp.words
        self.wait_for_light()
        given = source.read(probe)
        if lit is not None and self.lamp.words != light:
            raise InputError("the light was changed while that was read: read again")
        # a source reads to the microvolt at best, and a float has digits beyond
        text = f"{given.volts:.{4 if isinstance(source, VirtualMeter) else 6}f}"
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
            wait_until_shown(self.virtual, lambda: self.lamp.frame, SETTLE_S + RAMP_S)

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
        typed = self.typed(read.text)
        if typed is not None and typed.meant_v is not None and typed.meant_v == -float(read.text):
            self._doubted = read.text
            raise InputError("are red and black exchanged? Enter keeps it as it is, Tab turns it")
        return self._take(read)

    def _take(self, read: SourceReading) -> str:
        meter = self.session.meter if read.meter is None else Meter.parse(read.meter)
        volts = check_volts(volts_of(read.text), meter)
        self._keep_reading(volts, read.source, read.meter)
        return f"kept {metered_text(volts, meter)}, {read.source}"
