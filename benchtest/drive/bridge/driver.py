"""Driver that sends frames through the USB serial bridge.

One thread owns the port. `show` leaves a frame and returns; frames that come faster than the link
carries them are skipped, and the newest is shown.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from contextlib import suppress
from functools import partial

import numpy as np
from numpy.typing import NDArray

from benchtest.drive.bridge import messages
from benchtest.drive.bridge.input_reader import (
    CALIBRATION_SAMPLES,
    DEFAULT_SAMPLES,
    calibration_scale_nv,
    check_request,
    read_sample,
    sample_volts,
    store_scale,
)
from benchtest.drive.bridge.messages import (
    CAN_SLOW,
    CAN_TONE,
    FAST,
    Board,
    FrameTooComplex,
    Kind,
    Refusal,
    Sample,
    line_rate,
)
from benchtest.drive.bridge.serial_link import (
    BAUD,
    BOOT_TIMEOUT_S,
    BoardRestarted,
    LinkFault,
    RequestRefused,
    SerialLink,
)
from benchtest.drive.driver import DriverInfo, DriveStatus
from benchtest.drive.serial_ports import SerialPort, current_device, find_port
from benchtest.drive.universe_layout import RESET_GAP_S, Frame, frame_on_wire, frames_per_s, node_s
from benchtest.errors import DriveFault
from benchtest.prop.design import Design

_OUTPUT = 0
"""Output of the board that the prop is connected to."""
_IDLE_POLL_INTERVAL_S = 0.2
"""Interval between checks of an idle link: an unplugged board is noticed within a second. [s]"""
_RECONNECT_INTERVAL_S = 0.25
"""Interval between two attempts to find an absent board. [s]"""
_READING_TIMEOUT_S = 3.0
"""Longest wait for a reading behind a frame in progress. [s]"""

_Action = Callable[[SerialLink], Sample | None]


class BridgeDriver:
    """A driver that sends frames to a bridge on a serial port."""

    def __init__(self, design: Design, device: str, baud: int | None = None) -> None:
        self.design = design
        self.device = device
        self._baud = baud or BAUD
        self._rate = line_rate(design.node.data_khz, design.node.one_ns)
        self.board: Board | None = None
        self._work_s = node_s(design) * design.node_count + RESET_GAP_S
        self._last_port: SerialPort | None = None
        self._link: SerialLink | None = None
        self._board_frame: bytes | None = None
        """Octets of the frame that the board holds; None if unknown."""
        self._wake = threading.Condition()
        self._waiting: NDArray[np.uint8] | None = None
        self._requests: deque[tuple[_Action, Future[Sample | None]]] = deque()
        self._closing = False
        self._thread: threading.Thread | None = None
        self.sent_s = float("-inf")  # the board acknowledges each frame, which keeps the pace
        self._frames = self._packets = self._errors = 0
        self._trouble: str | None = None

    def open(self) -> DriverInfo:
        """Open the port and wait for the board, which may restart when its port is opened.

        Raises:
            DriveFault: no bridge answers, or it cannot hold this prop.
        """
        self._last_port = find_port(self.device)
        self._closing = False
        self._connect(self.device)
        self._thread = threading.Thread(target=self._run, name="serial bridge", daemon=True)
        self._thread.start()
        return DriverInfo(f"bridge on {self.device}", 1, frames_per_s(self.design))

    def prepare(self, frame: Frame) -> None:
        """Do nothing: the port's own thread works out what changed."""

    def show(self, frame: Frame) -> None:
        """Queue one frame to be sent; return at once."""
        if self._thread is None:
            raise DriveFault(f"serial:{self.device}: closed; open it to send again")
        with self._wake:
            self._waiting = frame_on_wire(self.design, frame)
            self._wake.notify()

    def status(self) -> DriveStatus:
        return DriveStatus(self._frames, self._packets, self._errors, self._trouble)

    def read(self, channel: int, samples: int = DEFAULT_SAMPLES) -> Sample:
        """Read an analog input while frames continue.

        Args:
            channel: number of the input, from 0.
            samples: number of samples to average, 1 to 255.

        Raises:
            DriveFault: the board is absent, or has no such input.
            InputError: no board has such an input or sample count.
        """
        check_request(channel, samples)
        found = self._ask(partial(read_sample, channel=channel, samples=samples))
        assert found is not None
        return found

    def volts(self, channel: int) -> float:
        """Return the voltage at an analog input, averaged and calibrated. [V]

        Raises:
            DriveFault: the board is absent, or the input was never calibrated or is over its range.
        """
        return sample_volts(self.read(channel))

    def calibrate(self, channel: int, known_v: float) -> Sample:
        """Calibrate an input by a known voltage; the board keeps the scale without power.

        Args:
            channel: number of the input, from 0.
            known_v: voltage at the input, by a trusted meter. [V]

        Raises:
            DriveFault: the voltage is too low or too high, or the board is absent.
        """
        sample = self.read(channel, CALIBRATION_SAMPLES)
        scale_nv = calibration_scale_nv(sample, known_v)
        self._ask(partial(store_scale, channel=channel, scale_nv=scale_nv))
        return Sample(channel, sample.samples, sample.total, scale_nv)

    def sound(self) -> None:
        """Sound the board's buzzer, if it has one; return at once."""
        if self.board is not None and self.board.can & CAN_TONE and self._thread is not None:
            with self._wake:
                self._requests.append((_sound, Future()))
                self._wake.notify()

    def take_pressed(self) -> list[int]:
        """Return the keys that were pressed since the last call: 1 yes, 2 no, 3 back."""
        link = self._link
        return [] if link is None else link.take_pressed()

    def close(self) -> None:
        """Take the prop dark if it can be reached, and close the port."""
        if self._thread is None:
            return
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._thread.join()
        self._thread = None

    # -- the thread that owns the port ---------------------------------------------------------

    def _run(self) -> None:
        while not self._closing:
            try:
                if self._link is None:
                    self._reconnect()
                else:
                    self._serve(self._link)
            except DriveFault as fault:
                self._disconnect(str(fault))
        self._finish()

    def _serve(self, line: SerialLink) -> None:
        """Handle what is queued, then check that the board is still connected."""
        with self._wake:
            self._wake.wait_for(self._has_work, _IDLE_POLL_INTERVAL_S)
            wire, self._waiting = self._waiting, None
            asked = self._requests.popleft() if self._requests else None
        try:
            if wire is not None:
                self._show_frame(line, wire)
            if asked is not None:
                _answer(line, *asked)
            line.check_board()
        except BoardRestarted:
            self._set_up_board(line, BOOT_TIMEOUT_S)
            if wire is not None:
                self._show_frame(line, wire)
        except LinkFault:
            with self._wake:
                if self._waiting is None:  # to be shown when the board is back
                    self._waiting = wire
            raise

    def _has_work(self) -> bool:
        return self._closing or self._waiting is not None or bool(self._requests)

    def _show_frame(self, line: SerialLink, wire: NDArray[np.uint8]) -> None:
        """Show one frame; if the board holds it already, only the command to show is sent."""
        octets = wire.tobytes()
        repeats = line.repeats
        try:
            if octets != self._board_frame or not self._show_stored(line):
                self._send_runs(line, wire)
        except (FrameTooComplex, RequestRefused) as fault:
            self._errors += 1
            self._board_frame, self._trouble = None, f"{self.device}: {fault}"
        else:
            self._frames += 1
            self._board_frame, self._trouble = octets, None
        finally:
            self._errors += line.repeats - repeats
            self._packets += line.sent
            line.sent = 0

    def _show_stored(self, line: SerialLink) -> bool:
        """Show the frame that the board holds; return False if the board has dropped it."""
        try:
            line.ask(Kind.SHOW, work_s=self._work_s)
        except RequestRefused as fault:
            if fault.why != Refusal.INCOMPLETE:
                raise
            return False
        return True

    def _send_runs(self, line: SerialLink, wire: NDArray[np.uint8]) -> None:
        assert self.board is not None
        self._board_frame = None  # until the whole frame has arrived
        for payload in messages.encode_runs(wire, self.board):
            line.ask(Kind.RUNS, payload, work_s=self._work_s)

    def _connect(self, device: str) -> None:
        line = SerialLink(device, self._baud)
        try:
            self._set_up_board(line, BOOT_TIMEOUT_S)
        except DriveFault:
            line.close()
            raise
        self._link = line

    def _set_up_board(self, line: SerialLink, within_s: float) -> None:
        """Identify the board and send it the wiring of the prop."""
        self._board_frame = None
        self.board = line.handshake(within_s, lambda: self._closing)
        nodes, channels = self.design.node_count, self.design.node.channels
        if nodes > self.board.max_nodes:
            raise DriveFault(
                f"{self.device}: this bridge drives at most {self.board.max_nodes} nodes and "
                f"{self.design.name} has {nodes}; drive it over E1.31 (--to e131:HOST)"
            )
        if self._rate != FAST and not self.board.can & CAN_SLOW:
            raise DriveFault(
                f"{self.device}: {self.design.node.name} needs data of "
                f"{self.design.node.data_khz:g} kHz, which this bridge's firmware does not send; "
                f"update it: benchtest bridge install {self.device}"
            )
        line.ask(Kind.WIRING, messages.encode_wiring(_OUTPUT, channels, nodes, self._rate))

    def _reconnect(self) -> None:
        device = current_device(self.device, self._last_port)
        if device is None:
            self._fail_requests()
            with self._wake:
                self._wake.wait_for(lambda: self._closing, _RECONNECT_INTERVAL_S)
            return
        self._connect(device)
        self._trouble = None

    def _disconnect(self, why: str) -> None:
        self._errors += 1
        self._trouble = why
        if self._link is not None:
            with suppress(OSError):
                self._link.close()
        self._link = None
        self._fail_requests()
        with self._wake:
            self._wake.wait_for(lambda: self._closing, _RECONNECT_INTERVAL_S)

    def _finish(self) -> None:
        """Send a last, dark frame and close the port."""
        if self._link is not None:
            dark = np.zeros((self.design.node_count, self.design.node.channels), dtype=np.uint8)
            with suppress(DriveFault):
                self._show_frame(self._link, dark)
            self._link.close()
        self._link = None
        self._fail_requests()

    # -- readings ------------------------------------------------------------------------------

    def _ask(self, action: _Action) -> Sample | None:
        if self._thread is None:
            raise DriveFault(f"serial:{self.device}: closed; open it to read")
        answer: Future[Sample | None] = Future()
        with self._wake:
            self._requests.append((action, answer))
            self._wake.notify()
        try:
            return answer.result(_READING_TIMEOUT_S)
        except FutureTimeout as error:
            raise DriveFault(f"{self.device}: no reading from the bridge; read again") from error

    def _fail_requests(self) -> None:
        with self._wake:
            while self._requests:
                _, answer = self._requests.popleft()
                answer.set_exception(DriveFault(f"{self.device}: the bridge is not connected"))


def _sound(line: SerialLink) -> None:
    line.ask(Kind.TONE)


def _answer(line: SerialLink, action: _Action, answer: Future[Sample | None]) -> None:
    """Run a request and give its caller the result or the error."""
    try:
        answer.set_result(action(line))
    except RequestRefused as fault:
        answer.set_exception(fault)
    except DriveFault as fault:
        answer.set_exception(fault)
        raise
