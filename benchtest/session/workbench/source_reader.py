"""Readings from the source on the bench: the virtual meter, a bench meter or a bridge."""

from __future__ import annotations

from dataclasses import dataclass

from benchtest.drive.frame_clock import RAMP_S
from benchtest.drive.source_spec import input_name
from benchtest.errors import InputError
from benchtest.evidence.reading_source import ReadingSource, SourceReading
from benchtest.prop.design import Probe
from benchtest.session.workbench.active_session import ActiveSession
from benchtest.session.workbench.reading_entry import Asked, PendingReading, ReadingEntry
from benchtest.session.workbench.reading_sources import BridgePins, VirtualMeter
from benchtest.virtual.remote_prop import FRAME_TIMEOUT_S, RemoteProp, wait_for_frame


@dataclass(frozen=True, slots=True)
class HeardReading:
    """Reading of a source at one moment, steady or not."""

    given: SourceReading
    asked: Asked
    """Question at that moment."""
    light: str
    """Light at that moment, in words."""
    source: str
    """Name of the source."""


class SourceReader:
    """Reads what the entry field asks for.

    Attributes:
        source: the source of readings; None if the user types every reading.
    """

    def __init__(
        self,
        active: ActiveSession,
        entry: ReadingEntry,
        source: ReadingSource | None,
        virtual: RemoteProp | None,
    ) -> None:
        self._active = active
        self._entry = entry
        self._virtual = virtual
        self.source = source or (None if virtual is None else VirtualMeter(virtual))

    @property
    def is_instrument(self) -> bool:
        """True for a real meter or bridge, which can be unplugged."""
        return self.source is not None and not isinstance(self.source, VirtualMeter)

    @property
    def can_read(self) -> bool:
        """True if the source can read what is asked for."""
        if self._entry.unit == "Ω" and isinstance(self.source, VirtualMeter):
            return True
        probe = self._entry.probe
        return self.source is not None and probe is not None and self.source.can_read(probe)

    @property
    def keeps_at_once(self) -> bool:
        """True if one key reads and records; a virtual meter's reading is shown in the field."""
        return self.is_instrument and self.can_read

    @property
    def is_fixed(self) -> bool:
        """True for inputs that are wired to their places: no lead moves."""
        return isinstance(self.source, BridgePins)

    @property
    def wired(self) -> tuple[Probe, ...]:
        """Places that inputs are wired to, in the order of the command line."""
        return tuple(self.source.pins) if isinstance(self.source, BridgePins) else ()

    @property
    def name(self) -> str:
        """Kind of source, for a key: `virtual meter`, `meter`, `bridge`."""
        return "meter" if self.source is None else self.source.name.partition(" on ")[0]

    @property
    def suggested_probe(self) -> str:
        """First place that a bridge is wired to; empty without a bridge."""
        pins = self.source.pins if isinstance(self.source, BridgePins) else {}
        return str(next(iter(pins), ""))

    @property
    def description(self) -> str:
        """Places that a bridge reads by itself; empty without a bridge."""
        if not isinstance(self.source, BridgePins):
            return ""
        pins = self.source.pins
        places = ", ".join(f"{probe} (input {input_name(pin)})" for probe, pin in pins.items())
        return f"The bridge reads by itself: {places}."

    def poll(self) -> str | None:
        """Return a message if the source was unplugged or plugged in; each is returned once."""
        return None if self.source is None else self.source.poll()

    def read(self) -> PendingReading:
        """Wait for the light, then read what is asked for. Slow: call it from a worker thread.

        Raises:
            InputError: the source cannot read what is asked for, or the prop is dark.
            DriveFault: the source gives no reading; contains what to do.
        """
        source, light = self.source, self._active.light
        asked, unit, probe = self._entry.asked, self._entry.unit, self._entry.probe
        if source is None:
            raise InputError(
                "type what your meter shows; --readings-from names one that is read for you"
            )
        if unit == "Ω" and isinstance(source, VirtualMeter):
            # a virtual prop has no solder bridge between its rails and no capacitors
            return PendingReading("OL", asked, source.name)
        if probe is None:
            raise InputError("no volts are asked for just now; o asks for a reading of your own")
        if not source.can_read(probe):
            raise InputError(f"{source.name} is not at {probe}: type what your meter shows")
        lit = self._active.advice.lit
        if lit is not None and lit.strands and light.is_dark:
            raise InputError("the prop is dark: b lights it, then read")
        words = light.words
        self.wait_for_light()
        given = source.read(probe)
        if lit is not None and (light.words != words or light.clock.held is not None):
            raise InputError("the light was changed during the reading: read again")
        return self.pending(given, asked, source.name)

    def hear(self) -> HeardReading:
        """Read what the source shows now, steady or not. Slow: call it from a worker thread.

        Raises:
            InputError: there is no source, or it is not at the place that is asked for.
            DriveFault: the source gives no reading; contains what to do.
        """
        source, light, asked = self.source, self._active.light, self._entry.asked
        if source is None:
            raise InputError("no source of readings")
        shown = light.words
        light.wait_until_steady()
        given = source.sample(self._entry.probe)
        still = shown == light.words and light.clock.held is None
        return HeardReading(given, asked, shown if still else "", source.name)

    def pending(self, given: SourceReading, asked: Asked, source: str) -> PendingReading:
        """Return a reading as the user would type it."""
        # a source reads to the microvolt at best, and a float has digits beyond
        digits = 6 if self.is_instrument else 4
        text = f"{given.volts:.{digits}f}"
        if self._entry.unit == "mV":
            text = f"{given.volts * 1e3:.{digits - 3}f}"
        meter = None if given.meter is None else str(given.meter)
        return PendingReading(text, asked, source, meter, given.beyond)

    def wait_for_light(self) -> None:
        """Wait until a meter may be read. Slow: call it from a worker thread.

        Raises:
            DriveFault: the virtual prop does not show what it is sent.
        """
        light = self._active.light
        if self._virtual is None:
            light.wait_until_steady()
        elif self._active.advice.lit is not None:
            wait_for_frame(self._virtual, lambda: light.frame, FRAME_TIMEOUT_S + RAMP_S)
