"""Our E1.31 packets against ANSI E1.31-2018, the library sacn and tshark.

Clauses are of the 2018 edition. Worked packets were built by hand from its field table; their
CRC-32 is next to them, so that every octet counts.
"""

from __future__ import annotations

import socket
import struct
import subprocess
import zlib
from collections.abc import Callable
from pathlib import Path
from uuid import UUID

import numpy as np
import pytest
import sacn
from sacn.messages.data_packet import DataPacket

from benchtest.drive.e131.driver import E131Driver, SourceSettings
from benchtest.drive.e131.encode import Stream, SyncStream, discovery_packets, multicast_group
from benchtest.prop.design import Design, Output
from tests.waiting import act_until, until

CID = UUID("00112233-4455-4677-8899-aabbccddeeff")
LOOPBACK = "127.0.0.1"
OWN_ADDRESS = "127.0.0.57"


def _stream(universe: int = 300, slots: int = 512, **options: object) -> Stream:
    given = {"source_id": CID, "name": "benchtest", **options}
    return Stream(universe, slots, **given)  # type: ignore[arg-type]


def _after(stream: Stream, sequence: int, slots: bytes) -> bytes:
    """The packet that carries a sequence number."""
    for _ in range(sequence):
        stream.data(slots)
    return bytes(stream.data(slots))


def test_the_worked_packet_octet_for_octet() -> None:
    # CID, name `benchtest`, priority 120, sync 7000, sequence 254, universe 300, 0x11 22 33 44
    # force synchronization (6.2.6) is set
    packet = _after(_stream(priority=120, sync_address=7000), 254, bytes([0x11, 0x22, 0x33, 0x44]))
    first = bytes.fromhex(
        "00 10 00 00 41 53 43 2d 45 31 2e 31 37 00 00 00"  # preamble, post-amble, identifier
        "72 6e 00 00 00 04 00 11 22 33 44 55 46 77 88 99"  # root length, vector, CID
        "aa bb cc dd ee ff 72 58 00 00 00 02 62 65 6e 63"  # framing length, vector, name
        "68 74 65 73 74 00 00 00"
    )
    assert packet[:56] == first
    assert packet[108:130] == bytes.fromhex(
        "78 1b 58 fe 20 01 2c 72 0b 02 a1 00 00 00 01 02 01 00 11 22 33 44"
    )
    assert not any(packet[130:])
    assert len(packet) == 638
    assert zlib.crc32(packet) == 0xAE884B18


def test_a_minimal_packet_of_the_first_universe() -> None:
    # CID 10 11 … 1f, sequence 7, universe 1, slots 255 0 0 0 255 0
    stream = _stream(1, source_id=UUID(bytes=bytes(range(0x10, 0x20))))
    packet = _after(stream, 7, bytes([255, 0, 0, 0, 255, 0]))
    assert packet[108:128] == bytes.fromhex(
        "64 00 00 07 00 00 01 72 0b 02 a1 00 00 00 01 02 01 00 ff 00"
    )
    assert zlib.crc32(packet) == 0xE5C098C9


# clause: octet, size, value, of a packet with 512 slots
FIELDS = {
    "5.1 preamble size": (0, 2, 0x0010),
    "5.2 post-amble size": (2, 2, 0),
    "5.4 root flags and length": (16, 2, 0x726E),
    "5.5 root vector": (18, 4, 4),
    "6.1 framing flags and length": (38, 2, 0x7258),
    "6.2.1 framing vector": (40, 4, 2),
    "6.2.3 priority": (108, 1, 100),
    "6.2.4 synchronization address": (109, 2, 0),
    "6.2.6 options": (112, 1, 0),
    "6.2.7 universe": (113, 2, 300),
    "7.1 DMP flags and length": (115, 2, 0x720B),
    "7.2 DMP vector": (117, 1, 2),
    "7.3 address and data type": (118, 1, 0xA1),
    "7.4 first property address": (119, 2, 0),
    "7.5 address increment": (121, 2, 1),
    "7.6 property value count": (123, 2, 513),
    "7.7 start code": (125, 1, 0),
}


@pytest.mark.parametrize("clause", FIELDS)
def test_each_field_has_the_value_of_the_standards_table(clause: str) -> None:
    octet, size, value = FIELDS[clause]
    packet = bytes(_stream().data(b""))
    assert int.from_bytes(packet[octet : octet + size], "big") == value
    assert packet[4:16] == b"ASC-E1.17\x00\x00\x00"  # 5.3
    assert packet[22:38] == CID.bytes  # 5.6
    assert packet[44:108] == b"benchtest".ljust(64, b"\0")  # 6.2.2


@pytest.mark.parametrize(
    ("slots", "octets", "lengths", "count"),
    [
        (24, 150, (0x7086, 0x7070, 0x7023), 0x0019),
        (300, 426, (0x719A, 0x7184, 0x7137), 0x012D),
        (510, 636, (0x726C, 0x7256, 0x7209), 0x01FF),
        (512, 638, (0x726E, 0x7258, 0x720B), 0x0201),
    ],
)
def test_fewer_slots_shrink_three_lengths_and_the_count(
    slots: int, octets: int, lengths: tuple[int, int, int], count: int
) -> None:
    # n = 126 + slots; each length counts from its own field to the end (5.4, 6.1, 7.1, 7.6)
    packet = bytes(_stream(slots=slots).data(b""))
    assert len(packet) == octets
    assert (
        struct.unpack_from(">H", packet, 16)
        + struct.unpack_from(">H", packet, 38)
        + struct.unpack_from(">H", packet, 115)
        == lengths
    )
    assert struct.unpack_from(">H", packet, 123) == (count,)


@pytest.mark.parametrize("universe", [1, 256, 63999])
def test_packets_equal_those_of_the_library(universe: int) -> None:
    slots = bytes(range(256)) * 2
    theirs = DataPacket(
        tuple(CID.bytes), "Tide arch ✓", universe, tuple(slots), priority=200, sequence=3
    )
    ours = _after(_stream(universe, name="Tide arch ✓", priority=200), 3, slots)
    assert ours == bytes(theirs.getBytes())


def test_the_worked_synchronization_packet() -> None:
    stream = SyncStream(7000, CID)
    for _ in range(6):
        packet = bytes(stream.next())
    assert packet[16:22] == bytes.fromhex("70 21 00 00 00 08")
    assert packet[38:49] == bytes.fromhex("70 0b 00 00 00 01 05 1b 58 00 00")
    assert zlib.crc32(packet) == 0xED489356


# clause: octet, size, value, of a synchronization packet on address 7000
SYNC_FIELDS = {
    "5.1 preamble size": (0, 2, 0x0010),
    "5.2 post-amble size": (2, 2, 0),
    "5.4 root flags and length": (16, 2, 0x7021),
    "5.5 root vector": (18, 4, 8),
    "6.1 framing flags and length": (38, 2, 0x700B),
    "6.3.1 framing vector": (40, 4, 1),
    "6.3.2 sequence number": (44, 1, 0),
    "6.3.3 synchronization address": (45, 2, 7000),
    "6.3.4 reserved": (47, 2, 0),
}


@pytest.mark.parametrize("clause", SYNC_FIELDS)
def test_each_field_of_a_synchronization_packet(clause: str) -> None:
    octet, size, value = SYNC_FIELDS[clause]
    packet = bytes(SyncStream(7000, CID).next())
    assert len(packet) == 49
    assert int.from_bytes(packet[octet : octet + size], "big") == value
    assert packet[4:16] == b"ASC-E1.17\x00\x00\x00"
    assert packet[22:38] == CID.bytes


def test_the_worked_discovery_packet() -> None:
    # universes 300 and 301, given out of order: clauses 4.3, 6.4 and 8
    (packet,) = discovery_packets([301, 300], CID, "benchtest")
    assert len(packet) == 124
    assert packet[16:22] == bytes.fromhex("70 6c 00 00 00 08")
    assert packet[38:44] == bytes.fromhex("70 56 00 00 00 02")
    assert packet[44:108] == b"benchtest".ljust(64, b"\0")
    assert packet[108:124] == bytes.fromhex("00 00 00 00 70 0c 00 00 00 01 00 00 01 2c 01 2d")
    assert zlib.crc32(packet) == 0x87AF0FBF


def test_discovery_lists_512_universes_a_page() -> None:
    # clause 8: pages from 0, each with the number of the last; flags and length 0x7408 when full
    pages = discovery_packets(range(1, 1026), CID, "benchtest")
    assert [len(page) for page in pages] == [1144, 1144, 122]
    assert [(page[118], page[119]) for page in pages] == [(0, 2), (1, 2), (2, 2)]
    assert [page[112:114] for page in pages] == [b"\x74\x08", b"\x74\x08", b"\x70\x0a"]
    listed = [number for page in pages for (number,) in struct.iter_unpack(">H", page[120:])]
    assert listed == list(range(1, 1026))


def test_a_source_without_universes_lists_none() -> None:
    (packet,) = discovery_packets([], CID, "benchtest")
    assert len(packet) == 120
    assert packet[112:120] == bytes.fromhex("70 08 00 00 00 01 00 00")


def test_preview_sets_only_its_own_bit() -> None:
    plain, preview = bytes(_stream().data(b"")), bytes(_stream(preview=True).data(b""))
    differ = [place for place in range(638) if plain[place] != preview[place]]
    assert differ == [112]
    assert preview[112] == 0x80  # 6.2.6


def test_termination_sets_only_its_own_bit_and_the_sequence_continues() -> None:
    stream = _stream()
    before = bytes(stream.data(b"\x01"))
    after = bytes(stream.termination())
    differ = [place for place in range(638) if before[place] != after[place]]
    assert differ == [111, 112]
    assert after[111] == before[111] + 1
    assert after[112] == 0x40  # 6.2.6


def test_sequence_numbers_wrap_after_255() -> None:
    stream = _stream()
    numbers = [stream.data(b"")[111] for _ in range(600)]
    assert numbers == [number % 256 for number in range(600)]  # 6.2.5


@pytest.mark.parametrize(
    ("universe", "group"),
    [(1, "239.255.0.1"), (255, "239.255.0.255"), (256, "239.255.1.0"), (63999, "239.255.249.255")],
)
def test_multicast_groups(universe: int, group: str) -> None:
    assert multicast_group(universe) == group  # 9.3.1


# -- packets that were really sent ---------------------------------------------------------


def _sent(design: Design, frames: list[np.ndarray]) -> list[bytes]:
    """Packets that a driver sends of these frames and its end, received on a loopback socket."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind((LOOPBACK, 0))
        ear.settimeout(2.0)
        port = ear.getsockname()[1]
        driver = E131Driver(design, SourceSettings(CID), LOOPBACK, port)
        universes = driver.open().universes
        for frame in frames:
            driver.show(frame)
        driver.close()
        return [ear.recv(2000) for _ in range(universes * (len(frames) + 1 + 3))]


def _pcap(path: Path, packets: list[bytes]) -> None:
    """A capture file of UDP packets from loopback to loopback, port 5568."""
    rows = [struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 101)]  # 101: raw IPv4
    for number, packet in enumerate(packets):
        udp = struct.pack(">HHHH", 40000, 5568, 8 + len(packet), 0) + packet
        size = 20 + len(udp)
        head = struct.pack(">BBHHHBBH4s4s", 0x45, 0, size, 0, 0, 64, 17, 0,
                           socket.inet_aton(LOOPBACK), socket.inet_aton(LOOPBACK))  # fmt: skip
        rows.append(struct.pack("<IIII", number, 0, size, size) + head + udp)
    path.write_bytes(b"".join(rows))


def test_tshark_decodes_what_was_sent_with_no_malformed_mark(
    make_fan: Callable[..., Design], tmp_path: Path
) -> None:
    fan = make_fan(12, 30)
    frames = [np.full((360, 3), level, dtype=np.uint8) for level in (0, 64, 255)]
    packets = _sent(fan, frames)
    _pcap(tmp_path / "sent.pcap", packets)
    fields = ["acn.dmx.universe", "acn.dmx.seq_number", "acn.dmx.priority", "_ws.malformed",
              "_ws.expert.message"]  # fmt: skip
    done = subprocess.run(
        ["tshark", "-r", str(tmp_path / "sent.pcap"), "--enable-heuristic", "acn",
         "-o", "acn.dmx_enable:TRUE", "-T", "fields", "-E", "separator=|",
         *(word for field in fields for word in ("-e", field))],
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    rows = [line.split("|") for line in done.stdout.splitlines()]
    assert len(rows) == len(packets) == 3 * (3 + 1 + 3)
    # an undecoded capture would leave the universe empty
    assert {row[0] for row in rows} == {"1", "2", "3"}
    for universe in "123":
        numbers = [int(row[1]) for row in rows if row[0] == universe]
        assert numbers == list(range(7))
    assert {row[2] for row in rows} == {"100"}
    assert not any(row[3] or row[4] for row in rows)


def test_the_librarys_receiver_receives_from_our_driver(make_fan: Callable[..., Design]) -> None:
    fan = make_fan(4, 10)
    heard: list[tuple[int, ...]] = []
    ended: list[int] = []
    # it receives on port 5568 only, here at an address that only this test uses
    receiver = sacn.sACNreceiver(bind_address=OWN_ADDRESS)
    receiver.register_listener("universe", lambda packet: heard.append(packet.dmxData), universe=1)
    receiver.register_listener(
        "availability", lambda universe, changed: ended.append(universe) if changed == "timeout"
        else None
    )  # fmt: skip
    receiver.start()
    try:
        driver = E131Driver(fan, SourceSettings(CID), OWN_ADDRESS)
        driver.open()
        frame = np.zeros((40, 3), dtype=np.uint8)
        frame[0] = (10, 20, 30)  # node 1.1, which data reaches first
        act_until(lambda: driver.show(frame), lambda: bool(heard), every_s=0.05)
        driver.close()
        until(lambda: bool(ended))
    finally:
        receiver.stop()
    assert heard[0][:4] == (10, 20, 30, 0)
    assert ended[0] == 1  # our termination ended the stream


def test_channels_begin_at_the_designs_output(make_fan: Callable[..., Design]) -> None:
    import dataclasses

    fan = dataclasses.replace(make_fan(2, 100), outputs=(Output(7, 400),))
    packets = _sent(fan, [np.full((200, 3), 9, dtype=np.uint8)])
    first = {int.from_bytes(p[113:115], "big"): p for p in packets[:2]}
    # 512 - 399 slots leave room for 37 whole nodes; the rest continues at slot 1 of universe 8
    assert first[7][126 : 126 + 399] == bytes(399)
    assert first[7][126 + 399 :] == bytes([9]) * 37 * 3
    assert first[8][126:] == bytes([9]) * 163 * 3
