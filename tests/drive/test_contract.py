"""All drivers pass the one suite."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from uuid import uuid4

import numpy as np
import pytest

from benchtest.drive.driver import Driver
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.target import Target, driver_for
from benchtest.prop.design import Design
from benchtest.virtual.server import VirtualPropServer
from benchtest.virtual.udp_receiver import NetworkImpairment
from benchtest.virtual.virtual_prop import VirtualProp
from tests.drive.boards import Built, PythonBoard, SimulatedBoard
from tests.drive.contract import DriverContract, on_the_wire
from tests.waiting import until, until_still

LOOPBACK = "127.0.0.1"
TERMINATED = 0x40
"""Stream_Terminated: its slots are ignored. ANSI E1.31-2018, 6.2.6."""


class Receiver:
    """A receiver of real UDP on loopback that keeps the slots of each universe."""

    loses = False

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
        return driver_for(Target("e131", LOOPBACK, port), design, SourceSettings(uuid4()))

    def unreachable(self, design: Design) -> Driver:
        # a label of more than 63 octets is not a host name (RFC 1035, 2.3.4): no server is asked
        return driver_for(Target("e131", "x" * 64), design, SourceSettings(uuid4()))

    def shown(self) -> bytes:
        return b"".join(slots for _, slots in sorted(self._slots.items()))

    def close(self) -> None:
        self._done = True
        self._thread.join()
        self._socket.close()


class ArtNetReceiver(Receiver):
    """The same for ArtDmx."""

    def _run(self) -> None:
        while not self._done:
            with contextlib.suppress(TimeoutError):
                octets = self._socket.recv(2000)
                # Specification for the Art-Net 4 Ethernet Communication Protocol, ArtDmx: SubUni
                # and Net, Length high octet first, and as many slots
                assert octets[:12] == b"Art-Net\0\x00\x50\x00\x0e"
                assert len(octets) == 18 + int.from_bytes(octets[16:18], "big")
                self._slots[octets[14] | octets[15] << 8] = octets[18:]

    def driver(self, design: Design) -> Driver:
        port = self._socket.getsockname()[1]
        return driver_for(Target("artnet", LOOPBACK, port), design, SourceSettings(uuid4()))

    def unreachable(self, design: Design) -> Driver:
        return driver_for(Target("artnet", "x" * 64), design, SourceSettings(uuid4()))


class DdpReceiver(Receiver):
    """The same for DDP: a frame buffer, whose octets show with the push."""

    def _run(self) -> None:
        buffer = bytearray()
        while not self._done:
            with contextlib.suppress(TimeoutError):
                octets = self._socket.recv(2000)
                # DDP Specification: version 1 and push, offset and length, high octet first
                assert octets[0] in (0x40, 0x41)
                offset, length = int.from_bytes(octets[4:8], "big"), len(octets) - 10
                assert length == int.from_bytes(octets[8:10], "big") <= 1440
                buffer.extend(bytes(max(0, offset + length - len(buffer))))
                buffer[offset : offset + length] = octets[10:]
                if octets[0] == 0x41:
                    self._slots[0] = bytes(buffer)

    def driver(self, design: Design) -> Driver:
        port = self._socket.getsockname()[1]
        return driver_for(Target("ddp", LOOPBACK, port), design, SourceSettings(uuid4()))

    def unreachable(self, design: Design) -> Driver:
        return driver_for(Target("ddp", "x" * 64), design, SourceSettings(uuid4()))


class OnVirtualProp:
    """The virtual prop behind a network that loses, delays and corrupts packets, by a seed."""

    loses = True

    def __init__(self, impairment: Callable[[], NetworkImpairment]) -> None:
        self._impairment = impairment
        self._running: list[
            tuple[VirtualPropServer, asyncio.AbstractEventLoop, threading.Thread]
        ] = []

    def driver(self, design: Design) -> Driver:
        """Start a prop of this design."""
        self.design = design
        self._simulation = VirtualPropServer(VirtualProp(design), self._impairment())
        listens: Future[tuple[int, asyncio.AbstractEventLoop]] = Future()
        thread = threading.Thread(target=asyncio.run, args=(_run(self._simulation, listens),))
        thread.start()
        port, loop = listens.result(10.0)
        self._running.append((self._simulation, loop, thread))
        return driver_for(Target("e131", LOOPBACK, port), design, SourceSettings(uuid4()))

    def unreachable(self, design: Design) -> Driver:
        return driver_for(Target("e131", "x" * 64), design, SourceSettings(uuid4()))

    def shown(self) -> bytes:
        return on_the_wire(self.design, self._simulation.prop.latched())

    def packet_counts(self) -> dict[str, int]:
        """Count the packets that its receiver accepted, and discarded by reason."""
        return dict(self._simulation.receiver.packet_counts)

    def close(self) -> None:
        for simulation, loop, thread in self._running:
            loop.call_soon_threadsafe(simulation.done.set)
            thread.join()


async def _run(
    simulation: VirtualPropServer, listens: Future[tuple[int, asyncio.AbstractEventLoop]]
) -> None:
    where = await simulation.listen(LOOPBACK, 0, 0)
    listens.set_result((where.port, asyncio.get_running_loop()))
    await simulation.run()


class OnABoard:
    """A board behind a serial port."""

    loses = False

    def __init__(self, board: SimulatedBoard | PythonBoard) -> None:
        self.board = board

    def driver(self, design: Design) -> Driver:
        return driver_for(
            Target("serial", device=str(self.board.port)), design, SourceSettings(uuid4())
        )

    def unreachable(self, design: Design) -> Driver:
        nowhere = str(self.board.port.with_name("nowhere"))
        return driver_for(Target("serial", device=nowhere), design, SourceSettings(uuid4()))

    def shown(self) -> bytes:
        return self.board.shown()


class TestE131(DriverContract):
    @pytest.fixture
    def bench(self) -> Iterator[Receiver]:
        receiver = Receiver()
        yield receiver
        receiver.close()


class TestArtNet(DriverContract):
    @pytest.fixture
    def bench(self) -> Iterator[ArtNetReceiver]:
        receiver = ArtNetReceiver()
        yield receiver
        receiver.close()


class TestDdp(DriverContract):
    @pytest.fixture
    def bench(self) -> Iterator[DdpReceiver]:
        receiver = DdpReceiver()
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
    """One octet of 250 is lost or corrupted, in either direction."""

    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[OnABoard]:
        board = PythonBoard(tmp_path, hurt=0.004)
        yield OnABoard(board)
        board.close()


def _bad_network() -> NetworkImpairment:
    """Of 100 packets 15 are lost and 15 have a bit changed; delays reach two frames."""
    return NetworkImpairment(loss=0.15, corruption=0.15, delay_s=0.05, seed=7)


class TestVirtual(DriverContract):
    """The virtual prop, with nothing in between."""

    @pytest.fixture
    def bench(self) -> Iterator[OnVirtualProp]:
        made = OnVirtualProp(NetworkImpairment)
        yield made
        made.close()


class TestVirtualOnABadNetwork(DriverContract):
    @pytest.fixture
    def bench(self) -> Iterator[OnVirtualProp]:
        made = OnVirtualProp(_bad_network)
        yield made
        made.close()

    def test_the_network_has_the_chosen_impairment(
        self, bench: OnVirtualProp, design: Design
    ) -> None:
        driver = self._opened(bench, design)
        for level in range(50):
            driver.show(np.full((design.node_count, 3), level, dtype=np.uint8))
        sent = driver.status().packets
        until(lambda: sum(bench.packet_counts().values()) > 0.7 * sent)
        until_still(bench.packet_counts, for_s=0.1)  # twice the longest delay
        counted = bench.packet_counts()
        assert sum(counted.values()) < 0.95 * sent  # some were lost
        assert counted["accepted"] < sum(counted.values())  # some out of order, some not decoded
        assert len(counted) >= 3
        driver.close()
