"""Analogue inputs of a bridge: samples, volts, calibration. Over an open line; no thread here."""

from __future__ import annotations

import math

from benchtest.drive.bridge import messages
from benchtest.drive.bridge.framing import FrameError
from benchtest.drive.bridge.messages import FULL_SCALE, Kind, Sample
from benchtest.drive.bridge.serial_link import SerialLink
from benchtest.errors import DriveFault, InputError
from benchtest.evidence.meter import Meter

DEFAULT_SAMPLES = 64
CALIBRATION_SAMPLES = 255
_SAMPLE_S = 0.0003
"""Time of one sample on the slowest board. [s]"""
_MIN_CALIBRATION_COUNTS = 256
"""A known voltage should use a quarter of the range: half a count is then 0.2 % of it."""
_GAIN_ERROR_PERCENT = 0.5
"""Of the hand meter that it was calibrated by, and the reference's drift. Common practice."""
_OFFSET_ERROR_COUNTS = 2.0
"""Absolute error of the converter. Source: ATmega328P data sheet, ADC characteristics."""
_RESOLUTION_V = 0.01
"""Display step that `input_accuracy` assumes for a range of 1000 counts and more. [V]"""


def check_request(channel: int, samples: int) -> None:
    """Check what may be asked of any board.

    Raises:
        InputError: no board can have that.
    """
    if not (0 <= channel <= 255 and 1 <= samples <= 255):
        raise InputError(f"analogue input {channel}, {samples} samples: 0 to 255, 1 to 255")


def read_sample(line: SerialLink, channel: int, samples: int) -> Sample:
    """Ask an input.

    Raises:
        LineFault: the board is not there, or has no such input.
        DriveFault: its answer is damaged.
    """
    said = messages.encode_read(channel, samples)
    try:
        sample = Sample.read(line.ask(Kind.READ, said, work_s=samples * _SAMPLE_S))
    except FrameError as error:
        raise DriveFault(f"{line.device}: the bridge says {error}") from error
    if (sample.channel, sample.samples) != (channel, samples) or sample.counts > FULL_SCALE:
        raise DriveFault(
            f"{line.device}: the bridge gave {sample.counts:.0f} counts of input {sample.channel} "
            f"where input {channel} was asked; put the firmware of this version on it"
        )
    return sample


def store_scale(line: SerialLink, channel: int, scale_nv: int) -> None:
    """Tell the board what a count of an input is worth; it keeps that without power. [nV]"""
    line.ask(Kind.SCALE, messages.encode_scale(channel, scale_nv))


def sample_volts(sample: Sample) -> float:
    """Volts of a sample. [V]

    Raises:
        DriveFault: the input was never calibrated, or reads more than it can.
    """
    where = f"analogue input {sample.channel}"
    if sample.over_range:
        raise DriveFault(f"{where}: off the end of its range; use the divider for a higher voltage")
    if sample.volts is None:
        raise DriveFault(f"{where}: never calibrated; put a known voltage on it first")
    return sample.volts


def calibration_scale_nv(sample: Sample, known_v: float) -> int:
    """What a count is worth where these volts give this sample. [nV]

    Raises:
        DriveFault: too low or too high to calibrate by.
    """
    if known_v <= 0.0 or sample.counts < _MIN_CALIBRATION_COUNTS or sample.over_range:
        raise DriveFault(
            f"analogue input {sample.channel}: reads {sample.counts:.0f} of "
            f"{messages.FULL_SCALE}; calibrate by a voltage that gives "
            f"{_MIN_CALIBRATION_COUNTS} to {messages.FULL_SCALE - 1}"
        )
    return round(known_v / sample.counts * 1e9)


def input_accuracy(scale_nv: int) -> Meter:
    """How well a calibrated input reads, as the class of a meter.

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
