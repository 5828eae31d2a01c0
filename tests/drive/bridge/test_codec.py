"""Octets of the bridge's protocol: framing, checksums, runs."""

from __future__ import annotations

import contextlib
from binascii import crc_hqx

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchtest.drive.bridge.messages import (
    MAX_ENCODED_OCTETS,
    Board,
    FrameError,
    FrameReader,
    FrameTooComplex,
    Message,
    Sample,
    crc16,
    decode_frame,
    encode_frame,
    encode_runs,
    run_length_encode,
)

RISING = bytes(range(1, 255))
BOARD = Board(1, 4, 2048, 1400, 4000, 4, 200)

# Source: worked examples of Wikipedia's article on Consistent Overhead Byte Stuffing, from memory;
# they follow Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), April 1999.
PUBLISHED = [
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("00 11 00", "01 02 11 01"),
    ("11 22 00 33", "03 11 22 02 33"),
    ("11 22 33 44", "05 11 22 33 44"),
    ("11 00 00 00", "02 11 01 01 01"),
    (RISING.hex(), "ff" + RISING.hex()),
    ("00" + RISING.hex(), "01 ff" + RISING.hex()),
    (RISING.hex() + "ff", "ff" + RISING.hex() + "02 ff"),
    (RISING[1:].hex() + "ff 00", "ff" + RISING[1:].hex() + "ff 01 01"),
    (RISING[2:].hex() + "ff 00 01", "fe" + RISING[2:].hex() + "ff 02 01"),
]


def _unstuffed(frame: bytes) -> bytes:
    """Undo COBS by the paper's rule, one group at a time."""
    data, at = bytearray(), 0
    while at < len(frame):
        code = frame[at]
        data += frame[at + 1 : at + code]
        at += code
        if code < 255 and at < len(frame):
            data.append(0)
    return bytes(data)


@pytest.mark.parametrize(("raw", "stuffed"), PUBLISHED)
def test_unstuffing_of_the_tests_matches_the_published_examples(raw: str, stuffed: str) -> None:
    assert _unstuffed(bytes.fromhex(stuffed)) == bytes.fromhex(raw)


ANY = st.binary(max_size=600) | st.lists(st.sampled_from([0, 1, 255]), max_size=30).map(bytes)
LONG_RUNS = st.lists(st.sampled_from([b"\0", b"\x05" * 253, b"\x05" * 254, b"\x05" * 255])).map(
    b"".join
)


@given(ANY | LONG_RUNS)
def test_a_frame_is_its_body_and_crc_stuffed_between_zeros(body: bytes) -> None:
    frame = encode_frame(body)
    assert frame[:1] == frame[-1:] == b"\0"
    assert 0 not in frame[1:-1]
    assert _unstuffed(frame[1:-1]) == body + crc_hqx(body, 0xFFFF).to_bytes(2, "big")
    assert decode_frame(frame[1:-1]) == body


@given(ANY)
def test_other_octets_are_not_a_frame(data: bytes) -> None:
    whole = _unstuffed(data) if 0 not in data else b""
    with contextlib.suppress(FrameError):
        body = decode_frame(data)
        assert whole == body + crc_hqx(body, 0xFFFF).to_bytes(2, "big")


@pytest.mark.parametrize(
    ("data", "published"),
    # Source: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740, check 0x29b1; the others
    # are its 16 bits of start value through the polynomial 0x1021, by binascii.crc_hqx
    [(b"123456789", 0x29B1), (b"", 0xFFFF), (b"\0", 0xE1F0), (b"\xff" * 4, 0x1D0F)],
)
def test_the_crc_matches_published_values(data: bytes, published: int) -> None:
    assert crc16(data) == published == crc_hqx(data, 0xFFFF)


def test_a_message_matches_its_octets_worked_by_hand() -> None:
    # worked by hand: number 7 of kind show has no payload; CRC of 04 07 by binascii
    crc = crc_hqx(b"\x04\x07", 0xFFFF)
    assert 0 not in crc.to_bytes(2, "big")
    assert Message(4, 7).encoded() == b"\0\x05\x04\x07" + crc.to_bytes(2, "big") + b"\0"


def test_a_single_changed_bit_or_octet_is_rejected() -> None:
    body = bytes.fromhex("03 05 0000 01 02 ff804000 00000000 0f 0f 10 03 00 1f")
    whole = encode_frame(body)[1:-1]
    wrongs = [whole[:at] for at in range(len(whole))]
    wrongs += [whole[:at] + whole[at + 1 :] for at in range(len(whole))]
    for place in range(8 * len(whole)):
        flipped = bytearray(whole)
        flipped[place // 8] ^= 1 << place % 8
        wrongs.append(bytes(flipped))
    assert decode_frame(whole) == body
    for wrong in wrongs:
        with pytest.raises(FrameError):
            decode_frame(wrong)


@given(st.lists(st.binary(min_size=2, max_size=40), max_size=8), st.data())
def test_frames_are_found_wherever_the_stream_is_cut(
    bodies: list[bytes], data: st.DataObject
) -> None:
    stream = b"".join(map(encode_frame, bodies))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=10)))
    reader, found = FrameReader(), []
    for start, stop in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        found += reader.feed(stream[start:stop])
    assert found == bodies
    assert reader.rejected == 0


@given(st.binary(max_size=300))
def test_noise_before_a_frame_does_not_affect_it(noise: bytes) -> None:
    assert FrameReader().feed(noise + encode_frame(b"\x04\x07"))[-1] == b"\x04\x07"


def test_endless_noise_without_a_zero_does_not_fill_the_memory() -> None:
    reader = FrameReader()
    for _ in range(50):
        assert reader.feed(b"\x05" * 99) == []
    assert len(reader.pending) <= MAX_ENCODED_OCTETS
    assert reader.feed(encode_frame(b"\x04\x07")) == [b"\x04\x07"]
    assert reader.rejected == 1


def _places(seed: int) -> NDArray[np.int64]:
    """Return colours of up to 600 nodes, in runs of all lengths."""
    chance = np.random.default_rng(seed)
    runs = chance.integers(1, 60, chance.integers(1, 20))
    return np.repeat(
        chance.integers(0, 16, len(runs)), np.where(chance.random(len(runs)) < 0.5, 1, runs)
    )


SEEDS = st.integers(0, 2**32 - 1)


@given(SEEDS, st.integers(3, 4))
def test_runs_decode_to_the_frame(seed: int, channels: int) -> None:
    places = _places(seed)
    palette = np.arange(64, dtype=np.uint8).reshape(16, 4)[:, :channels]
    wire = palette[places]
    colours, runs = run_length_encode(wire)
    back = b"".join(colours[run >> 4] * (run % 16 + 1) for run in runs)
    assert back == wire.tobytes()
    changes = 1 + int((np.diff(places) != 0).sum())
    assert len(runs) <= changes + len(places) // 16


@given(SEEDS, st.integers(80, 200))
def test_messages_join_to_the_frame_and_fit_the_board(seed: int, longest: int) -> None:
    places = _places(seed)
    wire = np.arange(48, dtype=np.uint8).reshape(16, 3)[places]
    board = Board(1, 1, 2048, 600, 4000, 0, longest)
    messages = encode_runs(wire, board)
    joined = b""
    for place, payload in enumerate(messages):
        assert len(payload) + 2 <= longest
        assert int.from_bytes(payload[:2], "big") == len(joined)
        assert payload[2] == (place == len(messages) - 1)
        joined += payload[4 + 4 * payload[3] :]
    assert joined == run_length_encode(wire)[1]


def test_two_thousand_equal_nodes_are_one_short_message() -> None:
    messages = encode_runs(np.full((2000, 3), 255, dtype=np.uint8), BOARD)
    assert len(messages) == 1
    assert len(messages[0]) == 4 + 4 + 2000 // 16  # head, one colour, sixteen nodes an octet


def test_a_frame_beyond_the_board_is_rejected_with_the_reason() -> None:
    many = np.arange(17 * 3, dtype=np.uint8).reshape(17, 3)
    with pytest.raises(FrameTooComplex, match="17 colours; a bridge holds 16"):
        encode_runs(many, BOARD)
    long = np.tile(np.array([[1, 1, 1], [2, 2, 2]], dtype=np.uint8), (800, 1))
    with pytest.raises(FrameTooComplex, match="1600 runs; this bridge holds 1400"):
        encode_runs(long, BOARD)


def test_a_hello_gives_the_properties_of_the_board() -> None:
    assert Board.read(bytes.fromhex("01 04 0800 0578 0fa0 04 c8")) == BOARD
    assert (
        Board.read(bytes.fromhex("01 04 0800 0578 0fa0 04 c8 99")) == BOARD
    )  # later versions may add fields
    with pytest.raises(FrameError, match="too short"):
        Board.read(bytes.fromhex("01 04 0800 0578 0fa0 04"))
    with pytest.raises(FrameError, match="79 octets"):
        Board.read(bytes.fromhex("01 04 0800 0578 0fa0 04 4f"))


def test_a_sample_converts_to_volts() -> None:
    sample = Sample.read(bytes.fromhex("02 40 0000ba00 00500000"))
    assert sample.counts == 0xBA00 / 64 == 744.0
    assert sample.volts == pytest.approx(744 * 0x500000 * 1e-9)
    assert Sample.read(bytes.fromhex("02 40 0000ba00 ffffffff")).volts is None
    assert Sample.read(bytes.fromhex("02 40 0000ffc0 00500000")).over_range
    for wrong in ("", "02 40 0000ba00", "02 00 0000ba00 00500000"):
        with pytest.raises(FrameError):
            Sample.read(bytes.fromhex(wrong))
