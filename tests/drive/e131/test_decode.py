"""Packets decode by the field tables of ANSI E1.31-2018, and nothing else is accepted."""

from __future__ import annotations

import zlib
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from benchtest.drive.e131.decode import (
    DataPacket,
    Discarded,
    DiscoveryPacket,
    SyncPacket,
    decode_packet,
)

Packet = Callable[..., bytes]


@pytest.fixture(scope="module")
def worked(data_packet: Packet) -> bytes:
    """Return a packet in which no two-octet field reads the same backwards."""
    slots = bytes([0x11, 0x22, 0x33, 0x44]) + bytes(508)
    return data_packet(
        slots, universe=300, priority=120, sync_universe=7000, sequence=254, forceSync=True
    )


def test_every_field_of_a_data_packet_is_decoded(worked: bytes) -> None:
    # ANSI E1.31-2018 table 4-1; the octets written out by hand from that table have this CRC-32
    assert zlib.crc32(worked) == 0xAE884B18
    packet = decode_packet(worked)
    assert packet == DataPacket(
        source=bytes.fromhex("00112233445546778899aabbccddeeff"),
        name="benchtest",
        priority=120,
        sync_address=7000,
        sequence=254,
        preview=False,
        terminated=False,
        force_sync=True,
        universe=300,
        start_code=0,
        slots=bytes([0x11, 0x22, 0x33, 0x44]) + bytes(508),
    )


def test_every_field_of_a_synchronization_packet_is_decoded(sync_packet: Packet) -> None:
    octets = sync_packet(7000, 5)
    # ANSI E1.31-2018 table 4-2; the octets written out by hand from that table have this CRC-32
    assert zlib.crc32(octets) == 0xED489356
    packet = decode_packet(octets)
    assert isinstance(packet, SyncPacket)
    assert (packet.sequence, packet.address) == (5, 7000)


# ANSI E1.31-2018, 4.1, 5.4, 6.1, 7.1, 7.6: short packets are allowed; the three lengths and the
# count shrink with them. Lengths worked by hand from the field table.
@pytest.mark.parametrize(
    ("count", "root", "framing", "dmp", "values"),
    [
        (24, 0x7086, 0x7070, 0x7023, 0x0019),
        (300, 0x719A, 0x7184, 0x7137, 0x012D),
        (510, 0x726C, 0x7256, 0x7209, 0x01FF),
        (512, 0x726E, 0x7258, 0x720B, 0x0201),
    ],
)
def test_a_packet_may_carry_fewer_slots(
    worked: bytes, count: int, root: int, framing: int, dmp: int, values: int
) -> None:
    octets = bytearray(worked[: 126 + count])
    for at, length in ((16, root), (38, framing), (115, dmp), (123, values)):
        octets[at : at + 2] = length.to_bytes(2, "big")
    packet = decode_packet(bytes(octets))
    assert isinstance(packet, DataPacket)
    assert packet.slots == worked[126 : 126 + count]


# ANSI E1.31-2018, 6.2.6: bits of the options, of which 4 to 0 are ignored.
@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (0x00, (False, False, False)),
        (0x80, (True, False, False)),
        (0x40, (False, True, False)),
        (0x20, (False, False, True)),
        (0x1F, (False, False, False)),
        (0xFF, (True, True, True)),
    ],
)
def test_options_are_three_bits(
    worked: bytes, options: int, expected: tuple[bool, bool, bool]
) -> None:
    packet = decode_packet(_with(worked, 112, options))
    assert isinstance(packet, DataPacket)
    assert (packet.preview, packet.terminated, packet.force_sync) == expected


# ANSI E1.31-2018, 5.1 to 5.5, 6.2.1 and 7.2 to 7.5: "receivers shall discard" any other value.
FIXED = [*range(16), *range(18, 22), *range(40, 44), *range(117, 123)]


@pytest.mark.parametrize("at", FIXED)
def test_a_wrong_octet_in_a_fixed_field_is_discarded(worked: bytes, at: int) -> None:
    with pytest.raises(Discarded):
        decode_packet(_with(worked, at, worked[at] ^ 0x01))


# ANSI E1.31-2018, 5.4, 6.1, 7.1 and 7.6: lengths count to the end of the packet.
@pytest.mark.parametrize("at", [16, 17, 38, 39, 115, 116, 123, 124])
def test_a_wrong_length_field_is_discarded(worked: bytes, at: int) -> None:
    with pytest.raises(Discarded):
        decode_packet(_with(worked, at, worked[at] ^ 0x04))


def test_a_packet_cut_short_anywhere_is_discarded(worked: bytes, sync_packet: Packet) -> None:
    for whole in (worked, sync_packet(7000, 5)):
        for length in range(len(whole)):
            with pytest.raises(Discarded):
                decode_packet(whole[:length])


def test_octets_after_the_packet_are_discarded_with_it(worked: bytes) -> None:
    with pytest.raises(Discarded):
        decode_packet(worked + b"\x00")


# ANSI E1.31-2018, 6.2.3 and 9.1.1: priorities run to 200, universes from 1 to 63999.
@pytest.mark.parametrize(
    ("at", "octets"),
    [(108, b"\xc9"), (108, b"\xff"), (113, b"\x00\x00"), (113, b"\xfa\x00"), (113, b"\xff\xff")],
)
def test_an_invalid_priority_or_universe_is_discarded(
    worked: bytes, at: int, octets: bytes
) -> None:
    with pytest.raises(Discarded):
        decode_packet(worked[:at] + octets + worked[at + len(octets) :])


def _listed(*universes: int, page: int = 0, last: int = 0) -> bytes:
    packet = UniverseDiscoveryPacket((1,) * 16, "Pier desk", universes, page, last)
    return bytes(packet.getBytes())


def test_a_list_of_universes_is_decoded() -> None:
    """Built by the library `sacn`, by the layout of ANSI E1.31-2018, table 8-1."""
    octets = _listed(300, 301, page=1, last=2)
    # octets 112 to 123: length 12, vector 1, page, last page, 0x012c and 0x012d
    assert octets[112:].hex() == "700c000000010102012c012d"
    found = decode_packet(octets)
    assert found == DiscoveryPacket(b"\x01" * 16, "Pier desk", 1, 2, (300, 301))
    assert decode_packet(_listed()) == DiscoveryPacket(b"\x01" * 16, "Pier desk", 0, 0, ())


@pytest.mark.parametrize(
    "octets",
    [
        _listed(1)[:-1],
        _listed(1) + b"\x00\x02",
        _listed(1)[:114] + b"\x00\x00\x00\x02" + _listed(1)[118:],
        _listed(1)[:118] + b"\x03\x02" + _listed(1)[120:],
        _listed(1)[:112] + b"\x70\x0b" + _listed(1)[114:],
    ],
    ids=["cut", "longer", "vector", "page", "length"],
)
def test_a_wrong_list_of_universes_is_discarded(octets: bytes) -> None:
    with pytest.raises(Discarded):
        decode_packet(octets)


def test_control_characters_of_a_source_name_are_removed(worked: bytes) -> None:
    packet = decode_packet(worked[:44] + b"\x1b[2Jfan\xff".ljust(64, b"\x00") + worked[108:])
    assert isinstance(packet, DataPacket)
    assert packet.name.isprintable()
    assert packet.name.startswith("?[2Jfan")


@settings(max_examples=150)
@given(octets=st.binary(max_size=700))
def test_random_octets_are_discarded(octets: bytes) -> None:
    with pytest.raises(Discarded):
        decode_packet(octets)


@settings(max_examples=200)
@given(changes=st.dictionaries(st.integers(0, 637), st.integers(0, 255), max_size=6))
def test_a_damaged_packet_is_decoded_or_discarded(worked: bytes, changes: dict[int, int]) -> None:
    damaged = bytearray(worked)
    for at, value in changes.items():
        damaged[at] = value
    try:
        packet = decode_packet(bytes(damaged))
    except Discarded:
        return
    assert isinstance(packet, DataPacket)
    assert 1 <= packet.universe <= 63999
    assert packet.slots == bytes(damaged[126:])


def _with(octets: bytes, at: int, value: int) -> bytes:
    return octets[:at] + bytes([value]) + octets[at + 1 :]
