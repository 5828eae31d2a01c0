"""The bridge's firmware itself, as built for the board, in simavr: its answers and its data line.

Messages use other people's COBS and CRC; the edges of the data line are measured in cycles.
"""

from __future__ import annotations

import random
import subprocess
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.drive.boards import HERTZ, Built, Burst, RawLine, SimulatedBoard, sealed
from tests.waiting import until

WIRING, RUNS, SHOW, READ, SCALE, TONE = 2, 3, 4, 5, 6, 8
UNKNOWN, MALFORMED, NO_WIRING, NO_ROOM, NOT_NEXT, INCOMPLETE, NO_SUCH, SILENT = range(1, 9)

# Windows of a 0's high and low time, and of a 1's. [ns]
LIMITS = {
    # WS2811 data sheet, 400 kHz figures halved for its fast mode, ±150 ns, from memory
    "ws2811": ((100, 400), (850, 1150), (450, 750), (500, 800)),
    # WS2812B data sheet: 400, 850, 800 and 450 ns, each ±150 ns
    "ws2812b": ((250, 550), (700, 1000), (650, 950), (300, 600)),
    # SK6812 data sheet: 300, 900, 600 and 600 ns; ±150 ns from memory
    "sk6812": ((150, 450), (750, 1050), (450, 750), (450, 750)),
}
SLOW_LIMITS = {
    # by the rate that *wiring* sends; WS2811 data sheet, 400 kHz: 500, 2000, 1200 and 1300 ns,
    # each ±150 ns
    1: ((350, 650), (1850, 2150), (1050, 1350), (1150, 1450)),
    # UCS1903 data sheet, low speed: 500, 2000, 2000 and 500 ns, ±150 ns; from memory
    2: ((350, 650), (1850, 2150), (1850, 2150), (350, 650)),
}
CLOCK = 0.005
"""Error of a ceramic resonator, as cheap boards have. Common practice, no source."""
REST_S = 300e-6
"""Longest low time that any kind needs between two frames. Source: WS2813 data sheet."""


@pytest.fixture(scope="module")
def board(built: Built, tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedBoard]:
    made = SimulatedBoard(built, tmp_path_factory.mktemp("board"))
    yield made
    made.close()


@pytest.fixture
def fresh(built: Built, tmp_path: Path) -> Iterator[SimulatedBoard]:
    """A board just after power-up."""
    made = SimulatedBoard(built, tmp_path)
    yield made
    made.close()


@pytest.fixture
def line(board: SimulatedBoard) -> Iterator[RawLine]:
    made = RawLine(board.port)
    made.handshake()
    yield made
    made.close()


def _wiring(output: int, channels: int, nodes: int, rate: int | None = None) -> bytes:
    last = b"" if rate is None else bytes([rate])
    return bytes([output, channels]) + nodes.to_bytes(2, "big") + last


def _runs(runs: bytes, colours: bytes = b"", at: int = 0, *, show: bool = True) -> bytes:
    return at.to_bytes(2, "big") + bytes([show, len(colours) // 4]) + colours + runs


def _pixels(runs: bytes, colours: bytes, channels: int) -> bytes:
    """Decode runs as the notes describe them."""
    pixels = b""
    for run in runs:
        first = 4 * (run >> 4)
        pixels += colours[first : first + channels] * (run % 16 + 1)
    return pixels


def _nodes(runs: bytes) -> int:
    return sum(run % 16 + 1 for run in runs)


def _send_frame(line: RawLine, runs: bytes, colours: bytes) -> None:
    at = 0
    while at < len(runs):
        part = runs[at : at + (100 if at == 0 else 190)]
        said = _runs(part, b"" if at else colours, at, show=at + len(part) == len(runs))
        assert line.say(RUNS, said) == b"\x83"
        at += len(part)


def _ruler(nodes: int) -> bytes:
    """Alternate four nodes and a marked one: 2 runs for each 5 nodes."""
    return bytes([0x03, 0x10, 0x03, 0x20]) * (nodes // 10)


PALETTE = bytes.fromhex("0a0a0a01 0000ff02 ff8001fe ffffffff") + bytes(range(1, 49))


@pytest.mark.parametrize("channels", [3, 4])
def test_two_thousand_nodes_come_out_as_they_were_sent(
    board: SimulatedBoard, line: RawLine, channels: int
) -> None:
    runs = _ruler(2000)
    assert line.say(WIRING, _wiring(0, channels, 2000)) == b"\x82"
    _send_frame(line, runs, PALETTE)
    assert board.shown() == _pixels(runs, PALETTE, channels)


def test_any_runs_of_sixteen_colours_come_out_as_they_were_sent(
    board: SimulatedBoard, line: RawLine
) -> None:
    chance = random.Random(3)
    for count in (1, 2, 3, 40, 500, 1400):
        channels = chance.choice([3, 4])
        runs = bytes(
            chance.randrange(256) & chance.choice([0xF0, 0xF1, 0xFF]) for _ in range(count)
        )
        runs = runs if _nodes(runs) <= 4000 else bytes(run & 0xF1 for run in runs)
        assert line.say(WIRING, _wiring(0, channels, _nodes(runs))) == b"\x82"
        _send_frame(line, runs, PALETTE)
        assert board.shown() == _pixels(runs, PALETTE, channels)


def _times_ns(burst: Burst) -> list[NDArray[np.floating[Any]]]:
    """Return high and low times of the 0s, and of the 1s; the last bit has no low time. [ns]"""
    ones = burst.high > 8
    cycles = (burst.high[~ones], burst.low[~ones[:-1]], burst.high[ones], burst.low[ones[:-1]])
    return [times * (1e9 / HERTZ) for times in cycles]


def test_every_pulse_is_within_the_data_sheets_limits(board: SimulatedBoard, line: RawLine) -> None:
    runs = bytes([0x00, 0x1F, 0x20, 0x31]) * 20
    for channels in (3, 4):
        line.say(WIRING, _wiring(0, channels, _nodes(runs)))
        _send_frame(line, runs, PALETTE)
        times = _times_ns(board.bursts()[-1])
        for kind, windows in LIMITS.items():
            for found, (least, most) in zip(times, windows, strict=True):
                assert len(found) > 100
                assert found.min() * (1 - CLOCK) >= least, kind
                assert found.max() * (1 + CLOCK) <= most, kind
        period = board.bursts()[-1].high[:-1] + board.bursts()[-1].low
        assert set(period.tolist()) == {20}  # 1250 ns, with no pause between nodes or runs


@pytest.mark.parametrize("rate", SLOW_LIMITS)
def test_pulses_of_400_khz_are_within_the_data_sheets_limits(
    board: SimulatedBoard, line: RawLine, rate: int
) -> None:
    runs = bytes([0x00, 0x1F, 0x20, 0x31]) * 4
    for channels in (3, 4):
        assert line.say(WIRING, _wiring(0, channels, _nodes(runs), rate)) == b"\x82"
        _send_frame(line, runs, PALETTE)
        burst = board.bursts()[-1]
        assert burst.octets == _pixels(runs, PALETTE, channels)
        for found, (least, most) in zip(_times_ns(burst), SLOW_LIMITS[rate], strict=True):
            assert found.min() * (1 - CLOCK) >= least
            assert found.max() * (1 + CLOCK) <= most
        assert set((burst.high[:-1] + burst.low).tolist()) == {40}  # 2500 ns
    assert line.say(WIRING, _wiring(0, 3, 1)) == b"\x82"  # 800 kHz again without a rate


def test_the_rest_between_frames_is_long_enough_for_every_kind(
    board: SimulatedBoard, line: RawLine
) -> None:
    line.say(WIRING, _wiring(0, 3, 1))
    line.say(RUNS, _runs(b"\x00", PALETTE))
    for _ in range(3):
        line.say(SHOW)
    bursts = board.bursts()[-4:]
    assert [burst.octets for burst in bursts] == [PALETTE[:3]] * 4
    for before, after in pairwise(bursts):
        assert (after.start - before.end) / HERTZ >= REST_S * (1 + CLOCK)


@pytest.mark.parametrize("output", [1, 3])
def test_another_output_is_driven_and_only_that(
    board: SimulatedBoard, line: RawLine, output: int
) -> None:
    before = len(board.bursts(0))
    line.say(WIRING, _wiring(output, 3, 2))
    line.say(RUNS, _runs(b"\x01", PALETTE))
    assert board.bursts(output)[-1].octets == PALETTE[:3] * 2
    assert len(board.bursts(0)) == before


def test_power_up_is_dark_on_all_outputs_before_hello(fresh: SimulatedBoard) -> None:
    line = RawLine(fresh.port)
    try:
        heard = line.hear(20.0)
        assert heard is not None
        assert heard[:2] == b"\x81\x00"
        for pin in range(4):
            (burst,) = fresh.bursts(pin)
            assert burst.octets == bytes(4000 * 4)
    finally:
        line.close()


def test_its_hello_contains_its_limits(line: RawLine) -> None:
    # version 1, 4 outputs, 2048 octets of RAM (ATmega328P data sheet), 1400 runs, 4000 nodes,
    # 4 analog inputs, messages of 200 octets; 400 kHz, keys and a buzzer; no power monitor
    assert line.handshake() == bytes.fromhex("01 04 0800 0578 0fa0 04 c8 07 0000")


def test_it_goes_dark_two_and_a_half_seconds_after_the_last_frame(
    built: Built, tmp_path: Path
) -> None:
    board = SimulatedBoard(built, tmp_path, free=True)
    line = RawLine(board.port)
    try:
        line.handshake()
        line.say(WIRING, _wiring(0, 3, 10))
        line.say(RUNS, _runs(b"\x39", PALETTE))

        def from_lit() -> list[Burst]:
            bursts = board.bursts()
            lit = [number for number, burst in enumerate(bursts) if any(burst.octets)]
            return bursts[lit[0] : lit[0] + 2] if lit else []

        until(lambda: len(from_lit()) == 2)  # however late the first look is
        shown, dark = from_lit()
        assert shown.octets == b"\xff" * 30
        assert dark.octets == bytes(30)
        # 2.5 s by its own crystal, to one tick of 64 µs plus the time of the answer
        assert (dark.start - shown.end) / HERTZ == pytest.approx(2.5, abs=0.002)
        assert line.say(SHOW) == bytes([0xFF, INCOMPLETE])  # it does not light again by itself
        assert line.say(RUNS, _runs(b"\x39", PALETTE)) == b"\x83"
    finally:
        line.close()
        board.close()


def test_a_repeated_message_is_answered_and_not_run_again(
    board: SimulatedBoard, line: RawLine
) -> None:
    line.say(WIRING, _wiring(0, 3, 2))
    line.say(RUNS, _runs(b"\x01", PALETTE, show=False))
    line.say(SHOW)
    shows = len(board.bursts())
    for _ in range(3):
        line.send(SHOW, line.number)
        assert line.hear(20.0) == bytes([0x84, line.number])
    assert len(board.bursts()) == shows
    line.send(SHOW, line.number + 1)
    assert line.hear(20.0) == bytes([0x84, line.number + 1])
    assert len(board.bursts()) == shows + 1


def test_damaged_messages_have_no_effect_and_the_next_is_accepted(
    board: SimulatedBoard, line: RawLine
) -> None:
    line.say(WIRING, _wiring(0, 3, 4))
    whole = sealed(bytes([RUNS, 99]) + _runs(b"\x03", PALETTE[:16]))
    lost = [whole[:at] + whole[at + 1 :] for at in range(1, len(whole) - 1, 3)]
    flipped = [
        whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :]
        for at in range(1, len(whole) - 1, 3)
    ]
    shows = len(board.bursts())
    line.serial.write(b"".join(lost + flipped))
    line.serial.write(whole[:-1] + whole[2:])  # two messages joined by a lost delimiter
    line.serial.write(b"\x05" * 700 + b"\0")  # longer than its memory
    # within one frame: the very next one is shown
    assert line.say(RUNS, _runs(b"\x13", PALETTE)) == b"\x83"
    bursts = board.bursts()
    assert len(bursts) == shows + 1
    assert bursts[-1].octets == PALETTE[4:7] * 4


def test_noise_does_not_affect_the_frame_after_it(board: SimulatedBoard, line: RawLine) -> None:
    chance = random.Random(11)
    line.say(WIRING, _wiring(0, 3, 16))
    for turn in range(40):
        line.serial.write(chance.randbytes(chance.randrange(1, 90)))
        colour = bytes([turn, 255 - turn, 7, 0])
        assert line.say(RUNS, _runs(b"\x0f", colour)) == b"\x83"
        assert board.shown() == colour[:3] * 16


REFUSED = [
    (77, b"", UNKNOWN),
    (WIRING, b"\0", MALFORMED),
    (WIRING, _wiring(4, 3, 10), NO_SUCH),
    (WIRING, _wiring(0, 5, 10), NO_SUCH),
    (WIRING, _wiring(0, 3, 0), NO_SUCH),
    (WIRING, _wiring(0, 3, 4001), NO_SUCH),
    (WIRING, _wiring(0, 3, 10, 3), NO_SUCH),
    (RUNS, b"\0\0", MALFORMED),
    (RUNS, b"\0\0\0\x11" + bytes(68), MALFORMED),
    (RUNS, b"\0\0\0\x02" + bytes(7), MALFORMED),
    (RUNS, _runs(b"\x0f", at=3), NOT_NEXT),
    (RUNS, _runs(b"\x08", PALETTE), INCOMPLETE),
    (RUNS, _runs(b"\x0a", PALETTE), INCOMPLETE),
    (SHOW, b"\0", MALFORMED),
    (SHOW, b"", INCOMPLETE),
    (READ, b"\0", MALFORMED),
    (READ, b"\0\0", MALFORMED),
    (READ, b"\4\1", NO_SUCH),
    (SCALE, b"\0\0\0\1", MALFORMED),
    (SCALE, b"\4\0\0\0\1", NO_SUCH),
    (READ, b"\x80\x21", MALFORMED),
    (READ, b"\xa0\1", NO_SUCH),
    (READ, b"\x80\1", SILENT),
    (TONE, b"\0", MALFORMED),
]


def test_invalid_requests_are_refused_with_the_reason(board: SimulatedBoard, line: RawLine) -> None:
    board.tell("reset")
    line.handshake()
    for kind, said in ((RUNS, _runs(b"\x00", PALETTE)), (SHOW, b"")):
        assert line.say(kind, said) == bytes([0xFF, NO_WIRING])
    assert line.say(WIRING, _wiring(0, 3, 10)) == b"\x82"
    shows = len(board.bursts())
    for kind, said, refusal in REFUSED:
        assert line.say(kind, said) == bytes([0xFF, refusal]), (kind, said)
    assert len(board.bursts()) == shows
    assert line.say(RUNS, _runs(b"\x09", PALETTE)) == b"\x83"


def test_more_runs_than_fit_are_refused_and_overrun_nothing(
    board: SimulatedBoard, line: RawLine
) -> None:
    line.say(WIRING, _wiring(0, 3, 1400))
    for at in range(0, 1400, 175):
        assert line.say(RUNS, _runs(bytes(175), b"", at, show=False)) == b"\x83"
    assert line.say(RUNS, _runs(b"\0", b"", 1400)) == bytes([0xFF, NO_ROOM])
    assert line.say(SHOW) == b"\x84"
    assert len(board.shown()) == 3 * 1400


def test_stack_and_data_never_overlap(built: Built, board: SimulatedBoard, line: RawLine) -> None:
    line.say(WIRING, _wiring(0, 4, 2000))
    _send_frame(line, _ruler(2000), PALETTE)
    line.say(READ, b"\0\x40")
    line.say(SCALE, b"\0\0\0\0\1")
    words = ["avr-nm", str(built.image)]
    names = subprocess.run(words, check=True, capture_output=True, encoding="ascii").stdout
    end = next(int(row.split()[0], 16) for row in names.splitlines() if row.endswith(" _end"))
    _, lowest_stack = board.tell("sync")
    # data memory begins at 0x800000 in the image; 32 octets are an interrupt at the worst moment
    assert lowest_stack - (end - 0x800000) >= 32


def _mean(line: RawLine, channel: int, samples: int) -> float:
    found = line.say(READ, bytes([channel, samples]))
    assert found[:3] == bytes([0x85, channel, samples])
    return int.from_bytes(found[3:7], "big") / samples


def test_analog_inputs_are_read_against_the_internal_reference(
    board: SimulatedBoard, line: RawLine
) -> None:
    for channel in range(4):
        for millivolts in (0, 100, 550, 1090):
            board.tell(f"adc {channel} {millivolts}")
            # ATmega328P data sheet, analog to digital converter: V × 1024 / 1.1 V
            expected = millivolts / 1100 * 1024
            # the same sheet gives 2 counts of absolute accuracy; the simulator takes 1023
            assert _mean(line, channel, 64) == pytest.approx(expected, abs=2.0)
    board.tell("adc 2 2000")
    assert _mean(line, 2, 255) == 1023.0


def test_a_calibration_outlives_a_restart(board: SimulatedBoard, line: RawLine) -> None:
    assert line.say(READ, b"\1\1")[7:] == b"\xff" * 4
    assert line.say(SCALE, b"\1" + bytes.fromhex("00501234")) == b"\x86"
    board.tell("reset")
    line.handshake()
    assert line.say(READ, b"\1\1")[7:] == bytes.fromhex("00501234")
    assert line.say(READ, b"\2\1")[7:] == b"\xff" * 4


# -- keys, buzzer ----------------------------------------------------------------------------------


def test_each_press_of_a_key_is_sent_once(board: SimulatedBoard, line: RawLine) -> None:
    for pin, which in ((2, 1), (3, 2), (4, 3)):
        board.tell(f"key {pin} 0")
        assert line.hear(20.0) == bytes([0x89, 0, which])
        board.tell(f"key {pin} 1")
        assert line.say(READ, b"\0\x40")[:1] == b"\x85"  # longer than the contacts bounce
    assert line.hear(0.1) is None


def test_a_tone_lasts_a_fifth_of_a_second(board: SimulatedBoard, line: RawLine) -> None:
    line.handshake()
    assert line.say(TONE) == b"\x88"
    until(lambda: len(board.buzzes()) > 390)
    line.say(READ, b"\0\xff")  # it has ended by then
    rises = board.buzzes()
    assert (rises[-1] - rises[0]) / HERTZ == pytest.approx(0.2, abs=0.002)
    # 16 MHz / 64 / (2 × 63): ATmega328P data sheet, CTC mode
    assert np.median(np.diff(rises)) == pytest.approx(HERTZ / 1984, rel=0.01)


# -- power monitors --------------------------------------------------------------------------------


def _monitor_mean(line: RawLine, channel: int, samples: int = 2) -> float:
    found = line.say(READ, bytes([channel, samples]))
    assert found[:3] == bytes([0x85, channel, samples])
    return int.from_bytes(found[3:7], "big", signed=True) / samples


def test_a_monitor_is_read_as_its_data_sheet_gives_it(board: SimulatedBoard, line: RawLine) -> None:
    board.tell("monitor 0 2000 4871")
    board.tell("monitor 9 -31200 11950")
    assert line.handshake()[-2:] == bytes.fromhex("0201")  # a bit for each
    # TI SBOS547: 2.5 uV a count of the shunt input, 1.25 mV of the bus input
    assert _monitor_mean(line, 0x80) == 800
    assert _monitor_mean(line, 0x81) == round(4.871 / 1.25e-3)
    assert _monitor_mean(line, 0x80 + 18) == -12480
    assert line.say(READ, b"\x80\1")[7:] == (2500).to_bytes(4, "big")  # nV, without a calibration
    assert line.say(READ, b"\x81\1")[7:] == (1_250_000).to_bytes(4, "big")


def test_a_monitor_beyond_its_range_gives_the_end_of_it(
    board: SimulatedBoard, line: RawLine
) -> None:
    for microvolts, end in ((120_000, 0x7FFF), (-120_000, -0x8000)):
        board.tell(f"monitor 0 {microvolts} 5000")
        line.handshake()
        assert _monitor_mean(line, 0x80) == end


def test_a_reading_begins_after_its_request(board: SimulatedBoard, line: RawLine) -> None:
    board.tell("monitor 0 2000 5000")
    line.handshake()
    for microvolts in (5000, -7000, 9000):
        board.tell(f"monitor 0 {microvolts} 5000")
        assert _monitor_mean(line, 0x80, 1) == microvolts / 2.5


def test_the_zero_of_a_monitor_is_stored_and_taken_off(
    board: SimulatedBoard, line: RawLine
) -> None:
    board.tell("monitor 0 25 5000")
    line.handshake()
    assert _monitor_mean(line, 0x80) == 10
    assert line.say(SCALE, b"\xa0" + (10).to_bytes(4, "big")) == b"\x86"
    assert _monitor_mean(line, 0x80) == 0
    board.tell("reset")
    line.handshake()
    assert _monitor_mean(line, 0x80) == 0
    assert line.say(SCALE, b"\xa0" + bytes(4)) == b"\x86"


def test_a_monitor_that_does_not_answer_is_refused_and_stops_nothing(
    board: SimulatedBoard, line: RawLine
) -> None:
    board.tell("monitor 0 2000 5000")
    line.handshake()
    for chip in (0, 9):
        board.tell(f"unplug {chip}")
    assert line.say(READ, b"\x80\2") == bytes([0xFF, SILENT])
    line.say(WIRING, _wiring(0, 3, 1))
    assert line.say(RUNS, _runs(b"\x00", PALETTE)) == b"\x83"
    assert line.handshake()[-2:] == b"\0\0"
