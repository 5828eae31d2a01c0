"""A bridge that is only read: the prop is driven some other way, or not at all."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from typing import TypeVar

from benchtest.drive.bridge.analog_inputs import (
    CALIBRATION_SAMPLES,
    SAMPLES,
    check_input,
    keep_scale,
    scale_of,
    take_sample,
)
from benchtest.drive.bridge.messages import Board, Sample
from benchtest.drive.bridge.serial_link import BOOT_S, Gone, Line, Refused, Restarted, Silent
from benchtest.drive.report_once import News
from benchtest.drive.serial_ports import SerialPort, device_again, port_of
from benchtest.errors import DriveFault

AGAIN_S = 5.0
"""Between two tries, by itself, to meet a board whose port is there. [s]"""

Found = TypeVar("Found")


class BridgeReader:
    """Analogue inputs of a bridge on a port of its own. One question at a time."""

    def __init__(self, device: str) -> None:
        """Nothing is opened yet: the first reading or look does that."""
        self.device = device
        self.name = f"bridge on {device}"
        self.board: Board | None = None
        self._line: Line | None = None
        self._was: SerialPort | None = None
        self._tried_s = float("-inf")
        self._closed = False
        self._one_at_a_time = threading.Lock()
        self._news = News()

    def read(self, channel: int, samples: int = SAMPLES) -> Sample:
        """Ask an analogue input.

        Raises:
            DriveFault: the board is not there, or has no such input.
            InputError: no board can have that.
        """
        check_input(channel, samples)
        return self._asked(lambda line: take_sample(line, channel, samples))

    def calibrate(self, channel: int, known_v: float) -> Sample:
        """Tell the board what its input reads just now; it keeps that without power.

        Raises:
            DriveFault: too low or too high to calibrate by, or the board is not there.
        """
        sample = self.read(channel, CALIBRATION_SAMPLES)
        scale_nv = scale_of(sample, known_v)
        self._asked(lambda line: keep_scale(line, channel, scale_nv))
        return Sample(channel, sample.samples, sample.total, scale_nv)

    def inputs(self) -> int:
        """How many analogue inputs the board has.

        Raises:
            DriveFault: the board is not there.
        """
        self._asked(lambda line: line.look())
        assert self.board is not None
        return self.board.analogue

    def look(self) -> str | None:
        """See whether it is there; what is new, in words."""
        if not self._one_at_a_time.acquire(blocking=False):
            return None  # somebody is reading it
        try:
            if self._line is None and time.monotonic() - self._tried_s < AGAIN_S:
                return None
            self._looked_after(lambda line: line.look())
        except DriveFault as fault:
            return self._news.trouble(str(fault))
        finally:
            self._one_at_a_time.release()
        return self._news.well(self.name)

    def close(self) -> None:
        """Let go of the port. May be called again."""
        self._closed = True
        with self._one_at_a_time:
            self._let_go()

    # -- one question at a time, the lock held -------------------------------------------------

    def _asked(self, ask: Callable[[Line], Found]) -> Found:
        with self._one_at_a_time:
            try:
                return self._looked_after(ask)
            except DriveFault as fault:
                if self._line is None:
                    self._news.said(str(fault))  # by whoever asked
                raise

    def _looked_after(self, ask: Callable[[Line], Found]) -> Found:
        """Ask; a board that has begun anew is met anew and asked once more."""
        line = self._line or self._meet()
        try:
            try:
                return ask(line)
            except Restarted:
                self.board = line.meet(BOOT_S, lambda: self._closed)
                return ask(line)
        except Refused:
            raise
        except (Gone, Silent) as fault:
            self._let_go()
            self._tried_s = float("-inf")  # as soon as it is plugged in again
            raise DriveFault(str(fault)) from fault

    def _meet(self) -> Line:
        if self._closed:
            raise DriveFault(f"serial:{self.device}: is closed; open it to read")
        line = Line(device_again(self.device, self._was) or self.device)
        self._tried_s = time.monotonic()
        try:
            self._was = self._was or port_of(self.device)
            self.board = line.meet(BOOT_S, lambda: self._closed)
        except DriveFault:
            line.close()
            raise
        self._line = line
        return line

    def _let_go(self) -> None:
        if self._line is not None:
            with contextlib.suppress(OSError):
                self._line.close()
        self._line = None
