"""Our DDP packets, octet for octet, and their place in a controller's frame buffer.

Source of all fields: Distributed Display Protocol (DDP) Specification, 3waylabs, version 1, "Packet
Format". Expected octets were written by hand from that table. tshark has no dissector for this
protocol (its `ddp` is another one, of AppleTalk), so there is no second decoder here.
"""

from __future__ import annotations

import socket
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from uuid import uuid4

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.drive.ddp.driver import Packet, sequence_numbers
from benchtest.drive.driver import Driver
from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.target import driver_for, parse_target
from benchtest.drive.universe_layout import OctetLayout, OctetRun
from benchtest.errors import DriveFault, InputError
from benchtest.prop.design import Design, NodeRun, Output

MakeFan = Callable[..., Design]


def test_a_worked_packet() -> None:
    packet = Packet(OctetRun(1440, 6), "RGB", push=True)
    packet.fill(b"\x11\x22\x33\x44\x55\x66")
    assert bytes(packet.next()).hex(" ") == (
        "41 "  # version 1 (01), no timecode, storage, reply or query; push
        "01 "  # sequence 1
        "0b "  # standard type 001, RGB; 3, 8 bits for each colour
        "01 "  # default output device
        "00 00 05 a0 "  # offset 1440, high octet first
        "00 06 "  # length
        "11 22 33 44 55 66"
    )


# field: first octet, number of octets, value, of the second packet of 1440 octets of four colours
FIELDS = {
    "flags": (0, 1, 0b0100_0000),
    "sequence": (1, 1, 2),
    "data type": (2, 1, 0b0001_1011),
    "destination": (3, 1, 1),
    "offset": (4, 4, 0x01020304),
    "length": (8, 2, 1440),
}


@pytest.mark.parametrize("field", FIELDS)
def test_each_field_of_the_header(field: str) -> None:
    octet, size, value = FIELDS[field]
    packet = Packet(OctetRun(0x01020304, 1440), "RGBW")
    packet.next()
    octets = bytes(packet.next())
    assert int.from_bytes(octets[octet : octet + size], "big") == value
    assert len(octets) == 10 + 1440


@pytest.mark.parametrize("order", ["GRB", "BGRW", "W", ""])
def test_another_order_of_colours_is_undefined(order: str) -> None:
    assert Packet(OctetRun(0, 3), order).next()[2] == 0


def test_the_sequence_is_1_to_15_over_all_packets_and_never_0() -> None:
    numbers = sequence_numbers()
    packets = [Packet(OctetRun(at, 3), numbers=numbers) for at in (0, 3)]
    found = [packet.next()[1] for _ in range(16) for packet in packets]
    assert found == [*range(1, 16), *range(1, 16), 1, 2]


def test_tshark_has_no_dissector_for_it() -> None:
    done = subprocess.run(["tshark", "-G", "protocols"], capture_output=True, text=True, check=True)
    names = [row.split("\t")[0] for row in done.stdout.splitlines()]
    assert "Datagram Delivery Protocol" in names
    assert not any("Distributed Display" in name for name in names)


@dataclass
class Decoded:
    """One packet by the table."""

    push: bool
    sequence: int
    offset: int
    data: bytes


def _decode(octets: bytes) -> Decoded:
    assert octets[0] & 0xFE == 0x40
    assert int.from_bytes(octets[8:10], "big") == len(octets) - 10
    offset = int.from_bytes(octets[4:8], "big")
    return Decoded(bool(octets[0] & 1), octets[1], offset, octets[10:])


@pytest.fixture
def ear() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as opened:
        opened.bind(("127.0.0.1", 0))
        opened.settimeout(5.0)
        yield opened


def _driver(design: Design, ear: socket.socket, settings: str = "") -> Driver:
    target = parse_target(f"ddp:127.0.0.1:{ear.getsockname()[1]} {settings}")
    return driver_for(target, design, SourceSettings(uuid4()))


def test_a_frame_is_full_packets_and_a_push_with_the_last(
    make_fan: MakeFan, ear: socket.socket
) -> None:
    driver = _driver(make_fan(10, 100), ear)  # 3000 octets
    info = driver.open()
    assert (info.where, info.unusual) == ("DDP 127.0.0.1, octets 0-2999", "")
    frame = np.arange(3000, dtype=np.uint16).astype(np.uint8).reshape(1000, 3)
    driver.show(frame)
    driver.show(frame)
    packets = [_decode(ear.recv(2000)) for _ in range(6)]
    assert [p.push for p in packets] == [False, False, True] * 2
    assert [p.sequence for p in packets] == [1, 2, 3, 4, 5, 6]
    assert [(p.offset, len(p.data)) for p in packets[:3]] == [(0, 1440), (1440, 1440), (2880, 120)]
    driver.close()
    # no packet ends a stream, so the dark frame is sent three times
    dark = [_decode(ear.recv(2000)) for _ in range(9)]
    assert not any(any(p.data) for p in dark)
    assert [p.push for p in dark] == [False, False, True] * 3


@pytest.mark.parametrize(
    ("place", "offset"),
    [
        ("universe=1,channel=4", 3),
        # whole nodes: 510 of 512 slots
        ("universe=12,channel=340", 11 * 510 + 339),
        ("universe=3,channel=1,slots=512,packed=true", 2 * 512),
        ("universe=3,channel=1,slots=100", 2 * 99),
    ],
)
def test_a_prop_begins_at_the_octet_of_its_place(
    make_fan: MakeFan, ear: socket.socket, place: str, offset: int
) -> None:
    driver = _driver(make_fan(1, 2), ear, place)
    info = driver.open()
    assert info.where == f"DDP 127.0.0.1, octets {offset}-{offset + 5}"
    assert info.unusual == f"at {place}"
    driver.show(np.full((2, 3), 9, dtype=np.uint8))
    packet = _decode(ear.recv(2000))
    assert (packet.push, packet.offset, packet.data) == (True, offset, b"\x09" * 6)
    driver.close()


def test_outputs_with_a_host_go_to_it_each_with_its_push(
    make_fan: MakeFan, ear: socket.socket
) -> None:
    outputs = (
        Output(1, 1, (NodeRun(1, 1, 5),)),
        Output(1, 1, (NodeRun(2, 1, 5),), host="127.0.0.2", null_nodes=2, group=5),
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
        one, two = _decode(ear.recv(2000)), _decode(other.recv(2000))
        assert (one.push, one.sequence, one.data) == (True, 1, bytes([7] * 15))
        # two null nodes, then one address that lights five nodes
        assert (two.push, two.sequence, two.data) == (True, 1, bytes(6) + bytes([8] * 3))
        driver.close()


def test_outputs_in_a_row_share_packets_and_distant_ones_do_not(make_fan: MakeFan) -> None:
    fan = make_fan(3, 170)
    runs = [(NodeRun(number, 1, 170),) for number in (1, 2, 3)]
    row = tuple(Output(number, 1, run) for number, run in enumerate(runs, 1))
    assert OctetLayout(replace(fan, outputs=row)).slices == [OctetRun(0, 1440), OctetRun(1440, 90)]
    apart = (*row[:2], replace(row[2], universe=9))
    layout = OctetLayout(replace(fan, outputs=apart))
    assert layout.slices == [OctetRun(0, 1020), OctetRun(8 * 510, 510)]
    frame = np.zeros((510, 3), dtype=np.uint8)
    frame[340:] = 5
    assert [set(part) for part in layout.slots(frame)] == [{0}, {5}]


def test_outputs_that_overlap_without_universes_are_refused(make_fan: MakeFan) -> None:
    """171 nodes are octets 0 to 512; by universes the second output would begin after them."""
    outputs = (
        Output(1, 1, (NodeRun(1, 1, 171),), slots=512, packed=True),
        Output(2, 3, (NodeRun(2, 1, 171),)),
    )
    with pytest.raises(InputError, match=r"output\[2\]: uses octet 512 .* output 1 does"):
        OctetLayout(replace(make_fan(2, 171), outputs=outputs))


@settings(max_examples=50, deadline=None)
@given(
    nodes=st.integers(1, 900),
    null_nodes=st.integers(0, 50),
    group=st.integers(1, 7),
    universe=st.integers(1, 63000),
    channel=st.integers(1, 100),
)
def test_every_channel_is_where_the_rule_puts_it(
    make_fan: MakeFan, nodes: int, null_nodes: int, group: int, universe: int, channel: int
) -> None:
    """Node by node: (universe - 1) x 510 + channel - 1, then three octets for each address."""
    output = Output(universe, channel, (), null_nodes=null_nodes, group=group)
    fan = replace(make_fan(1, nodes), outputs=(output,))
    frame = np.repeat(np.arange(nodes) // group % 251 + 1, 3).astype(np.uint8).reshape(nodes, 3)
    layout = OctetLayout(fan)
    buffer: dict[int, int] = {}
    for run, data in zip(layout.slices, layout.slots(frame), strict=True):
        assert len(data) == run.count <= 1440
        buffer |= {run.offset + at: level for at, level in enumerate(bytes(data))}
    begin = (universe - 1) * 510 + channel - 1
    for node in range(nodes):
        at = begin + (null_nodes + node // group) * 3
        assert [buffer[at + colour] for colour in range(3)] == [node // group % 251 + 1] * 3
    assert min(buffer) == begin


@pytest.mark.parametrize("text", ["ddp:127.0.0.1", "ddp:127.0.0.1:7000", "ddp:[::1]"])
def test_a_target_is_written_as_it_is_read(text: str) -> None:
    assert str(parse_target(text)) == text
    assert parse_target(f"{text} fps=20,interface=127.0.0.1").settings.fps == 20


@pytest.mark.parametrize("text", ["ddp", "ddp:", "ddp:::1"])
def test_an_invalid_target_is_explained(text: str) -> None:
    with pytest.raises(InputError, match="write ddp:HOST"):
        parse_target(text)


def test_every_setting_that_it_does_not_have_is_refused(make_fan: MakeFan) -> None:
    target = parse_target("ddp:192.0.2.7 priority=150,sync,fps=20")
    with pytest.raises(InputError) as caught:
        driver_for(target, make_fan(1, 2), SourceSettings(uuid4()))
    assert str(caught.value).splitlines() == [
        "ddp:192.0.2.7: DDP has no priority; leave priority out, or use e131",
        "ddp:192.0.2.7: DDP needs no packets for that, since the last of a frame shows all of it; "
        "leave sync out, or use e131",
    ]


@pytest.mark.parametrize(
    ("kind", "words"), [("ddp", ""), ("e131", ", or e131 alone for multicast")]
)
def test_an_unknown_host_gets_advice_that_fits(make_fan: MakeFan, kind: str, words: str) -> None:
    # a label of more than 63 octets is not a host name (RFC 1035, 2.3.4): no server is asked
    target = parse_target(f"{kind}:{'x' * 64}")
    driver = driver_for(target, make_fan(1, 2), SourceSettings(uuid4()))
    with pytest.raises(DriveFault, match=rf"; give its address{words}$"):
        driver.open()


def test_packets_leave_from_the_chosen_interface(make_fan: MakeFan, ear: socket.socket) -> None:
    for kind in ("ddp", "artnet", "e131"):
        port = ear.getsockname()[1]
        target = parse_target(f"{kind}:127.0.0.1:{port} interface=127.0.0.5")
        driver = driver_for(target, make_fan(1, 2), SourceSettings(uuid4()))
        assert driver.open().unusual == "from 127.0.0.5"
        driver.show(np.zeros((2, 3), dtype=np.uint8))
        _, sender = ear.recvfrom(2000)
        assert sender[0] == "127.0.0.5"
        driver.close()
        ear.settimeout(0.2)
        while True:
            try:
                ear.recv(2000)
            except TimeoutError:
                break


def test_an_interface_of_another_machine_is_explained(
    make_fan: MakeFan, ear: socket.socket
) -> None:
    driver = _driver(make_fan(1, 2), ear, "interface=192.0.2.200")
    with pytest.raises(
        DriveFault, match=r"192\.0\.2\.200: not an address of this machine; give one"
    ):
        driver.open()
