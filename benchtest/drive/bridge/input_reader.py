"""Analog inputs of a bridge: samples, volts and calibration, and a reader of them."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable
from typing import TypeVar

from benchtest.drive.bridge import messages
from benchtest.drive.bridge.messages import FULL_SCALE, Board, FrameError, Kind, Sample
from benchtest.drive.bridge.serial_link import (
    BOOT_TIMEOUT_S,
    BoardRestarted,
    NoAnswer,
    PortGone,
    RequestRefused,
    SerialLink,
)
from benchtest.drive.serial_ports import PluggedDevice, current_device, find_port
from benchtest.errors import DriveFault, InputError
from benchtest.evidence.meter import Meter

DEFAULT_SAMPLES = 64
CALIBRATION_SAMPLES = 255
_SAMPLE_S = 0.0003
"""Time of one sample on the slowest board. [s]"""
_MIN_CALIBRATION_COUNTS = 256
"""Fewest counts for a calibration: at a quarter of the range, half a count is 0.2 % of it."""
_GAIN_ERROR_PERCENT = 0.5
"""Gain error: the hand meter of the calibration, and the reference's drift. Common practice. [%]"""
_OFFSET_ERROR_COUNTS = 2.0
"""Offset error of the converter. Source: ATmega328P data sheet, ADC characteristics."""
_RESOLUTION_V = 0.01
"""Display step that `input_accuracy` assumes for a range of 1000 counts and more. [V]"""


def check_request(channel: int, samples: int) -> None:
    """Check a request against what any board supports.

    Raises:
        InputError: no board has such an input or sample count.
    """
    if not (0 <= channel <= 255 and 1 <= samples <= 255):
        raise InputError(
            f"analog input {channel}, {samples} samples: give an input 0 to 255, 1 to 255 samples"
        )


def read_sample(line: SerialLink, channel: int, samples: int) -> Sample:
    """Read an input.

    Raises:
        LinkFault: the board is absent, or has no such input.
        DriveFault: the answer is damaged.
    """
    payload = messages.encode_read(channel, samples)
    try:
        sample = Sample.read(line.ask(Kind.READ, payload, work_s=samples * _SAMPLE_S))
    except FrameError as error:
        raise DriveFault(f"{line.device}: invalid answer from the bridge, {error}") from error
    if (sample.channel, sample.samples) != (channel, samples) or sample.counts > FULL_SCALE:
        raise DriveFault(
            f"{line.device}: asked for input {channel}, the bridge answered {sample.counts:.0f} "
            f"counts of input {sample.channel}; install this version's firmware"
        )
    return sample


def store_scale(line: SerialLink, channel: int, scale_nv: int) -> None:
    """Store the value of one count of an input on the board, which keeps it without power. [nV]"""
    line.ask(Kind.SCALE, messages.encode_scale(channel, scale_nv))


def sample_volts(sample: Sample) -> float:
    """Return the voltage of a sample. [V]

    Raises:
        DriveFault: the input was never calibrated, or is over its range.
    """
    where = f"analog input {sample.channel}"
    if sample.over_range:
        raise DriveFault(f"{where}: over its range; use the divider for a higher voltage")
    if sample.volts is None:
        raise DriveFault(f"{where}: not calibrated; apply a known voltage and calibrate it first")
    return sample.volts


def calibration_scale_nv(sample: Sample, known_v: float) -> int:
    """Return the value of one count if a known voltage gives this sample. [nV]

    Raises:
        DriveFault: the sample is too low or too high for a calibration.
    """
    if known_v <= 0.0 or sample.counts < _MIN_CALIBRATION_COUNTS or sample.over_range:
        raise DriveFault(
            f"analog input {sample.channel}: {sample.counts:.0f} of "
            f"{messages.FULL_SCALE}; calibrate with a voltage that gives "
            f"{_MIN_CALIBRATION_COUNTS} to {messages.FULL_SCALE - 1}"
        )
    return round(known_v / sample.counts * 1e9)


def input_accuracy(scale_nv: int) -> Meter:
    """Return the accuracy of a calibrated input, as a meter's class.

    >>> str(input_accuracy(5_270_000)), str(input_accuracy(15_050_000))
    ('0.5%+2/1000', '0.5%+4/1540')
    """
    count_v = scale_nv * 1e-9
    most_v = messages.FULL_SCALE * count_v
    counts = max(1000, math.ceil(most_v / _RESOLUTION_V)) if most_v < 100.0 else 9999
    return Meter(
        _GAIN_ERROR_PERCENT,
        max(1, math.ceil(_OFFSET_ERROR_COUNTS * count_v / _RESOLUTION_V)),
        counts,
    )


_Answer = TypeVar("_Answer")


class BridgeReader(PluggedDevice):
    """Analog inputs of a bridge on a port of its own, one request at a time."""

    def __init__(self, device: str) -> None:
        """Prepare the reader; the first reading or look opens the port."""
        super().__init__(device)
        self.board: Board | None = None
        self._link: SerialLink | None = None

    @property
    def name(self) -> str:
        return f"bridge on {self.device}"

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

    # -- one request at a time, the lock held --------------------------------------------------

    @property
    def _is_open(self) -> bool:
        return self._link is not None

    def _check(self) -> None:
        self._request_with_restart(lambda line: line.check_board())

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
            self._unplugged()
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
