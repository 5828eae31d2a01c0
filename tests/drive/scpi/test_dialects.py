"""Dialects of bench meters, each on a real pty or TCP connection: what differs between makes.

Each row names a kind of meter. All are common practice, no source; number forms and identification
are those of IEEE 488.2.
"""

from __future__ import annotations

import os
import select
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from benchtest.drive.scpi.meter import MeterTimeouts, ScpiMeter
from benchtest.errors import DriveFault
from tests.drive.on_a_pty import OnAPty

SHORT = MeterTimeouts(identity_s=0.25, reading_s=0.6, error_s=0.25, dialect_s=0.4)
MEASURE, CONFIGURE = ("MEAS:VOLT:DC?",), ("CONF:VOLT:DC", "READ?")


@dataclass(frozen=True)
class Dialect:
    """Behaviour of one make of meter.

    Attributes:
        stands_for: kind of meter.
        requests: lines that together ask for volts; the last is answered.
        reads: line end that it needs.
        writes: line end that it sends.
        shows: its answer to the request.
        identity: its answer to `*IDN?`.
        unknown: answer to an unknown command; `queue` for an entry of its error queue.
        echoes: it repeats what it hears.
        prompt: text after each answer.
        local: it measures after `SYST:REM` alone.
        volts: volts that must be read.
    """

    stands_for: str
    requests: tuple[str, ...] = MEASURE
    reads: bytes = b"\n"
    writes: bytes = b"\n"
    shows: str = "+4.87100000E+00"
    identity: str = "RIVERBANK,BM-6,0017,1.04"
    unknown: str = "queue"
    echoes: bool = False
    prompt: str = ""
    local: bool = False
    volts: float = 4.871


DIALECTS = [
    Dialect("the standard: four fields, NR3, an error queue"),
    Dialect("a meter on RS-232 that ends lines with CR LF", writes=b"\r\n"),
    Dialect("a meter that ends lines with CR", writes=b"\r"),
    Dialect("a meter that waits for CR LF", reads=b"\r\n", writes=b"\r\n"),
    Dialect("a meter that waits for CR", reads=b"\r", writes=b"\r"),
    Dialect("a meter that is configured, then read", CONFIGURE),
    Dialect("the same without an error queue", CONFIGURE, unknown=""),
    Dialect("a two-display meter of the 1990s", ("MEAS1?",), unknown="", prompt="=>\r\n"),
    Dialect("the same, with a question mark at an error", ("MEAS1?",), unknown="?>", prompt="=>"),
    Dialect("a meter that gives the value of its first display", ("VAL1?",), unknown=""),
    Dialect("a meter that measures by itself and is only fetched", ("FETC?",)),
    Dialect("the same without an error queue", ("FETC?",), unknown=""),
    Dialect("a meter that answers an unknown command in words", CONFIGURE, unknown="ERROR"),
    Dialect("a meter that echoes", echoes=True),
    Dialect("a meter that echoes and prompts, for a terminal", echoes=True, prompt="> "),
    Dialect("an echo, CR alone and no queue", reads=b"\r", writes=b"\r\n", echoes=True, unknown=""),
    Dialect("a figure with its unit", shows="4.871 V"),
    Dialect("a figure with its unit and kind", shows="4.871 V DC"),
    Dialect("millivolts with their unit", shows="31.2mV", volts=0.0312),
    Dialect("microvolts with their unit", shows="-312.5 uV", volts=-0.0003125),
    Dialect("a figure with a prefix for its state", shows="NDCV+4.87100E+0"),
    Dialect("a space for the plus sign", shows=" 4.871E+00"),
    Dialect("an integer, NR1", shows="5", volts=5.0),
    Dialect("an identity of one field", identity="BM-6 rev C"),
    Dialect("an identity of two fields, in quotes", identity='"RIVERBANK","BM-6"'),
    Dialect("a meter that measures in remote mode alone", local=True),
    Dialect("remote mode and its own request", CONFIGURE, local=True),
]


class Machine:
    """A meter's answers to lines, without a port."""

    def __init__(self, dialect: Dialect) -> None:
        self.dialect = dialect
        self.errors: list[str] = []
        self.heard: list[str] = []
        self._held = b""
        self._configured = len(dialect.requests) == 1
        self._remote = not dialect.local

    def feed(self, octets: bytes) -> bytes:
        """Return what it sends for what it hears."""
        self._held += octets
        sent = b""
        while self.dialect.reads in self._held:
            line, self._held = self._held.split(self.dialect.reads, 1)
            text = line.decode("ascii").strip("\r\n")
            self.heard.append(text)
            if self.dialect.echoes:
                sent += line + self.dialect.writes
            answer = self._answer(text)
            sent += b"" if answer is None else answer.encode() + self.dialect.writes
            sent += self.dialect.prompt.encode()
        return sent

    def _answer(self, text: str) -> str | None:
        dialect = self.dialect
        if text == "*IDN?":
            return dialect.identity
        if text == "*CLS":
            self.errors.clear()
            return None
        if text == "SYST:ERR?" and dialect.unknown == "queue":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if text == "SYST:REM" and dialect.local:
            self._remote = True
            return None
        if text in dialect.requests:
            if not self._remote:
                self.errors.append('-203,"Command protected"')
                return None
            if text != dialect.requests[-1]:
                self._configured = True
                return None
            if self._configured:
                return dialect.shows
        if dialect.unknown == "queue":
            self.errors.append('-113,"Undefined header"')
            return None
        return dialect.unknown or None


class PtyMeter(OnAPty):
    """The machine on a serial line."""

    def __init__(self, folder: Path, dialect: Dialect) -> None:
        self.port = folder / "meter"
        self.machine = Machine(dialect)
        self.plug()

    def _run(self) -> None:
        while not self._done:
            if select.select([self._line], [], [], 0.01)[0]:
                os.write(self._line, self.machine.feed(os.read(self._line, 4096)))


@dataclass(frozen=True)
class Found:
    """Two readings of a meter, and the lines that the second one took."""

    first_v: float
    second_v: float
    asked: list[str]


def _read_twice(folder: Path, dialect: Dialect) -> Found:
    folder.mkdir()
    simulated = PtyMeter(folder, dialect)
    meter = ScpiMeter(str(simulated.port), timeouts=SHORT)
    try:
        first_v = meter.measure()
        simulated.machine.heard.clear()
        second_v = meter.measure()
        asked = [line for line in simulated.machine.heard if line and line != "SYST:ERR?"]
        return Found(first_v, second_v, asked)
    finally:
        meter.close()
        simulated.close()


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Future[Found]]]:
    """Readings of all meters, taken at the same time: each waits for answers that never come."""
    folder = tmp_path_factory.mktemp("meters")
    with ThreadPoolExecutor(len(DIALECTS)) as pool:
        yield [
            pool.submit(_read_twice, folder / str(place), dialect)
            for place, dialect in enumerate(DIALECTS)
        ]


@pytest.mark.parametrize("place", range(len(DIALECTS)), ids=[one.stands_for for one in DIALECTS])
def test_a_meter_is_read_in_its_dialect(readings: list[Future[Found]], place: int) -> None:
    """The first reading finds the dialect, the second asks in it at once."""
    dialect, found = DIALECTS[place], readings[place].result()
    assert (found.first_v, found.second_v) == (dialect.volts, dialect.volts)
    assert found.asked == list(dialect.requests)


def test_a_meter_that_measures_ohms_is_not_asked_in_other_dialects(tmp_path: Path) -> None:
    simulated = PtyMeter(tmp_path, Dialect("ohms", shows="1.2 kOhm"))
    meter = ScpiMeter(str(simulated.port), timeouts=SHORT)
    try:
        with pytest.raises(DriveFault, match="is not volts; set it to volts DC"):
            meter.measure()
        assert "READ?" not in simulated.machine.heard
    finally:
        meter.close()
        simulated.close()


def test_a_meter_without_any_answer_to_a_reading_is_reported(tmp_path: Path) -> None:
    simulated = PtyMeter(tmp_path, replace(DIALECTS[0], requests=("ANOTHER?",), unknown=""))
    meter = ScpiMeter(str(simulated.port), timeouts=SHORT)
    try:
        with pytest.raises(DriveFault, match="no reading; is it set to volts"):
            meter.measure()
    finally:
        meter.close()
        simulated.close()


def test_a_meter_is_read_over_tcp() -> None:
    """The same text over TCP, as bench meters offer it at port 5025."""
    machine = Machine(DIALECTS[0])
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            connection, _ = server.accept()
            with connection:
                while octets := connection.recv(4096):
                    connection.sendall(machine.feed(octets))

        thread = threading.Thread(target=serve)
        thread.start()
        meter = ScpiMeter(f"127.0.0.1:{server.getsockname()[1]}", timeouts=SHORT)
        assert meter.measure() == 4.871
        assert meter.measure() == 4.871
        meter.close()
        thread.join(10.0)
        assert not thread.is_alive()


def test_a_meter_that_ends_its_connection_is_reported_and_reached_again() -> None:
    machine = Machine(DIALECTS[0])
    with socket.create_server(("127.0.0.1", 0)) as server:
        meter = ScpiMeter(f"127.0.0.1:{server.getsockname()[1]}", timeouts=SHORT)

        def serve_once() -> None:
            connection, _ = server.accept()
            with connection:
                while "MEAS:VOLT:DC?" not in machine.heard:
                    connection.sendall(machine.feed(connection.recv(4096)))
                connection.sendall(machine.feed(connection.recv(4096)))
            machine.heard.clear()

        for _ in range(2):
            thread = threading.Thread(target=serve_once)
            thread.start()
            assert meter.measure() == 4.871
            thread.join(10.0)
            with pytest.raises(DriveFault, match="its connection ended"):
                meter.measure()
        meter.close()


def test_a_host_without_a_meter_is_reported() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    meter = ScpiMeter(f"127.0.0.1:{port}", timeouts=SHORT)
    with pytest.raises(DriveFault, match="no connection; is the meter on"):
        meter.measure()
