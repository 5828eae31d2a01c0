"""Analog inputs of a bridge that does not drive the prop."""

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
"""Interval between two automatic attempts to reach a board whose port exists. [s]"""

_Answer = TypeVar("_Answer")


class BridgeReader:
    """Analog inputs of a bridge on a port of its own, one request at a time."""

    def __init__(self, device: str) -> None:
        """Prepare the reader; the first reading or look opens the port."""
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
        """Read an analog input.

        Raises:
            DriveFault: the board is absent, or has no such input.
            InputError: no board has such an input or sample count.
        """
        check_request(channel, samples)
        return self._request(lambda line: read_sample(line, channel, samples))

    def calibrate(self, channel: int, known_v: float) -> Sample:
        """Calibrate an input by a known voltage; the board keeps the scale without power.

        Raises:
            DriveFault: the voltage is too low or too high, or the board is absent.
        """
        sample = self.read(channel, CALIBRATION_SAMPLES)
        scale_nv = calibration_scale_nv(sample, known_v)
        self._request(lambda line: store_scale(line, channel, scale_nv))
        return Sample(channel, sample.samples, sample.total, scale_nv)

    def inputs(self) -> int:
        """Return the number of analog inputs of the board.

        Raises:
            DriveFault: the board is absent.
        """
        self._request(lambda line: line.check_board())
        assert self.board is not None
        return self.board.analog_inputs

    def poll(self) -> str | None:
        """Check that the board is connected; return a message if that has changed."""
        if not self._one_at_a_time.acquire(blocking=False):
            return None  # another thread is reading it
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
        """Close the port; may be called again."""
        self._closed = True
        with self._one_at_a_time:
            self._close_port()

    # -- one request at a time, the lock held --------------------------------------------------

    def _request(self, ask: Callable[[SerialLink], _Answer]) -> _Answer:
        with self._one_at_a_time:
            try:
                return self._request_with_restart(ask)
            except DriveFault as fault:
                if self._link is None:
                    self._reports.mark_reported(str(fault))  # by the caller
                raise

    def _request_with_restart(self, ask: Callable[[SerialLink], _Answer]) -> _Answer:
        """Send a request; after a restart of the board, identify it and send it again."""
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
            self._tried_s = float("-inf")  # retry as soon as it is plugged in again
            raise DriveFault(str(fault)) from fault

    def _connect(self) -> SerialLink:
        if self._closed:
            raise DriveFault(f"serial:{self.device}: closed; open it to read")
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
