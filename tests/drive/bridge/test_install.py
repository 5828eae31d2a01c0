"""The firmware is installed on boards with MicroPython and on AVRs, each on a real pty."""

from __future__ import annotations

import hashlib
import os
import pty
import select
import subprocess
import sys
import termios
import tty
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from serial import Serial

from benchtest.drive.bridge.install import (
    AVR_IMAGE,
    MICROPYTHON_FILES,
    firmware_file,
    install,
    wait_for_bridge,
)
from benchtest.drive.bridge.messages import (
    CAN_KEYS,
    CAN_SLOW,
    CAN_TONE,
    SLOW_LONG,
    Board,
    Kind,
    Message,
)
from benchtest.drive.bridge.serial_link import SerialLink
from benchtest.errors import DriveFault
from tests.drive.boards import FIRMWARE, PythonBoard, micropython_side
from tests.drive.on_a_pty import OnAPty
from tests.waiting import until

STAND_IN = Path(__file__).with_name("micropython_stand_in.py")


class MicroPythonBoard:
    """A board with MicroPython: the stand-in as a process, its flash a folder."""

    def __init__(self, folder: Path) -> None:
        self.flash, self.shifted = folder / "flash", folder / "shifted"
        self.flash.mkdir(exist_ok=True)
        self._line, self._far_end = pty.openpty()
        tty.setraw(self._far_end)
        self.port = os.ttyname(self._far_end)
        self._process = subprocess.Popen(
            [sys.executable, str(STAND_IN), str(self.shifted)],
            cwd=self.flash, stdin=self._line, stdout=self._line,
        )  # fmt: skip

    def dark_frames(self) -> list[int]:
        """Return the pins on which the last frame is dark."""
        last = dict(line.split() for line in self.shifted.read_text().splitlines())
        return [int(pin) for pin, octets in last.items() if set(octets) <= {"0"}]

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._far_end)
        os.close(self._line)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[MicroPythonBoard]:
    made = MicroPythonBoard(tmp_path)
    yield made
    made.close()


@pytest.fixture
def bridge(tmp_path: Path) -> Iterator[MicroPythonBoard]:
    """The board with its firmware, as after an installation."""
    (tmp_path / "flash").mkdir()
    for name in MICROPYTHON_FILES:
        (tmp_path / "flash" / name).write_bytes(firmware_file(name).read_bytes())
    made = MicroPythonBoard(tmp_path)
    yield made
    made.close()


def test_an_empty_board_gets_the_firmware_and_is_updated_by_the_same(
    board: MicroPythonBoard,
) -> None:
    said: list[str] = []
    found = install(board.port, said.append)
    assert found.outputs == 4
    assert found.max_nodes == (60_000 - 40_000) // 5  # what its memory holds, not 8000
    for name in MICROPYTHON_FILES:
        assert (board.flash / name).read_bytes() == firmware_file(name).read_bytes()
    assert [words for words in said if words.startswith("copying")] == [
        "copying bridge.py, signal_pio.py, main.py, and starting the board"
    ]
    (board.flash / "signal_pio.py").write_text("# an earlier version")
    said.clear()
    install(board.port, said.append)
    assert "asking the bridge for its prompt" in said
    assert (board.flash / "signal_pio.py").read_bytes() == firmware_file(
        "signal_pio.py"
    ).read_bytes()
    assert not (board.flash / "stay.txt").exists()


def test_an_error_takes_the_prop_dark_and_restarts_the_board(bridge: MicroPythonBoard) -> None:
    with closing(SerialLink(bridge.port)) as link:
        link.handshake(20.0)
        link.ask(Kind.WIRING, bytes([0, 3, 0, 2]))
        link.ask(Kind.RUNS, bytes([0, 0, 1, 1, 9, 9, 9, 0, 1]))
        assert 16 not in bridge.dark_frames()
        (bridge.flash / "break.txt").touch()
        until(lambda: not (bridge.flash / "break.txt").exists())
        until(lambda: bridge.dark_frames() == [16, 17, 18, 19])
        assert link.handshake(20.0).outputs == 4


def test_keys_tone_and_400_khz_of_the_board(bridge: MicroPythonBoard) -> None:
    with closing(SerialLink(bridge.port)) as link:
        found = link.handshake(20.0)
        assert found.can == CAN_SLOW + CAN_KEYS + CAN_TONE
        assert found.monitor_bits == 0  # no chip on its bus
        held = bridge.flash / "pressed26.txt"
        held.touch()  # the key at IO26: no

        def is_pressed() -> bool:
            link.check_board()
            return bool(link.pressed)

        until(is_pressed)
        held.unlink()
        assert list(link.pressed) == [2]
        link.ask(Kind.TONE)
        until(lambda: _text(bridge.flash / "tone.txt") == "23 2000 on off")  # it ends by itself
        link.ask(Kind.WIRING, bytes([0, 3, 0, 2, SLOW_LONG]))
        link.ask(Kind.RUNS, bytes([0, 0, 1, 1, 9, 9, 9, 0, 1]))
        # high and low time of a 0 and of a 1: UCS1903 data sheet, from memory
        assert (bridge.flash / "timing.txt").read_text() == "500 2000 2000 500"


def _text(path: Path) -> str:
    return path.read_text() if path.exists() else ""


def test_ctrl_c_in_the_pause_at_the_start_gives_the_prompt(bridge: MicroPythonBoard) -> None:
    (bridge.flash / "break.txt").touch()  # the board restarts as soon as it serves
    until(lambda: not (bridge.flash / "break.txt").exists())
    with Serial(bridge.port, timeout=0.05) as line:
        heard = b""

        def has_prompt() -> bool:
            nonlocal heard
            line.write(b"\r\x03")
            heard += line.read(64)
            return b">>> " in heard

        until(has_prompt)


def test_no_hello_looks_like_a_wish_for_the_prompt() -> None:
    """A program that begins while the board starts must not stop the board."""
    for number in range(256):
        octets = 2 * Message(Kind.HELLO, number, b"\1").encoded()
        assert b"\r\x03" not in octets
        assert b"\x03\x03" not in octets


class SlowLine(PythonBoard):
    """A bridge behind a serial chip, whose line runs at MicroPython's 115 200 baud."""

    def _hurt(self, octets: bytes) -> bytes:
        """Garble octets while the line has another rate: `termios` keeps that of a pty too."""
        speed = termios.tcgetattr(self._far_end)[5]
        return octets if speed == termios.B115200 else bytes(one ^ 0x55 for one in octets)


def test_a_board_behind_a_serial_chip_is_found_at_its_rate(tmp_path: Path) -> None:
    board = SlowLine(tmp_path)
    said: list[str] = []
    try:
        assert wait_for_bridge(str(board.port), None, said.append).outputs == 1
        assert said == [f"its line runs at 115200 baud: write serial:{board.port}@115200"]
    finally:
        board.close()


# -- the ATmega328P --------------------------------------------------------------------------------


class BootLoader(OnAPty):
    """A boot loader that speaks STK500, as Atmel's application note AVR061 describes it.

    Attributes:
        flash: octets written, by address.
        signature: that of its chip.
        bridge: the program that starts when the boot loader is left; here the protocol in Python.
        messages: those of its installation.
        found: result of its installation.
    """

    outputs, analogue, ram, nodes, can = 1, 0, 2048, 1400, 7
    monitors = None
    found: Future[Board]

    def __init__(self, folder: Path) -> None:
        self.messages: list[str] = []
        self.port = folder / "avr"
        self.flash = bytearray(b"\xff" * 32_768)
        self.signature = bytes([0x1E, 0x95, 0x0F])  # an ATmega328P; its data sheet
        self.bridge: Any = None
        self.plug()

    def _run(self) -> None:
        held, address = b"", 0
        while not self._done:
            if not select.select([self._line], [], [], 0.01)[0]:
                continue
            octets = os.read(self._line, 4096)
            if self.bridge is not None:
                self.bridge.feed(octets, 0)
                continue
            held += octets
            while held:
                length = self._length(held)
                if len(held) < length:
                    break
                command, held = held[:length], held[length:]
                if command[-1:] != b" ":  # out of step: wait for the next command
                    held = b""
                    break
                answer = b""
                if command[:1] == b"U":  # load address, in words
                    address = 2 * int.from_bytes(command[1:3], "little")
                elif command[:1] == b"d":  # program page
                    page = command[4:-1]
                    self.flash[address : address + len(page)] = page
                elif command[:1] == b"t":  # read page
                    count = int.from_bytes(command[1:3], "big")
                    answer = bytes(self.flash[address : address + count])
                elif command[:1] == b"u":  # read signature
                    answer = self.signature
                elif command[:1] == b"A":  # get parameter
                    answer = bytes([3])
                elif command[:1] == b"V":  # universal: an instruction of four octets
                    answer = bytes([0])
                os.write(self._line, b"\x14" + answer + b"\x10")
                if command[:1] == b"Q":  # leave programming mode
                    self.bridge = micropython_side().Bridge(self, self._send, 0)

    def _send(self, octets: bytes) -> None:
        os.write(self._line, octets)

    def shift(self, output: int, octets: bytes, rate: int) -> None:
        """The data line, which has no wire here."""

    def _length(self, held: bytes) -> int:
        if held[:1] == b"d" and len(held) >= 3:
            return 5 + int.from_bytes(held[1:3], "big")
        return {b"U": 4, b"d": 5, b"t": 5, b"A": 3, b"V": 6, b"B": 22, b"E": 7}.get(held[:1], 2)


def test_the_image_that_ships_is_that_of_the_sources(tmp_path: Path) -> None:
    """SHA-256 of the image and of a fresh build by avr-gcc."""
    subprocess.run(["make", "-s", "-C", FIRMWARE, f"BUILD={tmp_path}"], check=True)
    fresh = hashlib.sha256((tmp_path / AVR_IMAGE).read_bytes()).hexdigest()
    assert hashlib.sha256(firmware_file(AVR_IMAGE).read_bytes()).hexdigest() == fresh


@pytest.fixture(scope="module")
def loaders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, BootLoader]]:
    """Two boards, each being written from now on: most of it is waiting for an answer."""
    made = {}
    with ThreadPoolExecutor() as pool:
        for name in ("ATmega328P", "ATmega168"):
            loader = made[name] = BootLoader(tmp_path_factory.mktemp(name))
            if name == "ATmega168":
                loader.signature = bytes([0x1E, 0x94, 0x06])  # its data sheet
            loader.found = pool.submit(
                install, str(loader.port), loader.messages.append, "atmega328p"
            )
        yield made
    for loader in made.values():
        loader.close()


def test_avrdude_writes_the_image_through_a_boot_loader(
    loaders: dict[str, BootLoader], tmp_path: Path
) -> None:
    loader = loaders["ATmega328P"]
    image = tmp_path / "image.bin"
    (tmp_path / AVR_IMAGE).write_bytes(firmware_file(AVR_IMAGE).read_bytes())
    words = ["avr-objcopy", "-I", "ihex", "-O", "binary", str(tmp_path / AVR_IMAGE), str(image)]
    subprocess.run(words, check=True)
    assert loader.found.result().outputs == 1
    expected = image.read_bytes()
    assert bytes(loader.flash[: len(expected)]) == expected
    assert "writing bridge.hex through the boot loader at 115200 baud" in loader.messages


def test_another_chip_is_reported(loaders: dict[str, BootLoader]) -> None:
    with pytest.raises(DriveFault, match=r"avrdude ended with 1 .*is it the right port"):
        loaders["ATmega168"].found.result()


def test_a_missing_port_is_reported(tmp_path: Path) -> None:
    with pytest.raises(DriveFault, match="no such port"):
        install(str(tmp_path / "none"), lambda _: None)
