"""Analog inputs of a bridge on an open link: samples, volts, calibration. No thread here."""

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
