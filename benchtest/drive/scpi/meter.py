"""SCPI bench meter on a serial port or over TCP; reconnected after it was unplugged.

Bench meters differ in line ends, echoes, prompts and in the request for volts. Each is tried at the
first connection, and what was answered is remembered.
"""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from serial import Serial, SerialException, serial_for_url

from benchtest.drive.scpi import protocol as scpi
from benchtest.drive.scpi.protocol import Identity, InvalidAnswer, MeterError
from benchtest.drive.serial_ports import (
    PluggedDevice,
    current_device,
    explain_open_failure,
    find_port,
)
from benchtest.drive.source_spec import LineSettings, is_tcp
from benchtest.errors import DriveFault
from benchtest.evidence.reading_source import SourceReading
from benchtest.prop.design import Probe

_QUIET_LINE_S = 0.25
"""Silence after which a line counts as quiet. [s]"""
_MAX_ECHOES = 4
"""Commands whose echo may still come: an echo of one arrives after the next one was sent."""
_READ_TIMEOUT_S = 0.05
_WRITE_TIMEOUT_S = 1.0


@dataclass(frozen=True, slots=True)
class MeterTimeouts:
    """Longest waits for a meter's answers."""

    identity_s: float = 2.0
    """For its identification. [s]"""
    reading_s: float = 6.0
    """For a reading: ten mains cycles and a change of range, several times. [s]"""
    error_s: float = 1.0
    """For an entry of its error queue. [s]"""
    dialect_s: float = 2.5
    """For an answer to another request, where the usual one had none. [s]"""


class MeterAbsent(DriveFault):
    """No meter answers on the port."""


class NoAnswer(DriveFault):
    """The meter is there and does not answer a request."""


class MeterReportsError(DriveFault):
    """The meter has an error in its queue."""

    def __init__(self, words: str, error: MeterError) -> None:
        super().__init__(words)
        self.error = error


class ScpiMeter(PluggedDevice):
    """A meter that reads wherever its leads are, one request at a time for all callers."""

    def __init__(
        self,
        device: str,
        line: LineSettings | None = None,
        timeouts: MeterTimeouts | None = None,
    ) -> None:
        """Prepare the meter; the first reading or look opens the port.

        Args:
            device: serial port, or `HOST:PORT` for TCP.
            line: settings of a serial line; None for the usual ones.
            timeouts: longest waits.
        """
        super().__init__(device)
        self.line = line or LineSettings()
        self.timeouts = timeouts or MeterTimeouts()
        self.identity: Identity | None = None
        self._serial: Serial | None = None
        self._lines = scpi.LineSplitter()
        self._received: deque[str] = deque()
        self._is_out_of_step = False
        """True after an answer was not waited for: a late answer must not pass for the next one."""
        self._has_queue = True
        self._ending = scpi.ENDINGS[0]
        self._dialect: tuple[str, ...] | None = None
        """Request that was answered; None until one was."""
        self._sent: deque[str] = deque(maxlen=_MAX_ECHOES)

    @property
    def name(self) -> str:
        return f"{self.identity or 'meter'} on {self.device}"

    def can_read(self, probe: Probe) -> bool:
        return True

    def read(self, probe: Probe) -> SourceReading:
        return SourceReading(self.measure())

    def sample(self, probe: Probe | None) -> SourceReading:
        return SourceReading(self.measure())

    def measure(self) -> float:
        """Read the meter. [V]

        Raises:
            DriveFault: the meter is absent, gives no reading or reports an error.
        """
        with self._one_at_a_time:
            try:
                return self._measure_in_any_dialect()
            except MeterAbsent as absent:
                self._reports.mark_reported(str(absent))  # by the caller
                raise

    def _measure_in_any_dialect(self) -> float:
        self._make_ready()
        if self._dialect is not None:
            return self._measure_in_remote_mode(self._dialect, self.timeouts.reading_s)
        first: DriveFault | None = None
        for dialect in scpi.DIALECTS:
            within_s = self.timeouts.dialect_s if first else self.timeouts.reading_s
            try:
                volts = self._measure_in_remote_mode(dialect, within_s)
            except (NoAnswer, MeterReportsError) as why:
                if isinstance(why, MeterReportsError) and not why.error.is_command_error:
                    raise
                first = first or why
                if self._is_out_of_step:
                    self._resynchronize()
                continue
            self._dialect = dialect
            return volts
        assert first is not None
        raise first

    def _measure_in_remote_mode(self, dialect: tuple[str, ...], within_s: float) -> float:
        try:
            return self._measure_once(dialect, within_s)
        except MeterReportsError as why:
            if why.error.is_command_error:
                raise
            # some measure only in remote mode
            self._send(scpi.REMOTE)
            self._read_errors()
            return self._measure_once(dialect, within_s)

    # -- one request at a time, the lock held --------------------------------------------------

    @property
    def _is_open(self) -> bool:
        return self._serial is not None

    def _check(self) -> None:
        self._make_ready()
        self._octets_waiting()

    def _make_ready(self) -> None:
        """Open the port if necessary, and wait for the meter."""
        if self._closed:
            raise MeterAbsent(f"{self.device}: closed; open it again to read")
        if self._serial is None:
            self._connect()
        elif self._is_out_of_step:
            self._resynchronize()

    def _connect(self) -> None:
        try:
            self._serial = self._open()
        except (OSError, ValueError) as error:
            raise MeterAbsent(explain_open_failure(self.device, error)) from error
        self._last_port = self._last_port or find_port(self.device)
        self._tried_s = time.monotonic()
        try:
            self._identify()
        except DriveFault:
            self._close_port()
            raise

    def _open(self) -> Serial:
        if is_tcp(self.device):
            try:
                return serial_for_url(f"socket://{self.device}", timeout=_READ_TIMEOUT_S)
            except SerialException as error:
                raise MeterAbsent(
                    f"{self.device}: no connection; is the meter on, on this network, and does it "
                    "listen at this port (often 5025)?"
                ) from error
        return Serial(
            current_device(self.device, self._last_port) or self.device,
            timeout=_READ_TIMEOUT_S,
            write_timeout=_WRITE_TIMEOUT_S,
            exclusive=True,
            **self.line.options(),
        )

    def _identify(self) -> None:
        """Identify the meter and empty its error queue, so later errors belong to our requests."""
        self._drain()
        self.identity = self._ask_identity([self._ending, *scpi.ENDINGS])
        self._send(scpi.CLEAR)
        self._has_queue, self._is_out_of_step = True, False
        self._read_errors()
        self._has_queue = not self._is_out_of_step  # it has no queue, so do not ask again
        self._is_out_of_step = False

    def _ask_identity(self, endings: Sequence[bytes]) -> Identity:
        for tries, ending in enumerate(endings):
            self._ending = ending
            if tries:
                self._send("")  # ends a line that another line end left open
            self._send(scpi.IDENTIFY)
            for line in self._receive_lines(self.timeouts.identity_s):
                with contextlib.suppress(InvalidAnswer):
                    return Identity.read(line)
        raise MeterAbsent(
            f"{self.device}: no meter answers; is it on and set to SCPI"
            + ("?" if is_tcp(self.device) else
               f" at {self.line}? For other settings write scpi:{self.device}@RATE,7E1")
        )  # fmt: skip

    def _resynchronize(self) -> None:
        """Discard late answers until the meter identifies itself again."""
        self._drain()
        self.identity = self._ask_identity([self._ending])
        self._read_errors()
        self._is_out_of_step = False

    def _drain(self) -> None:
        """Wait until nothing more arrives, and discard it."""
        due_s = time.monotonic() + self.timeouts.identity_s
        while time.monotonic() < due_s:
            if not list(self._receive_lines(_QUIET_LINE_S)):
                break
        self._clear_received()

    def _clear_received(self) -> None:
        self._lines.clear()
        self._received.clear()

    def _measure_once(self, dialect: tuple[str, ...], within_s: float) -> float:
        *before, request = dialect
        for words in before:
            self._send(words)
            if errors := self._read_errors():
                raise self._reports_error(errors, "no reading; its error is")
        line = self._ask(request, within_s)
        if line is None:
            if errors := self._read_errors():
                raise self._reports_error(errors, "no reading; its error is")
            self._is_out_of_step = True
            self._send(scpi.REMOTE)  # if it needs that, the next reading comes
            raise NoAnswer(f"{self.name}: no reading; is it set to volts? Read again")
        try:
            volts = scpi.parse_volts(line)
        except InvalidAnswer as why:
            self._is_out_of_step = True  # the request of that answer is unknown
            if scpi.is_error_text(line):
                raise NoAnswer(f"{self.name}: {why}") from None
            raise DriveFault(f"{self.name}: {why}") from None
        if errors := self._read_errors():
            raise self._reports_error(errors, "error", "; read again")
        if self._is_out_of_step:
            raise DriveFault(f"{self.name}: more answers than requests; read again")
        return volts

    def _reports_error(
        self, errors: list[MeterError], words: str, end: str = ""
    ) -> MeterReportsError:
        return MeterReportsError(f"{self.name}: {words} {errors[0]}{end}", errors[0])

    def _read_errors(self) -> list[MeterError]:
        """Return the entries of the meter's error queue, and empty it."""
        found: list[MeterError] = []
        while self._has_queue and len(found) < scpi.MAX_ERRORS:
            line = self._ask(scpi.NEXT_ERROR, self.timeouts.error_s)
            if line is None:
                self._is_out_of_step = True
                break
            try:
                error = scpi.parse_error(line)
            except InvalidAnswer:
                self._is_out_of_step = True
                break
            if error is None:
                break
            found.append(error)
        return found

    def _ask(self, words: str, within_s: float) -> str | None:
        if waiting := self._octets_waiting():
            self._keep(self._read(waiting))
        if self._received or self._lines.incomplete:
            self._is_out_of_step = True  # unexpected: answers no longer match requests
        self._clear_received()
        self._send(words)
        return next(self._receive_lines(within_s), None)

    def _send(self, words: str) -> None:
        assert self._serial is not None
        self._sent.append(words)
        try:
            self._serial.write(words.encode("ascii") + self._ending)
        except OSError as error:
            raise self._port_gone() from error

    def _receive_lines(self, within_s: float) -> Iterator[str]:
        """Yield lines as they come until the time is over."""
        due_s = time.monotonic() + within_s
        while time.monotonic() < due_s and not self._closed:
            if not self._received:
                self._keep(self._read(max(1, self._octets_waiting())))
            if self._received:
                yield self._received.popleft()

    def _keep(self, octets: bytes) -> None:
        """Add the lines that octets complete, without prompts and the echo of what was sent."""
        for line in map(scpi.without_prompt, self._lines.feed(octets)):
            if line and not any(scpi.is_echo(line, sent) for sent in self._sent):
                self._received.append(line)

    def _read(self, count: int) -> bytes:
        assert self._serial is not None
        try:
            return self._serial.read(count)
        except OSError as error:
            raise self._port_gone() from error

    def _octets_waiting(self) -> int:
        """Return the number of octets received but not read; fails if the port is gone."""
        assert self._serial is not None
        try:
            return self._serial.in_waiting
        except OSError as error:
            raise self._port_gone() from error

    def _port_gone(self) -> MeterAbsent:
        self._unplugged()
        if is_tcp(self.device):
            return MeterAbsent(f"{self.name}: its connection ended; is it on?")
        return MeterAbsent(f"{self.name}: unplugged; plug it in to continue")

    def _close_port(self) -> None:
        if self._serial is not None:
            with contextlib.suppress(OSError):
                self._serial.close()
        self._serial = None
        self._clear_received()
