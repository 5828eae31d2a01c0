"""A virtual prop in another process, on real sockets; the sender is the sacn library's."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import sacn

from benchtest.errors import DriveFault
from benchtest.virtual.observer import Observation
from benchtest.virtual.remote_prop import RemoteProp, start_simulation
from tests.waiting import until

Packet = Callable[..., bytes]
SOON_S = 30.0
"""Longest wait for an event that takes milliseconds. [s]"""

PROP = """\
format = 1
name = "Tide arch"
[node]
kind = "ws2811-5v"
colour_order = "GRB"
[[strand]]
count = 4
nodes = 50
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "22 AWG"
[data]
path = "zigzag"
[[bus]]
name = "ridge"
joins = "A"
wire = "18 AWG"
spacing_mm = 40.0
[[feed]]
name = "main"
at = "ridge:1"
volts = 5.0
wire = "14 AWG"
length_mm = 500.0
[output]
universe = 5
"""
WHITE = {5: b"\xff" * 510, 6: b"\xff" * 90}
"""200 nodes: 170 of them in the first universe."""
SOUND = [Observation(strand, 1, 50, "ok") for strand in (1, 2, 3, 4)]


@pytest.fixture(scope="module")
def prop_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("props") / "arch.toml"
    path.write_text(PROP, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def running(prop_file: Path) -> Iterator[RemoteProp]:
    """One virtual prop that several tests send to, each as a sender of its own."""
    with start_simulation(prop_file, ["3A+=0.5"], seed=4) as prop:
        yield prop


class Sender:
    """A sender of packets built by the sacn library, with a socket of its own."""

    def __init__(self, prop: RemoteProp, packet: Packet, cid: bytes) -> None:
        self._to = (prop.host, prop.port)
        self._packet = packet
        self._cid = cid
        self._sequence = 0
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def send(self, universes: dict[int, bytes], **fields: Any) -> None:
        for universe, slots in universes.items():
            octets = self._packet(
                slots, universe=universe, cid=self._cid, sequence=self._sequence, **fields
            )
            self._socket.sendto(octets, self._to)
        self._sequence = (self._sequence + 1) % 256

    def raw(self, octets: bytes) -> None:
        self._socket.sendto(octets, self._to)

    def close(self) -> None:
        """End the stream, so that the next test starts with a dark prop."""
        for _ in range(3):
            self.send({5: b"", 6: b""}, streamTerminated=True)
        self._socket.close()


@pytest.fixture
def sender(
    running: RemoteProp, data_packet: Packet, request: pytest.FixtureRequest
) -> Iterator[Sender]:
    cid = request.node.name.encode().ljust(16, b".")[-16:]
    found = Sender(running, data_packet, cid)
    yield found
    found.close()


def test_it_gives_its_address(running: RemoteProp) -> None:
    assert running.target == f"e131:127.0.0.1:{running.port}"
    assert running.port > 0


def test_it_shows_the_frame_sent(running: RemoteProp, sender: Sender) -> None:
    sender.send(WHITE)
    until(lambda: running.look() == SOUND, SOON_S, "four sound strands")
    # 200 nodes of a nominal 0.8 + 3 × 12 mA or so; this unit's own value differs by some per cent
    assert running.state()["nodes_lit"] == 200
    bright_a = running.amps("main")
    sender.send({5: bytes(510), 6: bytes(90)})
    until(lambda: running.state()["nodes_lit"] == 0, SOON_S, "all dark again")
    assert running.amps("main") < 0.1 * bright_a


def test_colours_and_nodes_are_in_the_order_of_the_wire(
    running: RemoteProp, sender: Sender
) -> None:
    # data run up strand 1 and down strand 2: slot 151 is its node 50, green first by the file
    sender.send({5: bytes(150) + b"\xff\x00\x00" + bytes(357), 6: bytes(90)})
    until(
        lambda: running.look() == [Observation(2, 50, 50, "ok")],
        SOON_S,
        "one node at the far end of strand 2",
    )


def test_a_meter_reads_the_bad_joint(running: RemoteProp, sender: Sender) -> None:
    sender.send(WHITE)
    until(lambda: running.state()["nodes_lit"] == 200, SOON_S, "all lit")
    bad = running.measure("ridge:3+>3A+")
    assert bad == pytest.approx(0.5 * running.amps("main") / 4, rel=0.1)
    assert abs(running.measure("ridge:2+>2A+")) < 0.05


def test_the_end_of_the_stream_darkens_it_at_once(running: RemoteProp, sender: Sender) -> None:
    sender.send(WHITE)
    until(lambda: running.state()["nodes_lit"] == 200, SOON_S, "all lit")
    lost = running.state()["packets"].get("data lost", 0)
    sender.send(WHITE, streamTerminated=True)
    until(lambda: running.state()["nodes_lit"] == 0, SOON_S, "dark")
    assert running.state()["packets"].get("data lost", 0) == lost  # not by the timeout


def test_silence_darkens_it(running: RemoteProp, sender: Sender) -> None:
    sender.send(WHITE)
    until(lambda: running.state()["nodes_lit"] == 200, SOON_S, "all lit")
    lost = running.state()["packets"].get("data lost", 0)
    until(lambda: running.state()["nodes_lit"] == 0, SOON_S, "dark")
    assert running.state()["packets"]["data lost"] == lost + 2  # one for each universe


def test_the_librarys_own_sender_is_accepted(prop_file: Path) -> None:
    # it sends to port 5568 only; an address of our own keeps the port free for others
    process = _simulate(prop_file, "--host", "127.0.0.56", "--port", "5568")
    port = _first_line(process)["listening"]["control_port"]
    library = sacn.sACNsender(
        bind_address="127.0.0.1",
        bind_port=0,
        source_name="library",
        cid=tuple(range(1, 17)),
        universeDiscovery=False,
    )
    library.start()
    try:
        for universe, slots in WHITE.items():
            library.activate_output(universe)
            library[universe].destination = "127.0.0.56"
            library[universe].dmx_data = slots
        until(lambda: bool(_ask(port, {"state": True})["nodes_lit"] == 200), SOON_S, "all lit")
        assert _ask(port, {"state": True})["sources"] == [{"name": "library", "priority": 100}]
        for universe in WHITE:
            library.deactivate_output(universe)
        until(
            lambda: bool(_ask(port, {"state": True})["nodes_lit"] == 0), SOON_S, "dark at the end"
        )
    finally:
        library.stop()
        _ask(port, {"stop": True})
    assert process.communicate(timeout=SOON_S) == ("", "")
    assert process.returncode == 0


def test_noise_on_the_port_is_counted_and_has_no_effect(
    running: RemoteProp, sender: Sender, data_packet: Packet
) -> None:
    sender.send(WHITE)
    until(lambda: running.state()["nodes_lit"] == 200, SOON_S, "all lit")
    before = sum(running.state()["packets"].values())
    whole = data_packet(b"\xff" * 512, universe=5)
    bad = [whole[:length] for length in range(0, 638, 29)] + [os.urandom(900), b"", b"\x00" * 65507]
    for octets in bad:
        sender.raw(octets)
    until(
        lambda: sum(running.state()["packets"].values()) >= before + len(bad),
        SOON_S,
        "all of it counted",
    )
    assert running.look() == SOUND


@pytest.mark.parametrize(
    ("question", "says"),
    [
        ({"measure": "9A"}, "strands 1 to 4"),
        ({"measure": ""}, "no place"),
        ({"amps": "mani"}, "is not a feed"),
        ({"repair": "9A+"}, "no joint"),
        ({"fault": "9A+=1"}, "no joint"),
        ({"open": True}, "give measure"),
        ({"measure": 4}, "give measure"),
        ({}, "one key"),
        ([1], "one JSON object"),
    ],
)
def test_an_invalid_request_is_answered_with_an_error(
    running: RemoteProp, question: object, says: str
) -> None:
    with socket.create_connection((running.host, running.control_port)) as control:
        file = control.makefile("rwb")
        file.write(json.dumps(question).encode() + b"\n" + b"\xff{\n" + b'{"state": true}\n')
        file.flush()
        assert says in json.loads(file.readline())["error"]
        assert json.loads(file.readline()) == {"error": "not JSON"}
        assert "packets" in json.loads(file.readline())
        file.close()


def test_a_flooding_client_is_dropped_and_others_are_answered(running: RemoteProp) -> None:
    with socket.create_connection((running.host, running.control_port), timeout=SOON_S) as control:
        control.sendall(b"x" * 100_000)
        with pytest.raises((ConnectionError, StopIteration)):
            next(iter(lambda: control.recv(1024), b""))
    assert running.look() == []


def test_an_invalid_request_raises_our_error(running: RemoteProp) -> None:
    with pytest.raises(DriveFault, match="strands 1 to 4"):
        running.measure("9A")


def test_a_repair_heals_it_until_the_next_fault(prop_file: Path) -> None:
    with start_simulation(prop_file, ["3A+=0.5"], seed=4) as prop:
        assert prop.repair("2A+") is False
        assert prop.repair("3A+") is True
        assert prop.repair("3A+") is False
        with socket.create_connection((prop.host, prop.control_port), timeout=SOON_S) as control:
            control.sendall(b'{"fault": "3A+=open"}\n')
            assert json.loads(control.makefile("rb").readline()) == {"fault": "3A+=open"}
        assert prop.repair("3A+") is True


def test_one_seed_reads_the_same_in_two_processes(prop_file: Path) -> None:
    readings = []
    for _ in range(2):
        with start_simulation(prop_file, ["3A+=0.5"], seed=9, meter="0.8%+5/2000") as prop:
            readings.append([prop.measure(probe) for probe in ("1B", "3A", "ridge:3+>3A+")])
    assert readings[0] == readings[1]


def test_a_failed_start_gives_the_reason(prop_file: Path, tmp_path: Path) -> None:
    with pytest.raises(DriveFault, match="no joint"):
        start_simulation(prop_file, ["9A+=0.5"])
    with pytest.raises(DriveFault, match="no such file"):
        start_simulation(tmp_path / "none.toml")


def test_it_does_not_answer_after_its_end(prop_file: Path) -> None:
    prop = start_simulation(prop_file)
    prop.stop()
    prop.stop()
    with pytest.raises(DriveFault, match="no longer answers"):
        prop.measure("1A")


def test_it_ends_with_the_program_that_started_it(prop_file: Path) -> None:
    # even if that program is killed and can signal nothing
    script = (
        "import sys; from pathlib import Path;"
        "from benchtest.virtual.remote_prop import start_simulation;"
        f"prop = start_simulation(Path({str(prop_file)!r}));"
        "print(prop.control_port, flush=True); sys.stdin.read()"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    port = int(parent.stdout.readline())
    assert _hears(port)
    parent.kill()
    parent.wait()
    assert parent.stdin is not None
    parent.stdin.close()
    parent.stdout.close()
    until(lambda: not _hears(port), SOON_S, "the simulation ends too")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_cleanly(prop_file: Path, number: signal.Signals) -> None:
    process = _simulate(prop_file, "--port", "0")
    assert "listening" in _first_line(process)
    process.send_signal(number)
    out, err = process.communicate(timeout=SOON_S)
    assert (process.returncode, out, err) == (0, "", "")


def test_a_port_in_use_is_named(prop_file: Path, running: RemoteProp) -> None:
    process = _simulate(prop_file, "--port", str(running.port))
    out, err = process.communicate(timeout=SOON_S)
    assert (process.returncode, out) == (1, "")
    assert f"127.0.0.1:{running.port}" in err
    assert "--port" in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("host", "says"),
    [
        ("203.0.113.9", "address of this machine"),  # reserved for documentation: RFC 5737
        ("nowhere.invalid", "--host"),  # never a host: RFC 2606
    ],
)
def test_an_address_of_another_machine_is_named(prop_file: Path, host: str, says: str) -> None:
    process = _simulate(prop_file, "--port", "0", "--host", host)
    out, err = process.communicate(timeout=SOON_S)
    assert (process.returncode, out) == (1, "")
    assert host in err
    assert says in err
    assert "Traceback" not in err


def _simulate(prop_file: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "benchtest", "simulate", str(prop_file), *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def _first_line(process: subprocess.Popen[str]) -> dict[str, Any]:
    assert process.stdout is not None
    found: dict[str, Any] = json.loads(process.stdout.readline())
    return found


def _ask(port: int, question: dict[str, Any]) -> dict[str, Any]:
    with socket.create_connection(("127.0.0.1", port), timeout=SOON_S) as control:
        control.sendall(json.dumps(question).encode() + b"\n")
        with control.makefile("rb") as file:
            answer: dict[str, Any] = json.loads(file.readline())
    return answer


def _hears(port: int) -> bool:
    try:
        _ask(port, {"state": True})
    except (OSError, ValueError):
        return False
    return True


def test_options_set_the_network_impairment(prop_file: Path) -> None:
    words = [sys.executable, "-m", "benchtest", "simulate", str(prop_file), "--port", "0"]
    for more, said in [
        (["--lose", "1.5"], "--lose 1.5: give a share of the packets, 0 to 1"),
        (["--delay-ms", "9000"], "--delay-ms 9000: give 0 to 2000"),
    ]:
        done = subprocess.run([*words, *more], capture_output=True, text=True, check=False)
        assert done.returncode == 2
        assert said in done.stderr
