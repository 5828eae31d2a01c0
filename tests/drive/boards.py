"""Boards for the driver: the AVR's firmware in simavr, and the MicroPython one on a pty.

Both are behind a link, like a USB port that may get another name when it is plugged in again.
"""

from __future__ import annotations

import ctypes
import errno
import importlib.util
import os
import random
import select
import subprocess
import time
from binascii import crc_hqx
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from cobs import cobs
from numpy.typing import NDArray
from serial import Serial

from tests.drive.on_a_pty import OnAPty, link

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "hw_notes" / "bridge"
HERTZ = 16_000_000
BUZZER = 8
"""Number of the buzzer's pin in the file of edges."""
GAP_CYCLES = 800
"""Low time of 50 µs, after which nodes latch their data. Source: WS2812B data sheet."""


@dataclass(frozen=True)
class Built:
    """The firmware image, and the program that runs it."""

    image: Path
    simulator: Path


def build(folder: Path) -> Built:
    """Build both from their sources."""
    subprocess.run(["make", "-s", "-C", FIRMWARE, f"BUILD={folder}"], check=True)
    simulator = folder / "simulated_board"
    words = ["gcc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", str(simulator)]
    words += [str(HERE / f"simulated_{name}.c") for name in ("board", "monitor")]
    words += ["-lsimavr", "-lelf", "-lm"]
    subprocess.run(words, check=True)
    return Built(folder / "bridge.elf", simulator)


@dataclass(frozen=True)
class Burst:
    """Data between two rests of a line. Times in cycles of 62.5 ns."""

    start: int
    end: int
    high: NDArray[np.int64]
    low: NDArray[np.int64]
    """Low time after each bit but the last."""

    @property
    def octets(self) -> bytes:
        """Bits; high for more than half of 1250 ns is a 1."""
        return np.packbits(self.high > 8).tobytes()


def _bursts(edges: NDArray[np.uint64]) -> list[Burst]:
    """Separate the edges of one line at its rests; drop an octet that is cut."""
    if len(edges) and not edges[0] & 1:  # the pin was made an output
        edges = edges[1:]
    bits = (edges >> 8).astype(np.int64)[: len(edges) // 2 * 2].reshape(-1, 2)
    rests = np.flatnonzero(bits[1:, 0] - bits[:-1, 1] > GAP_CYCLES) + 1
    return [
        Burst(
            int(part[0, 0]), int(part[-1, 1]), part[:, 1] - part[:, 0], part[1:, 0] - part[:-1, 1]
        )
        for part in np.split(bits, rests)
        if len(part) and len(part) % 8 == 0
    ]


class SimulatedBoard:
    """The firmware itself on a simulated ATmega328P."""

    def __init__(self, built: Built, folder: Path, *, free: bool = False) -> None:
        self.port = folder / "port"
        self._edges = folder / "edges"
        self._words = [str(built.simulator), str(built.image), str(self._edges)]
        self._words += ["free"] if free else []
        self.plug()

    def plug(self) -> None:
        """Switch it on; its port appears."""
        self._taken = 0
        self._bursts: list[list[Burst]] = [[] for _ in range(4)]
        self._edges_of = [np.zeros(0, dtype=np.uint64)] * 9
        self._process = subprocess.Popen(
            self._words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="ascii"
        )
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith("/dev/"):
                link(self.port, line.strip())
                return
        raise AssertionError("the simulator does not start")

    def unplug(self) -> None:
        """Switch it off; its port disappears, and its memory is lost."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()

    close = unplug

    def tell(self, command: str) -> tuple[int, int]:
        """Send a command to the simulator; return the cycle and the lowest stack so far."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{command}\n")
        self._process.stdin.flush()
        cycle, stack = self._process.stdout.readline().split()
        return int(cycle), int(stack)

    def bursts(self, pin: int = 0) -> list[Burst]:
        """Return the data of a line since power came."""
        self.tell("sync")
        fresh = np.fromfile(self._edges, dtype=np.uint64, offset=self._taken)
        self._taken += fresh.nbytes
        for each in (0, 1, 2, 3, BUZZER):
            edges = fresh[(fresh >> 1) & 0x7F == each]
            self._edges_of[each] = np.concatenate((self._edges_of[each], edges))
        self._cut(pin)
        return self._bursts[pin] + _bursts(self._edges_of[pin])

    def buzzes(self) -> NDArray[np.int64]:
        """Return the cycles at which the buzzer's pin rose since power came."""
        self.bursts()
        edges = self._edges_of[BUZZER]
        return np.unique((edges[(edges & 1) == 1] >> 8).astype(np.int64))

    def _cut(self, pin: int) -> None:
        """Store the bursts that are complete."""
        edges = self._edges_of[pin]
        rests = np.flatnonzero(np.diff((edges >> 8).astype(np.int64)) > GAP_CYCLES)
        if len(rests):
            self._bursts[pin] += _bursts(edges[: rests[-1] + 1])
            self._edges_of[pin] = edges[rests[-1] + 1 :]

    def shown(self) -> bytes:
        """Return the octets of the last frame."""
        bursts = self.bursts()
        return bursts[-1].octets if bursts else b""


def micropython_side() -> Any:
    """The board's side in Python, as installed on the board."""
    path = FIRMWARE / "micropython" / "bridge.py"
    spec = importlib.util.spec_from_file_location("micropython_bridge", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class PythonBoard(OnAPty):
    """The MicroPython firmware's protocol on a real pty; its data line is recorded.

    Attributes:
        side: its module.
        hurt: share of octets that the line loses or corrupts, in either direction.
        deaf_s: time that its boot loader takes after power or a restart. [s]
        dumb: it receives and acts, and its answers are lost.
        frames: frames sent to the data line.
        rates: rate of each of them, as *wiring* sends it.
        tones: number of tones.
        heard: kind of each message that it answered, except hello.
    """

    outputs, analogue, ram, nodes, can = 1, 0, 264_000, 8000, 7
    monitors: Any = None

    def __init__(self, folder: Path, *, deaf_s: float = 0.0, hurt: float = 0.0) -> None:
        self.port = folder / "port"
        self.side = micropython_side()
        self.deaf_s, self.hurt, self.dumb = deaf_s, hurt, False
        self.frames: list[bytes] = []
        self.rates: list[int] = []
        self.tones = 0
        self.heard: list[int] = []
        self._chance = random.Random(5)
        self.plug()

    def shown(self) -> bytes:
        """Return the octets of the last frame."""
        return self.frames[-1] if self.frames else b""

    def shift(self, _: int, octets: bytes, rate: int) -> None:
        """The data line at the place where the firmware looks for it."""
        self.frames.append(bytes(octets))  # the firmware uses its memory again
        self.rates.append(rate)

    def tone(self) -> None:
        self.tones += 1

    def scale(self, channel: int) -> int | None:
        return None

    def press(self, which: int) -> None:
        """Press a key of the board: 1 yes, 2 no, 3 back."""
        self._bridge.press(which)

    def begin(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Restart it, as after a dip of its supply."""
        self._boots_s = time.monotonic() + self.deaf_s
        self._bridge: Any = None

    def _run(self) -> None:
        while not self._done:
            readable, _, _ = select.select([self._line], [], [], 0.01)
            octets = os.read(self._line, 4096) if readable else b""
            bridge = self._bridge
            if bridge is None:
                if time.monotonic() >= self._boots_s:
                    self._bridge = self._started()
            else:
                bridge.feed(self._hurt(octets), _ticks_ms())

    def _started(self) -> Any:
        heard = self.heard

        class Heard(self.side.Bridge):  # type: ignore[misc, name-defined]
            def settle(self, kind: int, number: int, refusal: int) -> None:
                heard.append(kind)
                super().settle(kind, number, refusal)

        return Heard(self, self.send, _ticks_ms())

    def send(self, octets: bytes) -> None:
        if not self.dumb:
            os.write(self._line, self._hurt(octets))

    def _hurt(self, octets: bytes) -> bytes:
        came = bytearray()
        for octet in octets:
            luck = self._chance.random()
            if luck >= self.hurt / 2:
                came.append(octet ^ 1 << self._chance.randrange(8) if luck < self.hurt else octet)
        return bytes(came)


def _ticks_ms() -> int:
    """The board's clock, which wraps as MicroPython's does."""
    return int(time.monotonic() * 1000) & 0x3FFFFFFF


class TwoWireBus:
    """Power monitors on a two-wire bus, with the registers of `simulated_monitor.c`.

    Attributes:
        now_us: clock of the chips, which each exchange turns on as at 100 kHz. [µs]
    """

    _EXCHANGE_US = 500

    def __init__(self, folder: Path) -> None:
        library = folder / "monitor.so"
        words = ["gcc", "-O2", "-shared", "-fPIC", "-o", str(library)]
        subprocess.run([*words, str(HERE / "simulated_monitor.c"), "-lm"], check=True)
        self._chips = ctypes.CDLL(str(library))
        self._chips.monitor_set.argtypes = (
            [ctypes.c_int] * 2 + [ctypes.c_double] * 2 + [ctypes.c_uint64]
        )
        self._chips.monitor_read.argtypes = [ctypes.c_int] * 2 + [ctypes.c_uint64]
        self._chips.monitor_write.argtypes = [ctypes.c_int] * 3 + [ctypes.c_uint64]
        self.now_us = 0

    def now_ms(self) -> int:
        return self.now_us // 1000

    def set(self, chip: int, shunt_v: float, bus_v: float = 5.0) -> None:
        """Plug a chip in, with volts at its inputs. [V]"""
        self._chips.monitor_set(chip, 1, shunt_v, bus_v, self.now_us)

    def unplug(self, chip: int) -> None:
        self._chips.monitor_set(chip, 0, 0.0, 0.0, self.now_us)

    def readfrom_mem(self, address: int, which: int, octets: int) -> bytes:
        """As MicroPython's."""
        self._exchange(address)
        found: int = self._chips.monitor_read(address, which, self.now_us)
        return found.to_bytes(octets, "big")

    def writeto_mem(self, address: int, which: int, octets: bytes) -> None:
        """As MicroPython's."""
        self._exchange(address)
        self._chips.monitor_write(address, which, int.from_bytes(octets, "big"), self.now_us)

    def _exchange(self, address: int) -> None:
        self.now_us += self._EXCHANGE_US
        if not self._chips.monitor_is_there(address):
            raise OSError(errno.ENODEV, "no device")


class RawLine:
    """A line for single messages, valid or not, without our driver or codec."""

    def __init__(self, port: Path) -> None:
        self.serial = Serial(str(port), 500_000, timeout=0.05, exclusive=True)
        self._held = b""
        self.number = 0

    def handshake(self) -> bytes:
        """Send hello until it is answered; return the octets of the answer."""
        due_s = time.monotonic() + 20.0
        while time.monotonic() < due_s:
            self.number = self.number % 255 + 1
            self.send(1, self.number, b"\x01")
            while (found := self.hear(0.3)) is not None:
                if found[:2] == bytes([0x81, self.number]):
                    return found[2:]
        raise AssertionError("no hello")

    def say(self, kind: int, said: bytes = b"") -> bytes:
        """Send one message and return its answer without its number."""
        self.number = self.number % 255 + 1
        self.send(kind, self.number, said)
        found = self.hear(20.0)
        assert found is not None
        assert found[1] == self.number
        return found[:1] + found[2:]

    def send(self, kind: int, number: int, said: bytes = b"") -> None:
        self.serial.write(sealed(bytes([kind, number]) + said))

    def hear(self, within_s: float) -> bytes | None:
        """Return the next complete message: kind, number and payload."""
        due_s = time.monotonic() + within_s
        while True:
            while b"\0" in self._held:
                piece, _, self._held = self._held.partition(b"\0")
                if piece:
                    body = cobs.decode(piece)
                    assert crc_hqx(body, 0xFFFF) == 0
                    return bytes(body[:-2])
            if time.monotonic() > due_s:
                return None
            self._held += self.serial.read(max(1, self.serial.in_waiting))

    def close(self) -> None:
        self.serial.close()


def sealed(body: bytes) -> bytes:
    """Encode a message as the notes describe it."""
    return bytes(b"\0" + cobs.encode(body + crc_hqx(body, 0xFFFF).to_bytes(2, "big")) + b"\0")
