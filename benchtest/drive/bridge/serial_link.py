"""Serial link to a bridge: send, wait for the answer, send again."""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable, Iterator

from serial import Serial

from benchtest.drive.bridge.messages import (
    ANSWER_FLAG,
    REFUSAL_KIND,
    UNSOLICITED,
    VERSION,
    Board,
    FrameError,
    FrameReader,
    Kind,
    Message,
    Refusal,
)
from benchtest.drive.serial_ports import explain_open_failure
from benchtest.errors import DriveFault

BAUD = 500_000
"""Exact at 16 MHz. USB boards without a serial chip ignore it."""
_ANSWER_TIMEOUT_S = 0.15
"""Wait for an answer after the time of the work. [s] A USB serial chip may delay it by 16 ms."""
MAX_TRIES = 4
BOOT_TIMEOUT_S = 4.0
"""Wait for a board that restarts when its port is opened; boot loaders listen up to 2 s first.
[s] Source: common practice.
"""
HELLO_INTERVAL_S = 0.25
_READ_TIMEOUT_S = 0.02
_MAX_PRESSED = 8
"""Keys that are kept until someone takes them."""
_WRITE_TIMEOUT_S = 0.5


class LinkFault(DriveFault):
    """The link to a bridge failed."""


class PortGone(LinkFault):
    """The port no longer exists."""


class NoAnswer(LinkFault):
    """No answer came."""


class BoardRestarted(LinkFault):
    """The board has restarted and lost its settings."""


class RequestRefused(LinkFault):
    """The board refused a request."""

    def __init__(self, device: str, why: int) -> None:
        name = Refusal(why).name if why in set(Refusal) else str(why)
        words = f"the bridge refuses: {name.lower().replace('_', ' ')}"
        if why == Refusal.SILENT:
            words = "no power monitor answers there; check its wires and address, then unplug the "
            words += "bridge and plug it in"
        super().__init__(f"{device}: {words}")
        self.why = why


class SerialLink:
    """An open port, used by this program only.

    Attributes:
        repeats: number of messages sent again.
        sent: number of messages sent, repeats included.
        pressed: keys of the board that were pressed and not taken: 1 yes, 2 no, 3 back.
    """

    def __init__(self, device: str, baud: int = BAUD) -> None:
        """Open the port.

        Args:
            device: its name.
            baud: rate of the line.

        Raises:
            PortGone: the port cannot be opened; the text has the remedy.
        """
        self.device = device
        self.repeats = self.sent = 0
        self.pressed: deque[int] = deque(maxlen=_MAX_PRESSED)
        self._number = 0
        self._reader = FrameReader()
        self._bodies: deque[bytes] = deque()
        try:
            self._serial = Serial(
                device,
                baud,
                timeout=_READ_TIMEOUT_S,
                write_timeout=_WRITE_TIMEOUT_S,
                exclusive=True,
            )
        except (OSError, ValueError) as error:
            raise PortGone(explain_open_failure(device, error)) from error

    def handshake(self, within_s: float, given_up: Callable[[], bool] = lambda: False) -> Board:
        """Send hello until the board answers.

        Raises:
            PortGone: the port no longer exists.
            NoAnswer: no answer came in that time.
            DriveFault: the board has another protocol version.
        """
        due_s = time.monotonic() + within_s
        while time.monotonic() < due_s and not given_up():
            number = self._next_number()
            self._write(Message(Kind.HELLO, number, bytes([VERSION])))
            for heard in self._receive(HELLO_INTERVAL_S):
                if (heard.kind, heard.number) == (Kind.HELLO | ANSWER_FLAG, number):
                    return self._decode_board(heard.payload)
        raise NoAnswer(
            f"{self.device}: no bridge answers; is it the right port, with the bridge's "
            "firmware on the board (hw_notes/bridge.md)? Behind a serial chip an ESP32 needs "
            "@115200"
        )

    def _decode_board(self, payload: bytes) -> Board:
        try:
            board = Board.read(payload)
        except FrameError as error:
            raise DriveFault(f"{self.device}: invalid answer from the bridge, {error}") from error
        if board.version != VERSION:
            raise DriveFault(
                f"{self.device}: the bridge has protocol version {board.version}, this program "
                f"{VERSION}; install this version's firmware (hw_notes/bridge.md)"
            )
        return board

    def ask(self, kind: Kind, payload: bytes = b"", work_s: float = 0.0) -> bytes:
        """Send a request until it is answered; the board runs a repeated request only once.

        Args:
            kind: kind of the request.
            payload: its data.
            work_s: time that the board needs for it. [s]

        Returns:
            Payload of the answer.

        Raises:
            PortGone: the port no longer exists.
            NoAnswer: no answer came, several times.
            BoardRestarted: the board has restarted.
            RequestRefused: the board refused the request.
        """
        asked = Message(kind, self._next_number(), payload)
        for attempt in range(MAX_TRIES):
            self.repeats += attempt > 0
            self._write(asked)
            for heard in self._receive(_ANSWER_TIMEOUT_S + work_s):
                if heard.number == UNSOLICITED:
                    self._check_unsolicited(heard)
                elif heard.number == asked.number and heard.kind in (
                    kind | ANSWER_FLAG,
                    REFUSAL_KIND,
                ):
                    return self._answer(heard)
        raise NoAnswer(f"{self.device}: the bridge does not answer; still trying")

    def check_board(self) -> None:
        """Check that the board is still connected and has not restarted.

        Raises:
            PortGone: the port no longer exists.
            BoardRestarted: the board has restarted.
        """
        for heard in self._receive(0.0):
            if heard.number == UNSOLICITED:
                self._check_unsolicited(heard)

    def close(self) -> None:
        """Close the port."""
        self._serial.close()

    def take_pressed(self) -> list[int]:
        """Return the keys of the board that were pressed since the last call: 1 yes, 2 no, 3 back.

        One that is pressed meanwhile is left for the next call.
        """
        return [self.pressed.popleft() for _ in range(len(self.pressed))]

    def _check_unsolicited(self, heard: Message) -> None:
        if heard.kind == Kind.HELLO | ANSWER_FLAG:
            raise BoardRestarted(f"{self.device}: the bridge has restarted")
        if heard.kind == Kind.KEY | ANSWER_FLAG and heard.payload:
            self.pressed.append(heard.payload[0])

    def _answer(self, heard: Message) -> bytes:
        if heard.kind != REFUSAL_KIND:
            return heard.payload
        why = heard.payload[0] if heard.payload else 0
        if why == Refusal.NO_WIRING:
            raise BoardRestarted(f"{self.device}: the bridge has restarted")
        raise RequestRefused(self.device, why)

    def _next_number(self) -> int:
        self._number = self._number % 255 + 1
        return self._number

    def _write(self, message: Message) -> None:
        try:
            self._serial.write(message.encoded())
        except OSError as error:
            raise self._port_gone() from error
        self.sent += 1

    def _receive(self, within_s: float) -> Iterator[Message]:
        """Yield messages as they come until the time is over; at 0 s those already received."""
        due_s = time.monotonic() + within_s
        while True:
            if not self._bodies:
                self._bodies.extend(self._reader.feed(self._read(wait=within_s > 0.0)))
            while self._bodies:  # kept for the next call if this one ends at an answer
                with contextlib.suppress(FrameError):
                    yield Message.read(self._bodies.popleft())
            if time.monotonic() >= due_s:
                return

    def _read(self, *, wait: bool) -> bytes:
        try:
            waiting = self._serial.in_waiting
            return self._serial.read(max(1, waiting)) if wait or waiting else b""
        except OSError as error:
            raise self._port_gone() from error

    def _port_gone(self) -> PortGone:
        return PortGone(f"{self.device}: the bridge is unplugged; plug it in to continue")
