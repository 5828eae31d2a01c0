"""A bench meter on a serial port: asked over SCPI, found again after it was unplugged."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Iterator

from serial import Serial

from benchtest.drive.report_once import News
from benchtest.drive.scpi import protocol as scpi
from benchtest.drive.scpi.protocol import Identity, MeterError, NoReading
from benchtest.drive.serial_ports import SerialPort, device_again, port_of, why_not_open
from benchtest.errors import DriveFault
from benchtest.evidence.reading_source import Given
from benchtest.prop.design import Probe

BAUD = 9600
"""What bench meters on RS-232 come set to; common practice. Meters with USB of their own ignore
it."""
IDENTITY_S = 2.0
"""Wait for a meter to say who it is. [s]"""
READING_S = 6.0
"""Wait for a reading: ten mains cycles and a change of range, several times. [s]"""
ERROR_S = 1.0
QUIET_S = 0.25
"""A line on which nothing has come for so long is at rest. [s]"""
READ_S = 0.05
WRITE_S = 1.0
AGAIN_S = 5.0
"""Between two tries, by itself, to meet a meter whose port is there. [s]"""


class Absent(DriveFault):
    """No meter is there."""


class Complains(DriveFault):
    """The meter has put an error into its queue."""


class ScpiMeter:
    """Reads wherever its leads are. One question at a time, whoever asks."""

    def __init__(self, device: str, baud: int = BAUD) -> None:
        """Nothing is opened yet: the first reading or look does that."""
        self.device = device
        self.baud = baud
        self.identity: Identity | None = None
        self._serial: Serial | None = None
        self._was: SerialPort | None = None
        self._lines = scpi.Lines()
        self._came: deque[str] = deque()
        self._behind = False
        """An answer was not waited for: it may come yet, and must not be taken for another."""
        self._has_queue = True
        self._tried_s = float("-inf")
        self._closed = False
        self._one_at_a_time = threading.Lock()
        self._news = News()

    @property
    def name(self) -> str:
        return f"{self.identity or 'meter'} on {self.device}"

    def reads(self, probe: Probe) -> bool:
        return True

    def read(self, probe: Probe) -> Given:
        return Given(self.measure())

    def measure(self) -> float:
        """What the meter reads now. [V]

        Raises:
            DriveFault: it is not there, gives no reading, or has an error to tell.
        """
        with self._one_at_a_time:
            try:
                return self._measured_remotely()
            except Absent as absent:
                self._news.said(str(absent))  # by whoever asked
                raise

    def _measured_remotely(self) -> float:
        self._ready()
        try:
            return self._measured()
        except Complains:
            # some take readings only once they are told that somebody is there
            self._say(scpi.REMOTE)
            self._errors()
            return self._measured()

    def look(self) -> str | None:
        """See whether it is there; what is new, in words."""
        if not self._one_at_a_time.acquire(blocking=False):
            return None  # somebody is reading it
        try:
            if self._serial is None and time.monotonic() - self._tried_s < AGAIN_S:
                return None
            self._ready()
            self._waiting()
        except Absent as absent:
            return self._news.trouble(str(absent))
        finally:
            self._one_at_a_time.release()
        return self._news.well(self.name)

    def close(self) -> None:
        """Let go of the port. May be called again."""
        self._closed = True  # whoever waits for an answer gives up
        with self._one_at_a_time:
            self._let_go()

    # -- one question at a time, the lock held -------------------------------------------------

    def _ready(self) -> None:
        """A port that is open, with a meter on it that is waited for."""
        if self._closed:
            raise Absent(f"{self.device}: is closed; begin again to read")
        if self._serial is None:
            self._meet()
        elif self._behind:
            self._catch_up()

    def _meet(self) -> None:
        device = device_again(self.device, self._was) or self.device
        try:
            self._serial = Serial(
                device, self.baud, timeout=READ_S, write_timeout=WRITE_S, exclusive=True
            )
        except (OSError, ValueError) as error:
            raise Absent(why_not_open(self.device, error)) from error
        self._was = self._was or port_of(self.device)
        self._tried_s = time.monotonic()
        try:
            self._introduce()
        except DriveFault:
            self._let_go()
            raise

    def _introduce(self) -> None:
        """Who it is; and an empty queue, so that later errors are ours."""
        self._settle()
        self.identity = self._who(tries=2)
        self._say(scpi.CLEAR)
        self._has_queue, self._behind = True, False
        self._errors()
        self._has_queue = not self._behind  # it keeps none, and is not asked again
        self._behind = False

    def _who(self, tries: int) -> Identity:
        for _ in range(tries):
            self._say(scpi.IDENTIFY)
            for line in self._heard(IDENTITY_S):
                with contextlib.suppress(NoReading):
                    return Identity.read(line)
        raise Absent(
            f"{self.device}: no meter answers; is it on and set to SCPI at {self.baud} baud? "
            f"Another rate is given as scpi:{self.device}@RATE"
        )

    def _catch_up(self) -> None:
        """Let late answers go by, until the meter answers to its name again."""
        self._settle()
        self.identity = self._who(tries=1)
        self._errors()
        self._behind = False

    def _settle(self) -> None:
        """Wait until nothing more comes, and forget it."""
        due_s = time.monotonic() + IDENTITY_S
        while time.monotonic() < due_s:
            if not list(self._heard(QUIET_S)):
                break
        self._forget()

    def _forget(self) -> None:
        self._lines.forget()
        self._came.clear()

    def _measured(self) -> float:
        line = self._ask(scpi.VOLTS, READING_S)
        if line is None:
            if said := self._errors():
                raise Complains(f"{self.name}: gives no reading; it says {said[0]}")
            self._behind = True
            self._say(scpi.REMOTE)  # where it waits for that, the next reading comes
            raise DriveFault(f"{self.name}: gives no reading; is it set to volts? Read again")
        try:
            volts = scpi.parse_volts(line)
        except NoReading as why:
            self._behind = True  # whose answer that was is not known
            raise DriveFault(f"{self.name}: {why}") from None
        if said := self._errors():
            raise Complains(f"{self.name}: it says {said[0]}; read again")
        if self._behind:
            raise DriveFault(f"{self.name}: says more than it was asked; read again")
        return volts

    def _errors(self) -> list[MeterError]:
        """What its error queue held."""
        found: list[MeterError] = []
        while self._has_queue and len(found) < scpi.MOST_ERRORS:
            line = self._ask(scpi.NEXT_ERROR, ERROR_S)
            if line is None:
                self._behind = True
                break
            try:
                error = scpi.parse_error(line)
            except NoReading:
                self._behind = True
                break
            if error is None:
                break
            found.append(error)
        return found

    def _ask(self, words: str, within_s: float) -> str | None:
        if self._came or self._waiting():
            self._behind = True  # nobody asked for that: answers and questions no longer match
            self._came.clear()
        self._say(words)
        return next(self._heard(within_s), None)

    def _say(self, words: str) -> None:
        assert self._serial is not None
        try:
            self._serial.write(words.encode("ascii") + b"\n")
        except OSError as error:
            raise self._gone() from error

    def _heard(self, within_s: float) -> Iterator[str]:
        """Lines as they come, until the time is over."""
        due_s = time.monotonic() + within_s
        while time.monotonic() < due_s and not self._closed:
            if not self._came:
                octets = self._read(max(1, self._waiting()))
                self._came.extend(self._lines.feed(octets))
            if self._came:
                yield self._came.popleft()

    def _read(self, count: int) -> bytes:
        assert self._serial is not None
        try:
            return self._serial.read(count)
        except OSError as error:
            raise self._gone() from error

    def _waiting(self) -> int:
        """Octets that have come and were not read; also tells whether the port is there."""
        assert self._serial is not None
        try:
            return self._serial.in_waiting
        except OSError as error:
            raise self._gone() from error

    def _gone(self) -> Absent:
        self._let_go()
        self._tried_s = float("-inf")  # as soon as it is plugged in again
        return Absent(f"{self.name}: is unplugged; plug it in and it goes on")

    def _let_go(self) -> None:
        if self._serial is not None:
            with contextlib.suppress(OSError):
                self._serial.close()
        self._serial = None
        self._forget()
