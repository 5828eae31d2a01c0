"""Our Art-Net packets, octet for octet, and as tshark decodes them.

Source of all fields: Specification for the Art-Net 4 Ethernet Communication Protocol, packet
definitions of ArtDmx, ArtSync, ArtPoll and ArtPollReply. Expected octets were written by hand from
these tables.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtest.drive.artnet.packets import (
    DmxStream,
    PollReply,
    Sync,
    decode_poll_reply,
    poll_packet,
)
from benchtest.errors import InputError

ID = b"Art-Net\0"


def test_a_worked_artdmx_packet() -> None:
    # universe 300 = 0x12c: SubUni 2c, Net 01; three slots, so length 4 and one more octet
    packet = bytes(DmxStream(300, 3).data(b"\x11\x22\x33"))
    assert packet.hex(" ") == (
        "41 72 74 2d 4e 65 74 00 "  # ID
        "00 50 "  # OpDmx 0x5000, low octet first
        "00 0e "  # protocol version 14
        "01 00 "  # sequence 1, physical 0
        "2c 01 "  # SubUni, Net
        "00 04 "  # length, high octet first
        "11 22 33 00"
    )


# field: octet, size, byte order, value, of the second packet of universe 32767 with 512 slots
DMX_FIELDS = {
    "OpCode": (8, 2, "little", 0x5000),
    "ProtVer": (10, 2, "big", 14),
    "Sequence": (12, 1, "big", 2),
    "Physical": (13, 1, "big", 0),
    "SubUni": (14, 1, "big", 0xFF),
    "Net": (15, 1, "big", 0x7F),
    "Length": (16, 2, "big", 512),
}


@pytest.mark.parametrize("field", DMX_FIELDS)
def test_each_field_of_artdmx(field: str) -> None:
    octet, size, order, value = DMX_FIELDS[field]
    stream = DmxStream(32767, 512)
    stream.data(bytes(512))
    packet = bytes(stream.data(bytes(range(256)) * 2))
    assert int.from_bytes(packet[octet : octet + size], order) == value  # type: ignore[arg-type]
    assert packet[:8] == ID
    assert packet[18:] == bytes(range(256)) * 2


def test_the_sequence_is_1_to_255_and_never_0() -> None:
    stream = DmxStream(1, 2)
    numbers = [stream.data(b"")[12] for _ in range(512)]
    assert numbers == [*range(1, 256), *range(1, 256), 1, 2]


def test_slots_keep_their_place_from_the_first_channel_on() -> None:
    packet = bytes(DmxStream(1, 12).data(b"\x07" * 3, first=9))
    assert packet[18:] == bytes(9) + b"\x07" * 3


@pytest.mark.parametrize("universe", [0, 32768, 63999])
def test_a_universe_without_a_port_address_is_refused(universe: int) -> None:
    with pytest.raises(InputError, match="Art-Net has 1 to 32767"):
        DmxStream(universe, 2)


def test_artsync_and_artpoll() -> None:
    # ArtSync: Aux1 and Aux2 are 0; ArtPoll: no flags, no diagnostics
    assert Sync().next() == ID + bytes.fromhex("00 52 00 0e 00 00")
    assert poll_packet() == ID + bytes.fromhex("00 20 00 0e 00 00")


def reply(**changed: bytes) -> bytes:
    """Build ArtPollReply by hand: two outputs and one input at net 1, sub-net 2."""
    fields = {
        "id": ID, "op_code": b"\x00\x21", "address": bytes([192, 0, 2, 9]),
        "port": b"\x36\x19",  # 0x1936, low octet first
        "version": b"\x00\x07", "net": b"\x01", "sub": b"\x02", "oem": b"\x00\xff",
        "ubea": b"\x00", "status1": b"\xd2", "esta": b"\x00\x00",
        "short": b"Pier node".ljust(18, b"\0"), "long": b"Pier node, 4 ports".ljust(64, b"\0"),
        "report": b"#0001 [0000] ok".ljust(64, b"\0"), "ports": b"\x00\x03",
        "types": b"\x80\x80\x40\x80", "good_input": bytes(4), "good_output": b"\x80\x80\0\0",
        "sw_in": b"\0\0\x05\0", "sw_out": b"\x0c\x0d\x0e\x0f",
        "acn_priority": b"\x64", "macro": b"\0", "remote": b"\0", "spare": bytes(3),
        "style": b"\0", "mac": bytes.fromhex("02 00 00 00 00 01"),
        "bind_address": bytes([192, 0, 2, 9]), "bind_index": b"\x01", "status2": b"\x08",
        "rest": bytes(26),
    }  # fmt: skip
    return b"".join((fields | changed).values())


def test_a_worked_artpollreply() -> None:
    octets = reply()
    assert len(octets) == 239
    # Port-Address: net 1, sub-net 2, switches 12 and 13; the third port is an input, and there is
    # no fourth: 0x12c and 0x12d
    assert decode_poll_reply(octets) == PollReply(
        "192.0.2.9", "Pier node", "Pier node, 4 ports", (300, 301), 1
    )


def test_a_short_reply_is_accepted_from_207_octets_on() -> None:
    found = decode_poll_reply(reply()[:207])
    assert found is not None
    assert (found.outputs, found.bind_index) == ((300, 301), 0)
    assert decode_poll_reply(reply()[:206]) is None


@pytest.mark.parametrize(
    "octets",
    [b"", bytes(Sync().octets), poll_packet().ljust(239, b"\0"), b"Art-net" + reply()[7:]],
    ids=["empty", "sync", "poll", "another id"],
)
def test_another_packet_is_no_reply(octets: bytes) -> None:
    assert decode_poll_reply(octets) is None


def test_control_characters_of_names_are_removed() -> None:
    found = decode_poll_reply(reply(long=b"\x1b[2Jpier\xff".ljust(64, b"\0")))
    assert found is not None
    assert found.long_name.isprintable()


@settings(max_examples=200)
@given(octets=st.binary(max_size=300))
def test_any_octets_after_the_head_are_decoded_or_none(octets: bytes) -> None:
    found = decode_poll_reply(reply()[:10] + octets)
    assert found is None or all(0 <= number <= 32767 for number in found.outputs)


def _decoded(folder: Path, packet: bytes, *fields: str) -> list[str]:
    """Return fields of a packet to UDP port 6454, as tshark decodes it."""
    dump, capture = folder / "packet.txt", folder / "packet.pcap"
    rows = [packet[at : at + 16] for at in range(0, len(packet), 16)]
    dump.write_text(
        "".join(f"{16 * n:06x} {row.hex(' ')}\n" for n, row in enumerate(rows)), encoding="ascii"
    )
    subprocess.run(["text2pcap", "-q", "-u", "6454,6454", str(dump), str(capture)], check=True)
    words = [word for field in (*fields, "_ws.malformed") for word in ("-e", field)]
    done = subprocess.run(
        ["tshark", "-r", str(capture), "-T", "fields", "-E", "separator=|", *words],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    *found, malformed = done.stdout.rstrip("\n").split("|")
    assert malformed == ""
    return found


def test_tshark_decodes_artdmx(tmp_path: Path) -> None:
    packet = bytes(DmxStream(300, 6).data(bytes([1, 2, 3, 4, 5, 6])))
    found = _decoded(
        tmp_path, packet, "artnet.header.opcode", "artnet.header.protver",
        "artnet.output.sequence", "artnet.output.universe", "artnet.output.length",
    )  # fmt: skip
    assert [int(value, 0) for value in found] == [0x5000, 14, 1, 300, 6]


def test_tshark_decodes_artsync_and_artpoll(tmp_path: Path) -> None:
    fields = ("artnet.header.opcode", "artnet.header.protver")
    for packet, op_code in ((bytes(Sync().octets), 0x5200), (poll_packet(), 0x2000)):
        assert [int(value, 0) for value in _decoded(tmp_path, packet, *fields)] == [op_code, 14]


def test_tshark_reads_the_same_reply(tmp_path: Path) -> None:
    found = _decoded(
        tmp_path, reply(), "artnet.poll_reply.ip_address", "artnet.poll_reply.short_name",
        "artnet.poll_reply.long_name", "artnet.poll_reply.num_ports",
        "artnet.poll_reply.swout_1_universe", "artnet.poll_reply.swout_2_universe",
    )  # fmt: skip
    assert found[:3] == ["192.0.2.9", "Pier node", "Pier node, 4 ports"]
    assert [int(value, 0) for value in found[3:]] == [3, 300, 301]
