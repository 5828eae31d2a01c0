"""Frames of hand-held meters against the published tables and examples."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtest.drive.handheld.frames import (
    FORMATS,
    DisplayFrame,
    FrameSplitter,
    NotVolts,
    decode_es519xx,
    decode_fs9721,
    decode_fs9922,
)
from tests.drive.handheld.simulated_handheld import fs9721, fs9922


def _volts(frame: DisplayFrame | None) -> float:
    assert frame is not None
    return frame.volts()


def test_segments_of_an_fs9721_are_digits_with_their_point() -> None:
    """0 to 9 by the published segment table (7d 05 5b 1f 27 3e 7e 15 7f 3f for 0 to 9, 68 for L;
    from memory), built here from seven-segment digits."""
    codes = [0x7D, 0x05, 0x5B, 0x1F, 0x27, 0x3E, 0x7E, 0x15, 0x7F, 0x3F]
    for digit, code in enumerate(codes):
        frame = fs9721(f"   {digit}")
        assert (frame[7] & 0b111) << 4 | frame[8] & 0xF == code
    assert _volts(decode_fs9721(fs9721("4.871"))) == 4.871
    assert _volts(decode_fs9721(fs9721("-031.2", milli=True))) == -0.0312
    assert _volts(decode_fs9721(fs9721("12.05"))) == 12.05


@pytest.mark.parametrize(
    ("flags", "words"),
    [
        ({0: 0b1011}, "AC volts"),
        ({11: 0b0100, 12: 0}, "does not measure volts"),  # ohms
        ({12: 0b1000}, "does not measure volts"),  # amperes
        ({11: 0b0001}, "display is held"),
        ({12: 0b0101}, "battery is low"),
    ],
)
def test_an_fs9721_with_another_display_is_refused(flags: dict[int, int], words: str) -> None:
    with pytest.raises(NotVolts, match=words):
        _volts(decode_fs9721(fs9721("1.234", flags=flags)))


def test_an_overload_of_an_fs9721_is_no_reading() -> None:
    with pytest.raises(NotVolts, match="overload"):
        _volts(decode_fs9721(fs9721("  0.L")))


def test_published_frames_of_an_fs9922() -> None:
    """Sign, digits, point and flags of vectors that libsigrok tests its parser with
    (tests/fs9922.c); the unit octet, which they leave out, is volts and the flags are DC here."""
    for point, prefix, volts in (
        ("2", 0x00, 46.35), ("2", 0x40, 0.04635), ("1", 0x00, 4.635), ("4", 0x40, 0.4635),
        ("1", 0x40, 0.004635), ("0", 0x00, 4635.0),
    ):  # fmt: skip
        assert _volts(decode_fs9922(fs9922("+4635", point, prefix=prefix))) == volts
    assert _volts(decode_fs9922(fs9922("-0312", "4", prefix=0x40))) == -0.0312


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (fs9922("+?0:?", "1"), "overload"),
        (fs9922("+4635", "1", flags=0x29), "AC volts"),
        (fs9922("+4635", "1", flags=0x33), "display is held"),
        (fs9922("+4635", "1", unit=0x20), "does not measure volts"),  # ohms
        (fs9922("+0635", "1", prefix=0x04), "does not measure volts"),  # diode
    ],
)
def test_an_fs9922_with_another_display_is_refused(frame: bytes, words: str) -> None:
    with pytest.raises(NotVolts, match=words):
        _volts(decode_fs9922(frame))


def test_published_frames_of_an_es519xx() -> None:
    """Ranges by the data sheets' tables. `00000;<0:` is an example of a public ES51986 parser;
    `400363;60080` of a public ES51922 one: -3.63 mV, with the battery sign on."""
    assert _volts(decode_es519xx(b"00000;<0:\r\n", 19200)) == 0.0
    shown = decode_es519xx(b"400363;60080\r\n", 19200)
    assert shown == DisplayFrame(-363, 1e-5, is_dc=True, has_low_battery=True)
    with pytest.raises(NotVolts, match="battery is low"):
        _volts(shown)
    assert _volts(decode_es519xx(b"004871;00080\r\n"[:1] + b"04871;00080\r\n", 19200)) == 0.4871
    assert _volts(decode_es519xx(b"148710;00080\r\n", 19200)) == 48.71
    assert _volts(decode_es519xx(b"04871;00:\r\n", 19200)) == 4.871
    assert _volts(decode_es519xx(b"40312;40:\r\n", 19200)) == -0.0312
    assert _volts(decode_es519xx(b"14871;00:\r\n", 2400)) == 4.871


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (b"148710;10080\r\n", "overload"),
        (b"148710;00040\r\n", "AC volts"),
        (b"148710;00082\r\n", "display is held"),
        (b"1487103000:0\r\n", "does not measure volts"),  # ohms
        (b"148710;00090\r\n", "does not measure volts"),  # hertz of a voltage
    ],
)
def test_an_es51922_with_another_display_is_refused(frame: bytes, words: str) -> None:
    with pytest.raises(NotVolts, match=words):
        _volts(decode_es519xx(frame, 19200))


def test_frames_do_not_depend_on_how_they_arrive() -> None:
    """A frame that is cut off at the start, noise, and three whole frames, octet by octet."""
    octets = (
        fs9721("1.111")[5:]
        + b"\x00\xff"
        + fs9721("4.871")
        + fs9922("+4635", "1")
        + fs9721("-0.312")
    )
    splitter = FrameSplitter(FORMATS[:2])
    frames = [frame for octet in octets for frame in splitter.feed(bytes([octet]))]
    assert [frame.volts() for frame in frames] == [4.871, 4.635, -0.312]
    whole = FrameSplitter(FORMATS[:2])
    assert whole.feed(octets) == frames
    assert whole.format is not None
    assert whole.format.name == "FS9721"


@given(st.lists(st.binary(max_size=60), max_size=6))
def test_any_octets_are_read_or_skipped(pieces: list[bytes]) -> None:
    splitter = FrameSplitter(FORMATS)
    for piece in pieces:
        for frame in splitter.feed(piece):
            with contextlib.suppress(NotVolts):
                assert abs(frame.volts()) < 1e5


# -- published examples ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("octets", "volts"),
    [
        # captures of an FS9721 with their displays in the tests of the library fs9721-utils
        ("17 27 3D 40 55 67 7D 8B 9F A0 B8 C0 D4 E1", 0.0109),
        ("17 27 3D 47 5D 63 7F 8F 9F A0 B8 C0 D4 E1", 0.0098),
        ("17 27 3D 47 5D 61 75 8F 9F A0 B8 C0 D4 E1", 0.0078),
    ],
)
def test_published_frames_of_an_fs9721(octets: str, volts: float) -> None:
    frame = decode_fs9721(bytes.fromhex(octets))
    assert frame is not None
    assert frame.volts() == volts


def test_a_published_frame_of_degrees_is_no_volts() -> None:
    # the same source: 0006 °C
    frame = decode_fs9721(bytes.fromhex("15 27 3D 47 5D 67 7D 87 9E A0 B0 C0 D0 E4"))
    assert frame is not None
    with pytest.raises(NotVolts):
        frame.volts()


@pytest.mark.parametrize(
    ("octets", "volts"),
    [
        # a capture in the notes of QtDMM, which reads meters: DC, 0.0000 V, automatic range
        ("30 30 30 30 30 30 3B 30 30 30 3A 30 0D 0A", 0.0),
        ("30 30 30 30 30 31 3B 30 30 30 3A 30 0D 0A", 0.0001),
        # written out from the data sheet's layout by the authors of another decoder
        ("31 31 32 33 34 35 3b 30 30 30 3a 30 0d 0a", 12.345),
        ("34 30 38 35 31 32 3b 34 30 30 3a 30 0d 0a", -0.08512),
    ],
)
def test_published_frames_of_an_es51922(octets: str, volts: float) -> None:
    frame = decode_es519xx(bytes.fromhex(octets), 19200)
    assert frame is not None
    assert frame.volts() == pytest.approx(volts, abs=1e-12)


@pytest.mark.parametrize(
    ("octets", "rate", "step_v", "volts"),
    [
        # an ES51986, 6000 counts, 19200 baud: DC 0.000 V, -0.000 V, -0.00 V, 0.0 V
        ("30 30 30 30 30 3B 38 30 3A 0D 0A", 19200, 1e-3, 0.0),
        ("30 30 30 30 30 3B 3C 30 38 0D 0A", 19200, 1e-3, 0.0),
        ("31 30 30 30 30 3B 3C 30 38 0D 0A", 19200, 1e-2, 0.0),
        ("32 30 30 30 30 3B 38 30 38 0D 0A", 19200, 1e-1, 0.0),
        # an ES51962, of one table with the ES51978, 2400 baud: DC 005.8 mV, -002.1 mV, -0.000 V,
        # 00.00 V, -000.0 V
        ("30 30 30 35 38 3B 30 30 3A 0D 0A", 2400, 1e-4, 0.0058),
        ("30 30 30 32 31 3B 34 30 38 0D 0A", 2400, 1e-4, -0.0021),
        ("31 30 30 30 30 3B 34 30 38 0D 0A", 2400, 1e-3, 0.0),
        ("32 30 30 30 30 3B 30 30 38 0D 0A", 2400, 1e-2, 0.0),
        ("33 30 30 30 30 3B 34 30 38 0D 0A", 2400, 1e-1, 0.0),
    ],
)
def test_published_captures_of_frames_of_eleven_octets(
    octets: str, rate: int, step_v: float, volts: float
) -> None:
    """Captures with the display of their meters, in the notes of QtDMM (docs/protocols/spec).

    No capture of an ES51978 with volts on its display was found.
    """
    frame = decode_es519xx(bytes.fromhex(octets), rate)
    assert frame is not None
    assert frame.volts() == pytest.approx(volts, abs=1e-12)
    assert frame.step_v == pytest.approx(step_v)


@pytest.mark.parametrize(
    ("octets", "rate", "words"),
    [
        # the same notes; an ES51986: AC 0.014 V, overload of ohms, DC 000.0 µA, 22 °C
        ("30 30 30 31 34 3B 38 30 36 0D 0A", 19200, "AC volts"),
        ("35 36 30 30 30 33 39 30 32 0D 0A", 19200, "does not measure volts"),
        ("30 30 30 30 30 3D 38 30 3A 0D 0A", 19200, "does not measure volts"),
        ("30 30 30 32 32 34 38 30 30 0D 0A", 19200, "does not measure volts"),
        # an ES51962: AC 040.1 mV, 014.0 ohms, DC -0.00 mA
        ("30 30 34 30 31 3B 30 30 36 0D 0A", 2400, "AC volts"),
        ("30 30 31 34 30 33 30 30 30 0D 0A", 2400, "does not measure volts"),
        ("30 30 30 30 30 39 34 30 3A 0D 0A", 2400, "does not measure volts"),
    ],
)
def test_published_captures_of_other_displays_are_refused(
    octets: str, rate: int, words: str
) -> None:
    with pytest.raises(NotVolts, match=words):
        _volts(decode_es519xx(bytes.fromhex(octets), rate))


@pytest.mark.parametrize(
    ("octets", "volts"),
    [
        ("2B 33 34 38 32 20 34 31 00 40 80 22 0D 0A", 0.3482),
        ("2B 33 33 30 39 20 34 11 00 40 80 21 0D 0A", 0.3309),
        ("2B 30 30 30 30 20 32 11 00 00 80 00 0D 0A", 0.0),
    ],
)
def test_published_captures_of_an_fs9922(octets: str, volts: float) -> None:
    """Captures of an FS9922-DMM4 with the display of its meter; the same notes."""
    assert _volts(decode_fs9922(bytes.fromhex(octets))) == pytest.approx(volts, abs=1e-12)


@pytest.mark.parametrize(
    "frame",
    [
        # the same notes: the largest and the smallest reading, 000.3 and -034.6 mV
        decode_fs9922(bytes.fromhex("2B 30 30 30 33 20 34 10 20 40 80 00 0D 0A")),
        decode_fs9922(bytes.fromhex("2D 30 33 34 36 20 34 10 10 40 80 00 0D 0A")),
        # by the tables of libsigrok (fs9721.c, fs9922.c, es519xx.c): REL; MAX, MIN and REL, then
        # PMAX and PMIN of an ES51922; MAX and MIN of an ES51986; PMAX of an ES51978
        decode_fs9721(fs9721("1.234", flags={11: 0b0010})),
        decode_fs9922(fs9922("+4635", "1", flags=0x35)),
        decode_es519xx(b"148710;08080\r\n", 19200),
        decode_es519xx(b"148710;04080\r\n", 19200),
        decode_es519xx(b"148710;02080\r\n", 19200),
        decode_es519xx(b"148710;00480\r\n", 19200),
        decode_es519xx(b"148710;00280\r\n", 19200),
        decode_es519xx(b"04871;04:\r\n", 19200),
        decode_es519xx(b"04871;02:\r\n", 19200),
        decode_es519xx(b"14871;08:\r\n", 2400),
    ],
)
def test_a_display_of_another_than_the_present_reading_is_refused(
    frame: DisplayFrame | None,
) -> None:
    with pytest.raises(NotVolts, match="no present reading"):
        _volts(frame)
