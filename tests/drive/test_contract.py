"""Every driver passes the one suite."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest

from benchtest.drive.base import Driver, Target
from benchtest.drive.choose import driver_for
from benchtest.drive.e131 import Sender
from benchtest.prop.design import Design
from tests.drive.boards import Built, PythonBoard, SimulatedBoard
from tests.drive.contract import DriverContract

LOOPBACK = "127.0.0.1"
TERMINATED = 0x40
"""Stream_Terminated: its slots are ignored. ANSI E1.31-2018, 6.2.6."""


class Receiver:
    """Real UDP on loopback; keeps the slots that each universe has."""

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        self._socket.bind((LOOPBACK, 0))
        self._socket.settimeout(0.05)
        self._slots: dict[int, bytes] = {}
        self._done = False
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._done:
            with contextlib.suppress(TimeoutError):
                octets = self._socket.recv(2000)
                if not octets[112] & TERMINATED:
                    self._slots[int.from_bytes(octets[113:115], "big")] = octets[126:]

    def driver(self, design: Design) -> Driver:
        port = self._socket.getsockname()[1]
        return driver_for(Target("e131", LOOPBACK, port), design, Sender(uuid4()))

    def unreachable(self, design: Design) -> Driver:
        # a label of more than 63 octets is no host name (RFC 1035, 2.3.4): nobody is asked
        return driver_for(Target("e131", "x" * 64), design, Sender(uuid4()))

    def shown(self) -> bytes:
        return b"".join(slots for _, slots in sorted(self._slots.items()))

    def close(self) -> None:
        self._done = True
        self._thread.join()
        self._socket.close()


class OnABoard:
    """A board behind a serial port."""

    def __init__(self, board: SimulatedBoard | PythonBoard) -> None:
        self.board = board

    def driver(self, design: Design) -> Driver:
        return driver_for(Target("serial", device=str(self.board.port)), design, Sender(uuid4()))

    def unreachable(self, design: Design) -> Driver:
        nowhere = str(self.board.port.with_name("nowhere"))
        return driver_for(Target("serial", device=nowhere), design, Sender(uuid4()))

    def shown(self) -> bytes:
        return self.board.shown()


class TestE131(DriverContract):
    @pytest.fixture
    def bench(self) -> Iterator[Receiver]:
        receiver = Receiver()
        yield receiver
        receiver.close()


@pytest.fixture(scope="module")
def simulated(built: Built, tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedBoard]:
    board = SimulatedBoard(built, tmp_path_factory.mktemp("contract"))
    yield board
    board.close()


class TestBridge(DriverContract):
    """The AVR's firmware, simulated."""

    @pytest.fixture
    def bench(self, simulated: SimulatedBoard) -> OnABoard:
        return OnABoard(simulated)


class TestBridgeInMicroPython(DriverContract):
    """The other firmware's protocol."""

    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[OnABoard]:
        board = PythonBoard(tmp_path)
        yield OnABoard(board)
        board.close()


class TestBridgeOnABadLine(DriverContract):
    """One octet of 250 is lost or garbled, either way."""

    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[OnABoard]:
        board = PythonBoard(tmp_path, hurt=0.004)
        yield OnABoard(board)
        board.close()
