"""Art-Net on real UDP: synchronization, the end, settings, and controllers that answer."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from dataclasses import replace
from uuid import uuid4

import numpy as np
import pytest

from benchtest.drive.driver import Driver
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.target import driver_for, parse_target
from benchtest.errors import InputError
from benchtest.prop.design import Design, NodeRun, Output
from tests.drive.alone import python_alone

MakeFan = Callable[..., Design]


@pytest.fixture
def ear() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as opened:
        opened.bind(("127.0.0.1", 0))
        opened.settimeout(5.0)
        yield opened


def _driver(design: Design, ear: socket.socket, settings: str = "") -> Driver:
    target = parse_target(f"artnet:127.0.0.1:{ear.getsockname()[1]} {settings}")
    return driver_for(target, design, SourceSettings(uuid4()))


def _op_codes(packets: list[bytes]) -> list[int]:
    return [int.from_bytes(packet[8:10], "little") for packet in packets]


def test_sync_follows_all_universes_of_a_frame(make_fan: MakeFan, ear: socket.socket) -> None:
    driver = _driver(make_fan(4, 50), ear, "sync")
    assert driver.open().unusual == "sync"
    driver.show(np.full((200, 3), 9, dtype=np.uint8))
    packets = [ear.recv(1500) for _ in range(3)]
    assert _op_codes(packets) == [0x5000, 0x5000, 0x5200]
    assert [packet[14] for packet in packets[:2]] == [1, 2]
    driver.close()
    # no packet ends a stream, so the dark frame is sent three times, each with its sync
    packets = [ear.recv(1500) for _ in range(9)]
    assert _op_codes(packets) == [0x5000, 0x5000, 0x5200] * 3
    assert not any(any(packet[18:]) for packet in packets)


def test_a_prop_begins_at_its_channel(make_fan: MakeFan, ear: socket.socket) -> None:
    driver = _driver(make_fan(1, 2), ear, "universe=12,channel=4")
    info = driver.open()
    assert info.where == "Art-Net 127.0.0.1, universe 12"
    assert info.unusual == "at universe=12,channel=4"
    driver.show(np.full((2, 3), 9, dtype=np.uint8))
    packet = ear.recv(1500)
    assert packet[12:18] == bytes([1, 0, 12, 0, 0, 10])  # nine slots, and one to be even
    assert packet[18:] == bytes([0, 0, 0, *[9] * 6, 0])
    driver.close()


def test_outputs_with_a_host_go_to_it(make_fan: MakeFan, ear: socket.socket) -> None:
    outputs = (
        Output(1, 1, (NodeRun(1, 1, 5),)),
        Output(1, 1, (NodeRun(2, 1, 5),), host="127.0.0.2"),
    )
    fan = replace(make_fan(2, 5), outputs=outputs)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.2", ear.getsockname()[1]))
        other.settimeout(5.0)
        driver = _driver(fan, ear)
        driver.open()
        frame = np.zeros((10, 3), dtype=np.uint8)
        frame[:5], frame[5:] = 7, 8
        driver.show(frame)
        assert set(ear.recv(1500)[18:33]) == {7}
        assert set(other.recv(1500)[18:33]) == {8}
        driver.close()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("artnet", "--controllers finds them"),
        ("artnet:", "--controllers finds them"),
        ("artnet:::1", "in brackets"),
        ("artnett:127.0.0.1", 'did you mean "artnet"'),
    ],
)
def test_an_invalid_target_is_explained(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_target(text)


@pytest.mark.parametrize("text", ["artnet:127.0.0.1", "artnet:127.0.0.1:7000", "artnet:[::1]"])
def test_a_target_is_written_as_it_is_read(text: str) -> None:
    assert str(parse_target(text)) == text
    assert parse_target(f"{text} fps=20,sync").settings.fps == 20


def test_a_priority_is_refused(make_fan: MakeFan) -> None:
    target = parse_target("artnet:127.0.0.1 priority=150,sync")
    with pytest.raises(InputError, match="Art-Net has no priority"):
        driver_for(target, make_fan(1, 2), SourceSettings(uuid4()))


ASKED = r'''
import socket, subprocess, sys, threading
from tests.outside.test_artnet_packets import reply

network = """ip link add garden type veth peer name hedge; ip link set hedge up
ip addr add 192.0.2.5/24 brd + dev garden; ip addr add 192.0.2.9/24 dev garden
ip link set garden up"""
subprocess.run(["sh", "-c", network], check=True)

def answer(heard, speaks):
    octets, sender = heard.recvfrom(100)
    assert octets == b"Art-Net\0\x00\x20\x00\x0e\0\0", octets
    # a controller with many ports sends an answer for each group of them
    speaks.sendto(reply(), sender)
    speaks.sendto(b"noise", sender)
    speaks.sendto(reply(sub=b"\x03", bind_index=b"\x02"), sender)
    heard.close()
    speaks.close()

def controller(listens_at, address):
    heard = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    heard.bind((listens_at, 6454))
    speaks = heard
    if listens_at != address:
        speaks = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        speaks.bind((address, 6454))
    threading.Thread(target=answer, args=(heard, speaks), daemon=True).start()

def ask(*words):
    done = subprocess.run([sys.executable, "-m", "benchtest", "drive", "--controllers", *words],
                          capture_output=True, text=True)
    print(done.returncode, done.stdout.strip(), done.stderr.strip())

controller("127.0.0.2", "127.0.0.2")
ask("--to", "artnet:127.0.0.2")
controller("192.0.2.255", "192.0.2.9")
ask("--json")
'''


def test_controllers_answer_by_address_and_by_broadcast() -> None:
    """A network of its own: nothing leaves this machine."""
    one, every = python_alone(ASKED).splitlines()
    assert one.strip() == "0 artnet:127.0.0.2  Pier node, 4 ports, universes 300-301, 316-317"
    code, _, found = every.partition(" ")
    assert code == "0"
    assert json.loads(found)["controllers"] == [
        {"to": "artnet:192.0.2.9", "name": "Pier node, 4 ports", "universes": [300, 301, 316, 317]}
    ]
