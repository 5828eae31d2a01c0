"""Timing of frames, compared with the sacn library's own sender.

By hand: `python -m tests.bench.drive [--seconds 3] [--json]`, about three minutes.
Prints; judges nothing. Runs in a network namespace of its own that has only a loopback; packets are
timed by the kernel as they arrive. Senders that are compared take turns, since other work of the
machine comes and goes.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchtest.operating_system import may_raise_thread_priority
from tests.bench.drive_sender import PERIOD_S, expected
from tests.bench.figures import note, run
from tests.bench.terminal import drawn, program

UNIVERSES = 64
PACED_UNIVERSES = (1, 16, UNIVERSES)
LEAST_MS = 22.676
"""Shortest time between two packets of a universe. Source: ANSI E1.11, 513 slots; E1.31, 6.6.1."""
KEY_UNIVERSES = 16
PORT = 5568  # the library sends to no other
STAMPED = getattr(socket, "SO_TIMESTAMPNS", 35)
FORCED_BUFFER = 33  # SO_RCVBUFFORCE: socket(7)
SETTLE_S = 0.4
LATE_MS = 5.0
PATIENCE_S = 60.0
OURS, OURS_SYNC, BARE = "ours", "ours, synchronised", "bare sleep, no packets"
OWN_THREAD, FLUSH = "sacn, its own thread", "sacn, manual flush"
TURNS = 2
"""Turns that each of several senders has."""
REAL_TIME, ORDINARY = "with real-time rights", "as an ordinary user"
BUSY = "beside a busy loop on every core"
BUSY_LOOP = (sys.executable, "-c", "while True: pass")
WITHOUT_RIGHTS = ("setpriv", "--bounding-set=-sys_nice", "--inh-caps=-sys_nice")
"""Command that takes real-time rights from another. Source: setpriv(1), capabilities(7)."""
Row = dict[str, Any]


@dataclass(frozen=True)
class Packet:
    at_ns: int
    universe: int
    slots: bytes


class Ear:
    """Receiver of all data packets on the port, with the kernel's time of each."""

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
    """Run a receiver within the context."""
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


def _pace(gaps: np.ndarray) -> Row:
    """Return statistics of the intervals: deviations from 25 ms, and the number of stalls."""
    off = np.abs(gaps - PERIOD_S * 1e3)
    p50, p99 = np.percentile(off, [50, 99])
    far_s = np.cumsum(gaps)[off > LATE_MS] / 1e3
    return {
        "mean_ms": float(gaps.mean()),
        "off_p50_ms": float(p50),
        "off_p99_ms": float(p99),
        "off_max_ms": float(off.max()),
        "intervals": len(gaps),
        # one stall of the machine makes many intervals late; how many stalls there were
        "short": int((gaps < LEAST_MS).sum()),
        "stalls": int(1 + (np.diff(far_s) > 1.0).sum()) if len(far_s) else 0,
    }


def _waits(*columns: tuple[str, list[float]]) -> Row:
    row: Row = {}
    for name, values in columns:
        p50, p99 = np.percentile(values, [50, 99])
        row |= {f"{name}_p50_ms": float(p50), f"{name}_p99_ms": float(p99)}
        row |= {f"{name}_max_ms": float(max(values)), "count": len(values)}
    return row


def compare(
    seconds: float, universes: int, senders: Sequence[str], before: Sequence[str]
) -> Iterator[tuple[str, Row]]:
    """Our sender and the library's in turns, at 40 frames a second.

    Args:
        seconds: time of each turn.
        universes: number of universes.
        senders: modes of the sender.
        before: command that starts each sender.
    """
    gaps: dict[str, list[np.ndarray]] = {mode: [] for mode in senders}
    found: dict[str, list[Row]] = {mode: [] for mode in senders}
    for turn in range(TURNS):
        for mode in senders if turn % 2 == 0 else senders[::-1]:
            with listening() as ear:
                words = [*before, *_sender(mode, universes, seconds)]
                done = subprocess.run(words, stdout=subprocess.PIPE, check=True)
                time.sleep(0.2)
            row = json.loads(done.stdout)
            own = np.array(row.pop("gaps")) if "gaps" in row else _intervals(ear.heard)
            gaps[mode].append(own)
            found[mode].append(row)
    for mode in senders:
        cpu = sum(row["cpu"] for row in found[mode]) / TURNS
        worst: Row = {
            key: max(row[key] for row in found[mode])
            for key in ("waited_ms", "late_ms")
            if key in found[mode][0]
        }
        yield mode, {"cpu": cpu, **worst, **_pace(np.concatenate(gaps[mode]))}


@contextlib.contextmanager
def busy() -> Iterator[None]:
    """Keep every core busy within the context, as other programs of an ordinary user do."""
    loops = [subprocess.Popen([*WITHOUT_RIGHTS, *BUSY_LOOP]) for _ in range(os.cpu_count() or 1)]
    try:
        yield
    finally:
        for loop in loops:
            loop.kill()
            loop.wait()


def latency(modes: Sequence[str], before: Sequence[str]) -> Iterator[tuple[str, Row]]:
    """From a change that is asked for to the packets that carry it: 16 universes."""
    for mode in modes:
        with listening() as ear:
            words = [*before, *_sender(mode, KEY_UNIVERSES, 0.0)]
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
        yield mode.replace("keys", "change"), _waits(("first", first), ("all", every))


def _until_lit(ear: Ear, ours: int) -> None:
    due_s = time.monotonic() + PATIENCE_S
    while not any(any(packet.slots) for packet in list(ear.heard)):
        drawn(ours, 0.1)
        if time.monotonic() > due_s:
            raise TimeoutError("the terminal program lights nothing")
    drawn(ours, 1.0)


def beside_the_screen(seconds: float, before: Sequence[str]) -> Row:
    """Intervals of the clock in the terminal program: its map redrawn, a note being typed."""
    with (
        tempfile.TemporaryDirectory(prefix="benchtest-") as folder,
        listening() as ear,
        program(_sender("screen", UNIVERSES, seconds, folder)[1:], before=before) as ours,
    ):
        _until_lit(ear, ours)
        os.write(ours, b"n")
        end_s = time.monotonic() + seconds + 1.0
        while time.monotonic() < end_s:
            drawn(ours, 0.05)
            os.write(ours, random.choice((b"a", b"e", b"s", b"\x7f")))
        moving = [packet for packet in ear.heard if 1 < packet.slots[0] < 255]
    return _pace(_intervals(moving))


def measure(seconds: float) -> Iterator[tuple[str, str, Row]]:
    """Every figure: what kind of row, its name with the rights, what was measured."""
    rights: dict[str, Sequence[str]] = {ORDINARY: ()}
    if may_raise_thread_priority():
        rights = {REAL_TIME: (), ORDINARY: WITHOUT_RIGHTS}
    for name, before in rights.items():
        alone = (BARE, OURS, OURS_SYNC) if before == () else (BARE, OURS, OWN_THREAD, FLUSH)
        for universes in (UNIVERSES,) if name == REAL_TIME else PACED_UNIVERSES:
            for sender, row in compare(seconds, universes, alone, before):
                yield "pace", f"{_counted(universes)}, {sender}, {name}", row
        screen = beside_the_screen(2.0 * seconds, before)
        yield "pace", f"{_counted(UNIVERSES)}, ours, beside the busiest screen, {name}", screen
        modes = ("keys at rest",) if name == REAL_TIME else ("keys at rest", "keys in a ramp")
        for what, row in latency(modes, before):
            yield "wait", f"{what}, {name}", row
    with busy():
        for universes in PACED_UNIVERSES:
            for sender, row in compare(seconds, universes, (OURS, OWN_THREAD), rights[ORDINARY]):
                yield "pace", f"{_counted(universes)}, {sender}, {BUSY}, {ORDINARY}", row


def _counted(universes: int) -> str:
    return f"{universes} universe{'s' if universes > 1 else ''}"


HEADS = {
    "pace": (f"40 frames a second; off = |interval - 25 ms|; short = below {LEAST_MS} ms",
             ("CPU %", "mean", "off p50", "off p99", "max ms", "short", "stalls", "waited",
              "own late")),
    "wait": (f"{KEY_UNIVERSES} universes; to the first packet, and to the last; ms",
             ("count", "p50", "p99", "max", "all p99")),
}  # fmt: skip


def _cells(kind: str, row: Row) -> list[str]:
    if kind == "wait":
        last = f"{row['all_p99_ms']:8.2f}" if "all_p99_ms" in row else ""
        waits = [f"{row[f'first_{part}_ms']:8.2f}" for part in ("p50", "p99", "max")]
        return [f"{row['count']:8d}", *waits, last]
    cpu = f"{row['cpu'] * 100:8.1f}" if "cpu" in row else " " * 8
    off = [f"{row[f'off_{part}_ms']:8.3f}" for part in ("p50", "p99", "max")]
    own = [f"{row[name]:8.1f}" for name in ("waited_ms", "late_ms") if name in row]
    counts = [f"{row[name]:8d}" for name in ("short", "stalls")]
    return [cpu, f"{row['mean_ms']:8.3f}", *off, *counts, *own]


def _note(kind: str, name: str, row: Row) -> None:
    """Keep a row's figures, our own with their budgets."""
    if kind == "wait":
        # in a ramp the standard's ceiling comes first
        most_ms = None if "ramp" in name else 15.0 if ORDINARY in name else 10.0
        what = f"{KEY_UNIVERSES} universes, {name}, to the first packet"
        note(f"{what}: p50", row["first_p50_ms"], "ms")
        note(f"{what}: p99", row["first_p99_ms"], "ms", most=most_ms)
        return
    many, _, sender = name.partition(", ")
    ours = sender.startswith(OURS)
    if "cpu" in row and BUSY not in sender:
        cpu_budget = 3.0 if ours and many == _counted(UNIVERSES) else None
        note(f"{name}: processor", row["cpu"] * 100, "% of a core", most=cpu_budget)
    most_ms = 3.0 if "screen" in sender else 0.3 if ours and REAL_TIME in name else None
    note(f"{name}: interval off by, p50", row["off_p50_ms"], "ms")
    note(f"{name}: interval off by, p99", row["off_p99_ms"], "ms", most=most_ms)
    if BARE not in name:
        note(f"{name}: intervals below {LEAST_MS} ms",
             row["short"], f"of {row['intervals']}", most=0 if ours else None)  # fmt: skip


def _note_ratios(off_ms: dict[str, float]) -> None:
    """Keep how uneven our sender is next to the library's better one, without rights."""
    for beside in ("", f"{BUSY}, "):
        for universes in PACED_UNIVERSES:
            many, end = _counted(universes), f"{beside}{ORDINARY}"
            rivals = [f"{many}, {rival}, {end}" for rival in (OWN_THREAD, FLUSH)]
            theirs = min(off_ms[rival] for rival in rivals if rival in off_ms)
            ratio = off_ms[f"{many}, {OURS}, {end}"] / theirs
            note(f"{many}, {end}: off p99 of ours over that of the library's better sender",
                 ratio, most=1.0)  # fmt: skip


def main() -> None:
    """Print every figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=3.0, help="of each turn")
    args = parser.parse_args()
    if os.environ.get("BENCH_ALONE") is None:
        setup = "PATH=$PATH:/sbin:/usr/sbin; ip link set lo up multicast on; "
        setup += 'ip route add 224.0.0.0/4 dev lo; exec "$@"'
        words = [sys.executable, "-m", "tests.bench.drive", *sys.argv[1:]]
        user = [] if os.geteuid() == 0 else ["--map-root-user"]
        again = ["unshare", *user, "--net", "sh", "-c", setup, "sh", *words]
        os.execvpe("unshare", again, os.environ | {"BENCH_ALONE": "1"})
    began_s, load, before = time.monotonic(), os.getloadavg()[0], ""
    off_ms: dict[str, float] = {}
    for kind, name, row in measure(args.seconds):
        if kind != before:
            title, columns = HEADS[kind]
            print(f"{title}\n{'':>76} " + " ".join(f"{column:>8}" for column in columns))
        before = kind
        print(f"{name:>76} " + " ".join(_cells(kind, row)), flush=True)
        _note(kind, name, row)
        if kind == "pace":
            off_ms[name] = row["off_p99_ms"]
    _note_ratios(off_ms)
    lasted_s = time.monotonic() - began_s
    print(f"load {load:.1f} at the start, {os.cpu_count()} processors, {lasted_s:.0f} s")


if __name__ == "__main__":
    run(main)
