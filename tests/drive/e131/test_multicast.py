"""Multicast in a network namespace with only a loopback: nothing leaves this machine."""

from __future__ import annotations

import sys
from importlib.resources import files
from pathlib import Path

from tests.drive.alone import MULTICAST, alone, python_alone

HEAR = """
import socket, sys
from uuid import uuid4
import numpy as np
from benchtest.drive.e131.driver import E131Driver, SourceSettings
from benchtest.prop.reader import parse_design

design = parse_design(open(sys.argv[1]).read(), "prop")
ears = {}
for universe in (1, 2, 3):
    ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    ear.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    ear.bind((f"239.255.0.{universe}", 5568))
    group = socket.inet_aton(f"239.255.0.{universe}") + socket.inet_aton("127.0.0.1")
    ear.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, group)
    ear.settimeout(5.0)
    ears[universe] = ear
driver = E131Driver(design, SourceSettings(uuid4(), interface="127.0.0.1"))
print(driver.open())
driver.show(np.full((design.node_count, 3), 7, dtype=np.uint8))
driver.close()
assert driver.status().errors == 0
for universe, ear in ears.items():
    packets = [ear.recv(1000) for _ in range(5)]
    assert {int.from_bytes(p[113:115], "big") for p in packets} == {universe}
    assert [p[112] for p in packets] == [0, 0, 64, 64, 64]
    assert packets[0][126:129] == bytes([7, 7, 7])
    ear.close()
print("heard")
"""

CAPTURED = """
import os, socket, subprocess, sys
from tests.waiting import until
prop, capture = sys.argv[1:]
marks = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

def size():
    return os.path.getsize(capture) if os.path.exists(capture) else 0

def caught_up():
    # what is no E1.31 is sent until it stands in the file: what went before it does too
    before = size()
    def grown():
        marks.sendto(b"mark", ("127.0.0.1", 9))
        return size() > before
    until(grown)

shark = subprocess.Popen(
    ["tshark", "-q", "-i", "lo", "-w", capture], stderr=subprocess.PIPE, encoding="utf-8")
for line in shark.stderr:
    if "Capturing" in line:
        break
caught_up()  # it says so a little before it does
done = subprocess.run([sys.executable, "-m", "benchtest", "--bench", capture + ".bench", "drive",
                       prop, "by-strand", "--to", "e131", "--sync", "--seconds", "0.5"])
caught_up()
shark.terminate()
shark.communicate()
marks.close()
raise SystemExit(done.returncode)
"""

OTHER = """
import os, select, socket, subprocess, sys
from sacn.messages.data_packet import DataPacket

def packet(universe, sequence, priority, ended=False):
    made = DataPacket(tuple(range(16)), "Pier lights", universe, (0,) * 512, priority, sequence,
                      streamTerminated=ended)
    return bytes(made.getBytes())

out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
out.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
drive = subprocess.Popen(
    [sys.executable, "-m", "benchtest", "--bench", sys.argv[2], "drive", sys.argv[1], "by-strand",
     "--to", "e131", "--seconds", "3"],
    stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
os.set_blocking(drive.stdout.fileno(), False)
said = b""
sequence = 0
while drive.poll() is None:
    lit = b"Strand" in said
    for universe in (3, 9):  # universe 9 is not the prop's
        if not lit or universe == 9:
            out.sendto(packet(universe, sequence % 256, 150), (f"239.255.0.{universe}", 5568))
    if lit:
        out.sendto(packet(3, sequence % 256, 150, ended=True), ("239.255.0.3", 5568))
    sequence += 1
    if select.select([drive.stdout], [], [], 0.1)[0]:
        said += drive.stdout.read() or b""
said += drive.stdout.read() or b""
out.close()
drive.stdout.close()
print(drive.returncode, said.decode())
"""

TROUBLE = """
import subprocess, sys
from uuid import uuid4
import numpy as np
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.e131.driver import E131Driver, SourceSettings
from benchtest.prop.reader import parse_design
from tests.waiting import until

design = parse_design(open(sys.argv[1]).read(), "prop")
driver = E131Driver(design, SourceSettings(uuid4()))
with FrameClock(driver, design.node_count, 3).start() as clock:
    until(lambda: clock.status().packets > 9)
    assert clock.status().trouble is None
    subprocess.run(["ip", "route", "del", "239.0.0.0/8", "dev", "lo"], check=True)
    clock.show(np.full((design.node_count, 3), 9, dtype=np.uint8))
    until(lambda: clock.status().trouble is not None)
    print(clock.status().trouble)
    frames, packets = clock.status().frames, clock.status().packets
    until(lambda: clock.status().frames > frames + 2)  # it goes on trying
    assert clock.status().packets == packets
    subprocess.run(["ip", "route", "add", "239.0.0.0/8", "dev", "lo"], check=True)
    until(lambda: clock.status().trouble is None)
    until(lambda: clock.status().packets > packets + 3)
    print("resumed")
"""


def _prop() -> str:
    return str(files("benchtest.virtual").joinpath("willow-fan.toml"))


def test_each_universe_goes_to_its_own_group() -> None:
    assert python_alone(HEAR, _prop()).splitlines() == [
        "E1.31 multicast, universes 1-3, from 127.0.0.1",
        "heard",
    ]


def test_a_machine_without_a_network_is_reported_before_any_light() -> None:
    done = alone(
        sys.executable, "-m", "benchtest", "drive", _prop(), "by-strand", "--to", "e131",
        "--seconds", "1",
    )  # fmt: skip
    assert done.returncode == 1
    assert "no network leads there" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_lost_network_is_reported_and_driving_resumes_with_it() -> None:
    said, resumed = python_alone(TROUBLE, _prop()).splitlines()
    assert said == "e131: no network leads there; check cable and address; still trying"
    assert resumed == "resumed"


def test_another_source_and_its_effect_are_reported_before_any_light(tmp_path: Path) -> None:
    first, *rest = python_alone(OTHER, _prop(), str(tmp_path / "bench")).splitlines()
    # ANSI E1.31-2018, 6.2.3: priority 150 wins over the test's 100
    assert first == (
        "0 benchtest: Pier lights (127.0.0.1) sends universe 3 at priority 150: it controls "
        "universe 3: the prop shows its frames, not the test's"
    )
    assert rest[:2] == [
        "Strand 1 alone",
        "benchtest: Pier lights (127.0.0.1) has stopped sending",
    ]
    assert not any("Pier" in line for line in rest[2:])


def _fields(capture: Path, display: str, *fields: str) -> list[list[str]]:
    """Return the fields of the captured packets, as tshark decodes them."""
    done = alone(
        "tshark", "-r", str(capture), "--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE",
        "-Y", display, "-T", "fields", "-E", "separator=|",
        *(word for field in fields for word in ("-e", field)),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return [line.split("|") for line in done.stdout.splitlines()]


def test_tshark_decodes_a_session_by_the_standard(tmp_path: Path) -> None:
    """A capture of the loopback: addresses and ports come from the system."""
    capture = tmp_path / "lo.pcapng"
    python_alone(CAPTURED, _prop(), str(capture), setup=MULTICAST)
    rows = _fields(
        capture, "acn.dmx.universe", "acn.dmx.universe", "ip.dst", "udp.dstport", "ip.ttl",
        "acn.dmx.seq_number", "acn.dmx.priority", "acn.dmx.source_name", "acn.cid", "udp.srcport",
        "acn.dmx.options", "_ws.malformed", "_ws.expert.message",
    )  # fmt: skip
    assert {row[0] for row in rows} == {"1", "2", "3"}
    for universe, group, port, ttl, *_ in rows:
        assert group == f"239.255.0.{universe}"  # 9.3.1
        assert (port, ttl) == ("5568", "8")
    assert len({(row[7], row[8]) for row in rows}) == 1  # one CID, one port
    assert {(row[5], row[6]) for row in rows} == {("100", "benchtest")}
    assert not any(row[10] or row[11] for row in rows)
    for number in ("1", "2", "3"):
        own = [row for row in rows if row[0] == number]
        assert [int(row[4]) for row in own] == list(range(len(own)))  # 6.2.5
        options = [int(row[9], 0) for row in own]
        # 6.2.6: force synchronization all along, stream terminated three times at the end
        assert options == [0x20] * (len(own) - 3) + [0x60] * 3
    _check_other_packets(capture, len(rows) // 3 - 3)


def _check_other_packets(capture: Path, frames: int) -> None:
    """Return synchronization and discovery packets, which tshark shows as octets only."""
    rows = _fields(capture, "udp.dstport == 5568", "ip.dst", "udp.payload")
    packets = [(group, bytes.fromhex(octets)) for group, octets in rows]
    syncs = [(group, octets) for group, octets in packets if len(octets) == 49]
    assert {group for group, _ in syncs} == {"239.255.0.1"}  # 6.3.3.1: the address's own group
    assert [octets[44] for _, octets in syncs] == list(range(frames))  # one for each frame
    lists = [octets for group, octets in packets if group == "239.255.250.214"]  # 64214
    # at the start what is sent, at the end that nothing is (4.3); universe 1 once, though it is
    # the synchronization address too
    assert [octets[112:] for octets in lists] == [
        bytes.fromhex("700e 00000001 00 00 0001 0002 0003"),
        bytes.fromhex("7008 00000001 00 00"),
    ]
    assert all(octets[16:22] == _extended(len(octets)) for octets in lists)


def _extended(length: int) -> bytes:
    """Check root flags and length, and the vector of extended packets (5.4, 5.5)."""
    return (0x7000 | (length - 16)).to_bytes(2, "big") + bytes.fromhex("00000008")
