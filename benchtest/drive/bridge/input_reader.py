"""A bridge that is only read: the prop is driven some other way, or not at all."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from typing import TypeVar

from benchtest.drive.bridge.analog_inputs import (
    CALIBRATION_SAMPLES,
    DEFAULT_SAMPLES,
    calibration_scale_nv,
    check_request,
    read_sample,
    store_scale,
)
from benchtest.drive.bridge.messages import Board, Sample
from benchtest.drive.bridge.serial_link import (
    BOOT_TIMEOUT_S,
    BoardRestarted,
    NoAnswer,
    PortGone,
    RequestRefused,
    SerialLink,
)
from benchtest.drive.report_once import ReportOnce
from benchtest.drive.serial_ports import SerialPort, current_device, find_port
from benchtest.errors import DriveFault

_RECONNECT_INTERVAL_S = 5.0
"""Between two tries, by itself, to meet a board whose port is there. [s]"""

_Answer = TypeVar("_Answer")


class BridgeReader:
    """Analogue inputs of a bridge on a port of its own. One question at a time."""

    def __init__(self, device: str) -> None:
        """Nothing is opened yet: the first reading or look does that."""
        self.device = device
        self.name = f"bridge on {device}"
        self.board: Board | None = None
        self._link: SerialLink | None = None
        self._last_port: SerialPort | None = None
        self._tried_s = float("-inf")
        self._closed = False
        self._one_at_a_time = threading.Lock()
        self._reports = ReportOnce()

    def read(self, channel: int, samples: int = DEFAULT_SAMPLES) -> Sample:
        """Ask an analogue input.

        Raises:
            DriveFault: the board is not there, or has no such input.
            InputError: no board can have that.
        """
        check_request(channel, samples)
        return self._request(lambda line: read_sample(line, channel, samples))

    def calibrate(self, channel: int, known_v: float) -> Sample:
        """Tell the board what its input reads just now; it keeps that without power.

        Raises:
            DriveFault: too low or too high to calibrate by, or the board is not there.
        """
        sample = self.read(channel, CALIBRATION_SAMPLES)
        scale_nv = calibration_scale_nv(sample, known_v)
        self._request(lambda line: store_scale(line, channel, scale_nv))
        return Sample(channel, sample.samples, sample.total, scale_nv)

    def inputs(self) -> int:
        """How many analogue inputs the board has.

        Raises:
            DriveFault: the board is not there.
        """
        self._request(lambda line: line.check_board())
        assert self.board is not None
        return self.board.analog_inputs

    def look(self) -> str | None:
        """See whether it is there; what is new, in words."""
        if not self._one_at_a_time.acquire(blocking=False):
            return None  # somebody is reading it
        try:
            if self._link is None and time.monotonic() - self._tried_s < _RECONNECT_INTERVAL_S:
                return None
            self._request_with_restart(lambda line: line.check_board())
        except DriveFault as fault:
            return self._reports.report_trouble(str(fault))
        finally:
            self._one_at_a_time.release()
        return self._reports.report_ready(self.name)

    def close(self) -> None:
        """Let go of the port. May be called again."""
        self._closed = True
        with self._one_at_a_time:
            self._close_port()

    # -- one question at a time, the lock held -------------------------------------------------

    def _request(self, ask: Callable[[SerialLink], _Answer]) -> _Answer:
        with self._one_at_a_time:
            try:
                return self._request_with_restart(ask)
            except DriveFault as fault:
                if self._link is None:
                    self._reports.mark_reported(str(fault))  # by whoever asked
                raise

    def _request_with_restart(self, ask: Callable[[SerialLink], _Answer]) -> _Answer:
        """Ask; a board that has begun anew is met anew and asked once more."""
        line = self._link or self._connect()
        try:
            try:
                return ask(line)
            except BoardRestarted:
                self.board = line.handshake(BOOT_TIMEOUT_S, lambda: self._closed)
                return ask(line)
        except RequestRefused:
            raise
        except (PortGone, NoAnswer) as fault:
            self._close_port()
            self._tried_s = float("-inf")  # as soon as it is plugged in again
            raise DriveFault(str(fault)) from fault

    def _connect(self) -> SerialLink:
        if self._closed:
            raise DriveFault(f"serial:{self.device}: is closed; open it to read")
        line = SerialLink(current_device(self.device, self._last_port) or self.device)
        self._tried_s = time.monotonic()
        try:
            self._last_port = self._last_port or find_port(self.device)
            self.board = line.handshake(BOOT_TIMEOUT_S, lambda: self._closed)
        except DriveFault:
            line.close()
            raise
        self._link = line
        return line

    def _close_port(self) -> None:
        if self._link is not None:
            with contextlib.suppress(OSError):
                self._link.close()
        self._link = None
