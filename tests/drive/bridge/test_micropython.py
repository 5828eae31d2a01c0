"""The MicroPython firmware: its protocol piece by piece, and its PIO program in an emulator."""

from __future__ import annotations

import sys
from binascii import crc_hqx
from collections import deque
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st
from pioemu import State, emulate

from tests.drive.boards import FIRMWARE, TwoWireBus, micropython_side, sealed
from tests.drive.bridge.test_firmware import CLOCK, LIMITS, REFUSED, SLOW_LIMITS

FOLDER = FIRMWARE / "micropython"
SIDE = micropython_side()
SYSTEM_HZ = 125_000_000
"""Clock of the divider. Source: RP2040 data sheet."""
WIRING, RUNS, SHOW, READ, SCALE = 2, 3, 4, 5, 6


class Bench:
    """A board in memory; its messages and shifted data are recorded."""

    outputs, analogue, ram, nodes, can = 4, 4, 264_000, 8000, 7
    monitors: Any = None

    def __init__(self) -> None:
        self.shifted: list[tuple[int, bytes]] = []
        self.rates: list[int] = []
        self.tones = 0
        self.kept: dict[int, int] = {}
        self.sent = bytearray()
        self.number = 1
        self.bridge = SIDE.Bridge(self, self.sent.extend, 0)

    def shift(self, output: int, octets: bytes, rate: int) -> None:
        self.shifted.append((output, bytes(octets)))
        self.rates.append(rate)

    def tone(self) -> None:
        self.tones += 1

    def count(self, channel: int) -> int:
        return 1000 + channel

    def scale(self, channel: int) -> int | None:
        return self.kept.get(channel)

    def keep(self, channel: int, scale: int) -> None:
        self.kept[channel] = scale

    def say(self, kind: int, said: bytes = b"", now_ms: int = 0) -> bytes:
        """Send one message and return its answer without its number."""
        self.number = self.number % 255 + 1
        self.sent.clear()
        self.bridge.feed(sealed(bytes([kind, self.number]) + said), now_ms)
        (piece,) = filter(None, bytes(self.sent).split(b"\0"))
        body = cobs.decode(piece)
        assert crc_hqx(body, 0xFFFF) == 0
        assert body[1] == self.number
        return bytes(body[:1] + body[2:-2])


@pytest.fixture
def bench() -> Bench:
    return Bench()


@given(st.binary(max_size=252))
def test_cobs_and_crc_match_independent_ones(data: bytes) -> None:
    assert bytes(SIDE.stuff(data)) == cobs.encode(data)
    assert SIDE.unstuff(cobs.encode(data)) == data
    assert SIDE.crc16(data) == crc_hqx(data, 0xFFFF)


def test_it_starts_dark_on_all_outputs_and_sends_hello(bench: Bench) -> None:
    assert [output for output, _ in bench.shifted] == [0, 1, 2, 3]
    assert all(octets == bytes(32_000) for _, octets in bench.shifted)
    assert cobs.decode(bytes(bench.sent)[1:-1])[:2] == b"\x81\x00"


def test_it_refuses_what_the_other_firmware_refuses(bench: Bench) -> None:
    assert bench.say(SHOW) == b"\xff\x03"
    assert bench.say(WIRING, b"\0\3\0\x0a") == b"\x82"
    before = len(bench.shifted)
    for kind, said, refusal in REFUSED:
        beyond = (kind, said) == (WIRING, b"\0\3\x0f\xa1")  # 4001 nodes: this board has room
        if not beyond:
            assert bench.say(kind, said) == bytes([0xFF, refusal]), (kind, said)
    assert len(bench.shifted) == before
    assert bench.say(WIRING, b"\0\3\x1f\x41") == b"\xff\x07"  # 8001


def test_it_goes_dark_and_does_not_light_again_by_itself(bench: Bench) -> None:
    start = 0x3FFFFFFF - 1000  # the clock wraps during the test
    bench.say(WIRING, b"\1\4\0\2", start)
    assert bench.say(RUNS, b"\0\0\1\1\x01\x02\x03\x04\x01", start) == b"\x83"
    assert bench.shifted[-1] == (1, b"\x01\x02\x03\x04" * 2)
    bench.bridge.feed(b"", (start + 2499) & 0x3FFFFFFF)
    assert any(bench.shifted[-1][1])
    bench.bridge.feed(b"", (start + 2500) & 0x3FFFFFFF)
    assert bench.shifted[-1] == (1, bytes(8))
    assert bench.say(SHOW, now_ms=(start + 2600) & 0x3FFFFFFF) == b"\xff\x06"


def test_readings_add_up_and_scales_are_kept(bench: Bench) -> None:
    assert (
        bench.say(READ, b"\2\x08") == b"\x85\x02\x08" + (8 * 1002).to_bytes(4, "big") + b"\xff" * 4
    )
    assert bench.say(SCALE, b"\2\0\x50\x12\x34") == b"\x86"
    assert bench.say(READ, b"\2\1")[7:] == b"\0\x50\x12\x34"


def test_the_rate_of_wiring_reaches_the_data_line(bench: Bench) -> None:
    for rate in (2, 1, 0):
        assert bench.say(WIRING, bytes([0, 3, 0, 1, rate])) == b"\x82"
        assert bench.say(RUNS, b"\0\0\1\1\x01\x02\x03\x04\x00") == b"\x83"
        assert bench.rates[-1] == rate


def test_a_tone_is_begun_and_a_key_is_sent_after_a_hello(bench: Bench) -> None:
    assert bench.say(8) == b"\x88"
    assert bench.tones == 1
    bench.sent.clear()
    bench.bridge.press(2)
    assert not bench.sent  # no computer has sent a hello yet
    bench.say(1, b"\1")
    bench.sent.clear()
    bench.bridge.press(2)
    assert bytes(bench.sent) == sealed(b"\x89\0\2")


# -- power monitors -------------------------------------------------------------------------------


@pytest.fixture
def monitored(tmp_path: Path) -> tuple[Bench, TwoWireBus]:
    """A board with a bus, and the chips on it: the registers that simavr's board has too."""
    bench, bus = Bench(), TwoWireBus(tmp_path)
    bench.monitors = SIDE.Monitors(bus, bus.now_ms)
    return bench, bus


def _mean(bench: Bench, channel: int, samples: int = 2) -> float:
    found = bench.say(READ, bytes([channel, samples]))
    assert found[:3] == bytes([0x85, channel, samples])
    return int.from_bytes(found[3:7], "big", signed=True) / samples


def test_monitors_are_read_as_the_other_firmware_reads_them(
    monitored: tuple[Bench, TwoWireBus],
) -> None:
    bench, bus = monitored
    bus.set(0, 2e-3, 4.871)
    bus.set(9, -31.2e-3, 11.95)
    assert bench.say(1, b"\1")[-3:] == bytes.fromhex("07 0201")
    # TI SBOS547: 2.5 uV a count of the shunt input, 1.25 mV of the bus input
    assert _mean(bench, 0x80) == 800
    assert _mean(bench, 0x81) == round(4.871 / 1.25e-3)
    assert _mean(bench, 0x80 + 18) == -12480
    assert bench.say(READ, b"\x80\1")[7:] == (2500).to_bytes(4, "big")
    for volts, end in ((0.12, 0x7FFF), (-0.12, -0x8000)):
        bus.set(0, volts)
        assert _mean(bench, 0x80) == end
    for volts in (5e-3, -7e-3, 9e-3):  # read of the new volts alone
        bus.set(0, volts)
        assert _mean(bench, 0x80, 1) == round(volts / 2.5e-6)


def test_the_zero_of_a_monitor_is_taken_off(monitored: tuple[Bench, TwoWireBus]) -> None:
    bench, bus = monitored
    bus.set(0, -25e-6)
    bench.say(1, b"\1")
    assert _mean(bench, 0x80) == -10
    assert bench.say(SCALE, b"\xa0" + (-10).to_bytes(4, "big", signed=True)) == b"\x86"
    assert _mean(bench, 0x80) == 0


def test_a_monitor_that_is_gone_is_refused(monitored: tuple[Bench, TwoWireBus]) -> None:
    bench, bus = monitored
    bus.set(0, 2e-3)
    bench.say(1, b"\1")
    bus.unplug(0)
    assert bench.say(READ, b"\x80\1") == b"\xff\x08"
    assert bench.say(1, b"\1")[-2:] == b"\0\0"


# -- the PIO program ------------------------------------------------------------------------------


class Assembler:
    """The part of MicroPython's `rp2` that the program needs. Source: RP2040 data sheet, 3.4."""

    OUT_LOW, SHIFT_LEFT, JOIN_TX = "low", "left", "tx"

    def __init__(self) -> None:
        self.words: list[tuple[int, str | None]] = []
        self.labels: dict[str, int] = {}
        self.options: dict[str, Any] = {}

    def asm_pio(self, **options: Any) -> Any:
        def assemble(program: Any) -> list[int]:
            self.options = options
            names = ("label", "out", "jmp", "nop")
            program.__globals__.update({name: getattr(self, name) for name in names})
            program.__globals__.update(x="x", not_x="not_x")
            self.words, self.labels = [], {}
            program()
            return [word | (self.labels[to] if to else 0) for word, to in self.words]

        return assemble

    def label(self, name: str) -> None:
        self.labels[name] = len(self.words)

    def out(self, into: str, count: int) -> Assembler:
        assert into == "x"
        return self._add(0b011 << 13 | 0b001 << 5 | count)

    def jmp(self, *to: str) -> Assembler:
        condition = 0b001 if to[0] == "not_x" else 0
        return self._add(condition << 5, to[-1])

    def nop(self) -> Assembler:
        return self._add(0b101 << 13 | 0b010 << 5 | 0b010)  # mov y, y

    def _add(self, word: int, to: str | None = None) -> Assembler:
        self.words.append((word, to))
        return self

    def side(self, level: int) -> Assembler:
        return self._or(level << 12)  # the first of five bits; four are left for the delay

    def __getitem__(self, delay: int) -> Assembler:
        assert 0 <= delay < 16
        return self._or(delay << 8)

    def _or(self, bits: int) -> Assembler:
        word, to = self.words[-1]
        self.words[-1] = (word | bits, to)
        return self


def _program(monkeypatch: pytest.MonkeyPatch, rate: int = 0) -> tuple[list[int], float, Assembler]:
    """Return the opcodes of a rate and the length of a step. [ns]"""
    assembler = Assembler()
    rp2 = ModuleType("rp2")
    monkeypatch.setattr(rp2, "asm_pio", assembler.asm_pio, raising=False)
    monkeypatch.setattr(rp2, "PIO", Assembler, raising=False)
    monkeypatch.setitem(sys.modules, "rp2", rp2)
    space: dict[str, Any] = {"__name__": "signal_pio"}
    exec((FOLDER / "signal_pio.py").read_text(encoding="utf-8"), space)
    return space["programs"]()[rate], 1e9 / space["STEP_HZ"][rate], assembler


def _levels(opcodes: list[int], octets: bytes) -> list[tuple[int, int]]:
    """Return step and level at each change of the pin, to the end of the last bit."""
    fifo = deque(octet << 24 for octet in octets)
    ended = len(octets) * 8 * 20 + 40
    changes, level = [], 0
    for before, after in emulate(
        opcodes,
        stop_when=lambda _, state: state.clock > ended,
        initial_state=State(transmit_fifo=fifo),
        auto_pull=True,
        pull_threshold=8,
        shift_osr_right=False,
        side_set_base=0,
        side_set_count=1,
    ):
        if after.pin_values & 1 != level:
            level = after.pin_values & 1
            changes.append((before.clock, level))
    return changes


@pytest.mark.parametrize(
    ("rate", "limits"), [(0, LIMITS), *((rate, {rate: one}) for rate, one in SLOW_LIMITS.items())]
)
def test_the_pio_program_is_within_the_data_sheets(
    monkeypatch: pytest.MonkeyPatch, rate: int, limits: dict[object, Any]
) -> None:
    opcodes, step_ns, assembler = _program(monkeypatch, rate)
    assert assembler.options["out_shiftdir"] == Assembler.SHIFT_LEFT
    assert (assembler.options["autopull"], assembler.options["pull_thresh"]) == (True, 8)
    octets = bytes([0x00, 0xFF, 0xA5, 0x01, 0x80, 0x3C])
    changes = _levels(opcodes, octets)
    assert [level for _, level in changes] == [1, 0] * (8 * len(octets))
    steps = np.array([step for step, _ in changes]).reshape(-1, 2)
    high, low = steps[:, 1] - steps[:, 0], steps[1:, 0] - steps[:-1, 1]
    assert np.packbits(high > 8).tobytes() == octets
    ones = high > 8
    jitter_ns = 1e9 / SYSTEM_HZ  # a fractional divider moves an edge by one clock
    times = [high[~ones], low[~ones[:-1]], high[ones], low[ones[:-1]]]
    for kind, windows in limits.items():
        for found, (least, most) in zip(times, windows, strict=True):
            assert found.min() * step_ns * (1 - CLOCK) - jitter_ns >= least, kind
            assert found.max() * step_ns * (1 + CLOCK) + jitter_ns <= most, kind


def test_the_line_is_low_while_nothing_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    opcodes, _, _ = _program(monkeypatch)
    assert _levels(opcodes, b"") == []
    assert _levels(opcodes, b"\xff")[-1][1] == 0
