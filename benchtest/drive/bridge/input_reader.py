"""Analog inputs of a bridge: samples, volts and calibration, and a reader of them."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable
from typing import TypeVar

from benchtest.drive.bridge import messages
from benchtest.drive.bridge.messages import (
    CAN_TONE,
    FULL_SCALE,
    ZERO_CHANNEL,
    Board,
    FrameError,
    Kind,
    Sample,
)
from benchtest.drive.bridge.serial_link import (
    BAUD,
    BOOT_TIMEOUT_S,
    BoardRestarted,
    NoAnswer,
    PortGone,
    RequestRefused,
    SerialLink,
)
from benchtest.drive.serial_ports import PluggedDevice, current_device, find_port
from benchtest.drive.source_spec import MONITOR_CHANNEL, MONITORS, input_name
from benchtest.errors import DriveFault, InputError
from benchtest.evidence.meter import Meter

DEFAULT_SAMPLES = 64
CALIBRATION_SAMPLES = 255
_SAMPLE_S = 0.0003
"""Time of one sample on the slowest board. [s]"""
_CONVERSION_S = 0.0352
"""Time of one conversion of a power monitor: both inputs, 1.1 ms, averages of 16. [s] Source: TI
SBOS547."""
MONITOR_SAMPLES, MONITOR_CALIBRATION_SAMPLES = 2, 16
MONITOR_FULL_V = 0.0819175
"""Volts at the end of a monitor's shunt input. [V] Source: TI SBOS547: 32767 times 2.5 µV."""
MAX_MONITOR_V = 36.0
"""Highest common voltage of its inputs. [V] Source: TI SBOS547, recommended operating conditions.
"""
_MONITOR_GAIN_PERCENT = 0.1
"""Gain error of both inputs. [%] Source: TI SBOS547, electrical characteristics, maximum."""
_SHUNT_OFFSET_V, _BUS_OFFSET_V = 10e-6, 7.5e-3
"""Offset errors. [V] Source: TI SBOS547, electrical characteristics, maximum. The series resistors
add to that of the shunt input, so it should be zeroed with the leads together."""
_MIN_CALIBRATION_COUNTS = 256
"""Fewest counts for a calibration: at a quarter of the range, half a count is 0.2 % of it."""
_GAIN_ERROR_PERCENT = 0.5
"""Gain error: the hand meter of the calibration, and the reference's drift. Common practice. [%]"""
_MAX_ZERO_COUNTS = 400.0
"""Largest zero: 1 mV, far more than bias currents in series resistors make."""
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
    sample_s, waits = (_SAMPLE_S, 0) if channel < MONITOR_CHANNEL else (_CONVERSION_S, 2)
    try:
        sample = Sample.read(line.ask(Kind.READ, payload, work_s=(samples + waits) * sample_s))
    except FrameError as error:
        raise DriveFault(f"{line.device}: invalid answer from the bridge, {error}") from error
    is_beyond = channel < MONITOR_CHANNEL and sample.counts > FULL_SCALE
    if (sample.channel, sample.samples) != (channel, samples) or is_beyond:
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
    where = f"input {input_name(sample.channel)}"
    if sample.channel >= MONITOR_CHANNEL:
        return _monitor_volts(sample, where)
    where = f"analog {where}"
    if sample.over_range:
        raise DriveFault(f"{where}: over its range; use the divider for a higher voltage")
    if sample.volts is None:
        raise DriveFault(f"{where}: not calibrated; apply a known voltage and calibrate it first")
    return sample.volts


def _monitor_volts(sample: Sample, where: str) -> float:
    volts = sample.volts
    assert volts is not None  # a monitor's counts have their value without a calibration
    if is_bus_input(sample.channel):
        if abs(volts) > MAX_MONITOR_V:
            raise DriveFault(
                f"{where}: {volts:.1f} V is beyond its rating of {MAX_MONITOR_V:g} V; take the "
                "leads off now"
            )
        return volts
    if sample.over_range:
        sign = "more than" if volts > 0 else "less than -"
        raise DriveFault(
            f"{where}: {sign}{' ' if volts > 0 else ''}{MONITOR_FULL_V * 1e3:.1f} mV, beyond its "
            "range; read it with a meter, or as two rail voltages"
        )
    return volts


def usual_samples(channel: int) -> int:
    """Return the number of samples of one reading; a monitor averages by itself."""
    return MONITOR_SAMPLES if channel >= MONITOR_CHANNEL else DEFAULT_SAMPLES


def is_bus_input(channel: int) -> bool:
    """Return whether a channel is a monitor's bus input; its other input is for millivolts."""
    return channel >= MONITOR_CHANNEL and bool(channel & 1)


def calibration_scale_nv(sample: Sample, known_v: float) -> int:
    """Return the value of one count if a known voltage gives this sample. [nV]

    Raises:
        DriveFault: the sample is too low or too high for a calibration.
    """
    name = input_name(sample.channel)
    most = messages.FULL_SCALE - 1 if sample.channel < MONITOR_CHANNEL else 32_000
    if known_v <= 0.0 or sample.counts < _MIN_CALIBRATION_COUNTS or sample.over_range:
        raise DriveFault(
            f"input {name}: {sample.counts:.0f} counts; calibrate with a voltage that gives "
            f"{_MIN_CALIBRATION_COUNTS} to {most}"
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


def monitor_accuracy(channel: int) -> Meter:
    """Return the accuracy of a power monitor's input, as a meter's class.

    >>> str(monitor_accuracy(0x80)), str(monitor_accuracy(0x81))
    ('0.1%+1/10000', '0.1%+1/4000')
    """
    if is_bus_input(channel):  # 4000 counts: a step of 10 mV in 40 V, 1 mV in 4 V
        return Meter(_MONITOR_GAIN_PERCENT, math.ceil(_BUS_OFFSET_V / 0.01), 4000)
    return Meter(_MONITOR_GAIN_PERCENT, math.ceil(_SHUNT_OFFSET_V / 1e-5), 10_000)


_Answer = TypeVar("_Answer")


class BridgeReader(PluggedDevice):
    """Analog inputs of a bridge on a port of its own, one request at a time."""

    def __init__(self, device: str, baud: int | None = None) -> None:
        """Prepare the reader; the first reading or look opens the port."""
        super().__init__(device)
        self._baud = baud or BAUD
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

        A monitor's millivolts are zeroed by 0 V, with its leads together.

        Raises:
            DriveFault: the voltage is too low or too high, or the board is absent.
        """
        is_monitor = channel >= MONITOR_CHANNEL
        if is_monitor and known_v == 0.0:
            return self._zero(channel)
        samples = MONITOR_CALIBRATION_SAMPLES if is_monitor else CALIBRATION_SAMPLES
        sample = self.read(channel, samples)
        scale_nv = calibration_scale_nv(sample, known_v)
        self._request(lambda line: store_scale(line, channel, scale_nv))
        return Sample(channel, sample.samples, sample.total, scale_nv)

    def _zero(self, channel: int) -> Sample:
        """Store the zero of a monitor's millivolts."""
        if is_bus_input(channel):
            raise InputError("only the millivolts of a monitor have a zero; give volts above 0")
        zero_channel = ZERO_CHANNEL + (channel - MONITOR_CHANNEL) // 2
        self._request(lambda line: store_scale(line, zero_channel, 0))
        sample = self.read(channel, MONITOR_CALIBRATION_SAMPLES)
        if abs(sample.counts) > _MAX_ZERO_COUNTS:
            raise DriveFault(
                f"input {input_name(channel)}: {sample.counts:.0f} counts; hold its two "
                "leads together to zero it"
            )
        zero = round(sample.counts)
        self._request(lambda line: store_scale(line, zero_channel, zero))
        return self.read(channel, MONITOR_CALIBRATION_SAMPLES)

    def monitors(self) -> list[int]:
        """Return the numbers of the power monitors that answered the board's last hello.

        Raises:
            DriveFault: the board is absent.
        """
        self._request(lambda line: line.check_board())
        assert self.board is not None
        return [one for one in range(MONITORS) if self.board.monitor_bits >> one & 1]

    def take_pressed(self) -> list[int]:
        """Return the keys of the board that were pressed since the last call."""
        link = self._link
        return [] if link is None else link.take_pressed()

    def sound(self) -> None:
        """Sound the board's buzzer, if it has one.

        Raises:
            DriveFault: the board is absent.
        """
        if self.board is not None and self.board.can & CAN_TONE:
            self._request(lambda line: line.ask(Kind.TONE))

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
        device = current_device(self.device, self._last_port) or self.device
        line = SerialLink(device, self._baud)
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
