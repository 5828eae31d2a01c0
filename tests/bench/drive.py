"""How well frames keep time, beside the sacn library's own sender.

By hand: `python -m tests.bench.drive [SECONDS]`. Prints; judges nothing. Runs in a network
namespace of its own that has only a loopback; packets are timed by the kernel as they arrive.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import random
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tests.bench.drive_sender import PERIOD_S, expected

UNIVERSES = 64
KEY_UNIVERSES = 16
PORT = 5568  # the library sends to no other
STAMPED = getattr(socket, "SO_TIMESTAMPNS", 35)
FORCED_BUFFER = 33  # SO_RCVBUFFORCE: socket(7)
SETTLE_S = 1.0
SENDERS = ("ours", "ours, synchronised", "sacn, its own thread", "sacn, manual flush")


@dataclass(frozen=True)
class Packet:
    at_ns: int
    universe: int
    slots: bytes


class Ear:
    """Hears everything on the port, each packet with the kernel's own time."""

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with contextlib.suppress(OSError):
            self._socket.setsockopt(socket.SOL_SOCKET, FORCED_BUFFER, 64 << 20)
        self._socket.setsockopt(socket.SOL_SOCKET, STAMPED, 1)
        self._socket.bind(("127.0.0.1", PORT))
        self._socket.settimeout(0.2)
        self.heard: list[Packet] = []
        self._done = False
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._done:
            try:
                octets, extra, _, _ = self._socket.recvmsg(700, 64)
            except TimeoutError:
                continue
            if octets[18:22] != b"\0\0\0\4" or octets[112] & 0x40:
                continue  # synchronization, or the end of a stream
            seconds, nanos = struct.unpack("@qq", extra[0][2][:16])
            universe = int.from_bytes(octets[113:115], "big")
            self.heard.append(Packet(seconds * 10**9 + nanos, universe, octets[126:]))

    def close(self) -> None:
        self._done = True
        self._thread.join()
        self._socket.close()


@contextlib.contextmanager
def listening() -> Iterator[Ear]:
    """An ear for as long as this lasts."""
    ear = Ear()
    try:
        yield ear
    finally:
        ear.close()


def _sender(mode: str, universes: int, seconds: float, *more: str) -> list[str]:
    module = [sys.executable, "-m", "tests.bench.drive_sender"]
    return [*module, mode, str(universes), f"{seconds:g}", str(PORT), *more]


def _intervals(heard: list[Packet]) -> np.ndarray:
    """Between packets of universe 1, without the beginning and the end. [ms]"""
    at_ms = np.array([packet.at_ns for packet in heard if packet.universe == 1]) / 1e6
    begin, end = at_ms[0] + SETTLE_S * 1e3, at_ms[-1] - SETTLE_S * 1e3
    return np.diff(at_ms[(at_ms >= begin) & (at_ms <= end)])


def _pace(heard: list[Packet]) -> str:
    gaps = _intervals(heard)
    off = np.abs(gaps - PERIOD_S * 1e3)
    p50, p99 = np.percentile(off, [50, 99])
    return f"{gaps.mean():9.4f} {p50:8.3f} {p99:8.3f} {off.max():8.3f}"


def compare(seconds: float) -> None:
    """Our sender and the library's, one after the other."""
    print(f"{UNIVERSES} universes, 40 frames a second, {seconds:g} s; off = |interval - 25 ms|")
    print(f"{'':>22} {'CPU %':>7} {'mean ms':>9} {'off p50':>8} {'off p99':>8} {'off max':>8}")
    for mode in SENDERS:
        with listening() as ear:
            done = subprocess.run(
                _sender(mode, UNIVERSES, seconds), stdout=subprocess.PIPE, check=True
            )
            time.sleep(0.3)
        cpu = json.loads(done.stdout)["cpu"]
        print(f"{mode:>22} {cpu * 100:7.1f} {_pace(ear.heard)}", flush=True)


def latency() -> None:
    """From a change that is asked for to the packets that carry it."""
    print(f"\n{KEY_UNIVERSES} universes: from a change asked for to its packets, ms")
    print(f"{'':>34} {'first p50':>9} {'first p99':>9} {'all p50':>9} {'all p99':>9}")
    for mode in ("keys at rest", "keys in a ramp"):
        with listening() as ear:
            words = _sender(mode, KEY_UNIVERSES, 0.0)
            done = subprocess.run(words, stdout=subprocess.PIPE, check=True)
            time.sleep(0.3)
        first, every = [], []
        for number, asked in enumerate(json.loads(done.stdout)["asked_ns"]):
            carries = bytes(expected(number))
            # not before: a ramp from one change may come by the levels of another
            came = [p.at_ns for p in ear.heard if p.at_ns > asked and p.slots[:3] == carries]
            came = came[:KEY_UNIVERSES]
            if len(came) == KEY_UNIVERSES:  # else the next change came before it went out
                first.append((came[0] - asked) / 1e6)
                every.append((came[-1] - asked) / 1e6)
        _row(f"{mode} ({len(first)} changes)", first, every)


def _row(name: str, *columns: list[float]) -> None:
    figures = [f"{value:9.2f}" for column in columns for value in np.percentile(column, [50, 99])]
    print(f"{name:>34} {' '.join(figures)}", flush=True)


@contextlib.contextmanager
def terminal(mode: str, seconds: float) -> Iterator[int]:
    """The terminal program on a pty; gives the end that a person sits at."""
    folder = tempfile.mkdtemp(prefix="benchtest-")
    ours, theirs = pty.openpty()
    os.set_blocking(ours, False)
    process = subprocess.Popen(
        _sender(mode, KEY_UNIVERSES, seconds, folder),
        stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
        env=os.environ | {"TERM": "xterm-256color", "COLUMNS": "110", "LINES": "40"},
    )  # fmt: skip
    os.close(theirs)
    try:
        yield ours
    finally:
        process.terminate()
        process.wait(10.0)
        os.close(ours)
        shutil.rmtree(folder)


def _wait(ours: int, seconds: float) -> None:
    """Let time pass, and read what is drawn: a terminal that nobody reads would block."""
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        with contextlib.suppress(OSError):  # nothing more is drawn
            while os.read(ours, 65536):
                pass
        time.sleep(0.005)


def _lit(ear: Ear) -> bool:
    return any(any(packet.slots) for packet in list(ear.heard))


def beside_the_screen(seconds: float) -> None:
    """Intervals of the clock in the terminal program: its map redrawn, a note being typed."""
    with listening() as ear, terminal("screen", seconds) as ours:
        while not _lit(ear):
            _wait(ours, 0.1)
        os.write(ours, b"n")
        end_s = time.monotonic() + seconds + 1.0
        while time.monotonic() < end_s:
            _wait(ours, 0.05)
            os.write(ours, random.choice((b"a", b"e", b"s", b"\x7f")))
        moving = [packet for packet in ear.heard if 1 < packet.slots[0] < 255]
    print(f"\n{KEY_UNIVERSES} universes, beside the screen of the terminal program")
    print(f"{'mean ms':>40} {'off p50':>8} {'off p99':>8} {'off max':>8}")
    print(f"{'':>30} {_pace(moving)}", flush=True)


def main() -> None:
    """Print every figure."""
    if os.environ.get("BENCH_ALONE") is None:
        setup = "PATH=$PATH:/sbin:/usr/sbin; ip link set lo up multicast on; "
        setup += 'ip route add 224.0.0.0/4 dev lo; exec "$@"'
        words = [sys.executable, "-m", "tests.bench.drive", *sys.argv[1:]]
        user = [] if os.geteuid() == 0 else ["--map-root-user"]
        again = ["unshare", *user, "--net", "sh", "-c", setup, "sh", *words]
        os.execvpe("unshare", again, os.environ | {"BENCH_ALONE": "1"})
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    compare(seconds)
    latency()
    beside_the_screen(seconds)


if __name__ == "__main__":
    main()
