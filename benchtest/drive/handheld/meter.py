"""Hand-held meter that streams its display; found by its frames, reconnected when unplugged."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from serial import Serial

from benchtest.drive.handheld.frames import FORMATS, DisplayFrame, FrameSplitter, NotVolts
from benchtest.drive.serial_ports import (
    RECONNECT_INTERVAL_S,
    PluggedDevice,
    current_device,
    explain_open_failure,
    find_port,
)
from benchtest.drive.source_spec import LineSettings
from benchtest.errors import DriveFault
from benchtest.evidence.reading_source import SourceReading
from benchtest.prop.design import Probe

MAX_STEADY_STEPS = 2
"""Steps of the last digit by which two displays in a row may differ, so that the later one is kept.
A contact that is not firm moves the display by far more. Chosen by us."""
_READ_TIMEOUT_S = 0.05


@dataclass(frozen=True, slots=True)
class StreamTimeouts:
    """Longest waits for a meter's frames."""

    line_s: float = 2.5
    """For a first frame with one setting of the line; displays come one to four a second. [s]"""
    steady_s: float = 6.0
    """For a display that no longer moves. [s]"""
    silent_s: float = 2.5
    """For the next frame, before the meter counts as silent. [s]"""
    reconnect_s: float = RECONNECT_INTERVAL_S
    """Interval between two automatic attempts to hear it again. [s]"""


class HandheldMeter(PluggedDevice):
    """A meter whose display is heard, one reading at a time for all callers."""

    def __init__(self, device: str, timeouts: StreamTimeouts | None = None) -> None:
        """Prepare the meter; the first reading opens the port."""
        self.timeouts = timeouts or StreamTimeouts()
        super().__init__(device, self.timeouts.reconnect_s)
        self._serial: Serial | None = None
        self._splitter = FrameSplitter(FORMATS)
        self._family = ""

    @property
    def name(self) -> str:
        return f"hand-held meter on {self.device}"

    @property
    def family(self) -> str:
        """Family of its chip; empty before the first frame."""
        return self._family

    def can_read(self, probe: Probe) -> bool:
        return True

    def read(self, probe: Probe) -> SourceReading:
        return SourceReading(self.measure())

    def sample(self, probe: Probe | None) -> SourceReading:
        with self._reported_once():
            self._make_ready()
            return SourceReading(self._volts(self._wait_for_frame(self.timeouts.silent_s)))

    def measure(self) -> float:
        """Wait for two displays in a row that agree, and return the later one. [V]

        Only frames that begin after the call count.

        Raises:
            DriveFault: no frames, no volts on the display, or a display that keeps moving.
        """
        with self._reported_once():
            self._make_ready()
            return self._steady_volts()

    @contextlib.contextmanager
    def _reported_once(self) -> Iterator[None]:
        """Hold the lock; an absence is reported by the caller, and not by `poll` again."""
        with self._one_at_a_time:
            try:
                yield
            except DriveFault as fault:
                if self._serial is None:
                    self._reports.mark_reported(str(fault))
                raise

    # -- one reading at a time, the lock held --------------------------------------------------

    @property
    def _is_open(self) -> bool:
        return self._serial is not None

    def _check(self) -> None:
        self._make_ready()
        assert self._serial is not None
        try:
            _ = self._serial.in_waiting
        except OSError as error:
            raise self._port_gone() from error

    def _make_ready(self) -> None:
        if self._closed:
            raise DriveFault(f"{self.device}: closed; open it again to read")
        if self._serial is None:
            self._connect()

    def _connect(self) -> None:
        """Open the port, and find the line's settings by the frames that arrive.

        Raises:
            DriveFault: the port cannot be opened, or no known frame arrives.
        """
        self._tried_s = time.monotonic()
        device = current_device(self.device, self._last_port) or self.device
        for (baud, framing), formats in groupby(FORMATS, lambda one: (one.baud, one.framing)):
            try:
                # an isolated cable is powered by DTR high and RTS low; common practice
                self._serial = Serial(
                    device,
                    timeout=_READ_TIMEOUT_S,
                    exclusive=True,
                    **LineSettings(baud, framing).options(),
                )
                with contextlib.suppress(OSError):  # a port without these lines
                    self._serial.rts = False
            except (OSError, ValueError) as error:
                raise DriveFault(explain_open_failure(self.device, error)) from error
            self._last_port = self._last_port or find_port(self.device)
            self._splitter = FrameSplitter(tuple(formats))
            if self._next_frame(time.monotonic() + self.timeouts.line_s) is not None:
                assert self._splitter.format is not None
                self._family = self._splitter.format.name
                return
            self._close_port()
        raise DriveFault(
            f"{self.device}: no meter is heard; is its data output on (often a key held while it "
            "is switched on), and is the cable's head on its window?"
        )

    def _steady_volts(self) -> float:
        self._drop_earlier_frames()
        due_s = time.monotonic() + self.timeouts.steady_s
        last: DisplayFrame | None = None
        while time.monotonic() < due_s and not self._closed:
            frame = self._wait_for_frame(self.timeouts.silent_s)
            if last is not None and _agree(last, frame):
                return self._volts(frame)
            last = frame
        raise DriveFault(f"{self.name}: its display keeps moving; hold the leads still and firm")

    def _drop_earlier_frames(self) -> None:
        assert self._serial is not None
        try:
            self._serial.reset_input_buffer()
        except OSError as error:
            raise self._port_gone() from error
        self._splitter.clear()

    def _wait_for_frame(self, within_s: float) -> DisplayFrame:
        """Return the newest frame.

        Raises:
            DriveFault: none arrives in time; the port is closed, since the meter may be off.
        """
        frame = self._next_frame(time.monotonic() + within_s)
        if frame is None:
            self._close_port()
            raise DriveFault(
                f"{self.name}: it fell silent; switch it on again, with its data output on"
            )
        return frame

    def _volts(self, frame: DisplayFrame) -> float:
        try:
            return frame.volts()
        except NotVolts as why:
            raise DriveFault(f"{self.name}: {why}") from None

    def _next_frame(self, due_s: float) -> DisplayFrame | None:
        """Return the newest frame of those that arrive next; None if none does in time."""
        assert self._serial is not None
        while time.monotonic() < due_s and not self._closed:
            try:
                octets = self._serial.read(max(1, self._serial.in_waiting))
            except OSError as error:
                raise self._port_gone() from error
            if frames := self._splitter.feed(octets):
                return frames[-1]
        return None

    def _port_gone(self) -> DriveFault:
        self._unplugged()
        return DriveFault(f"{self.name}: unplugged; plug it in to continue")

    def _close_port(self) -> None:
        if self._serial is not None:
            with contextlib.suppress(OSError):
                self._serial.close()
        self._serial = None
        self._splitter.clear()


def _agree(one: DisplayFrame, other: DisplayFrame) -> bool:
    """Return whether two displays show the same, but for a few steps."""
    if one.digits is None or other.digits is None:
        return one.digits is other.digits
    if (one.step_v, one.is_dc, one.is_held) != (other.step_v, other.is_dc, other.is_held):
        return False
    return abs(one.digits - other.digits) <= MAX_STEADY_STEPS
