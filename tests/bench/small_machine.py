"""An evening of seven units on a small machine: 512 MiB of memory, and half of one core.

    python -m tests.bench.small_machine [--units N]    as root

The evening of `evening_memory`, in control groups of the kernel: a limit of memory with page cache,
one core, and 5 ms of it in every 10 ms. The virtual prop, which no small machine has to run, is
moved out of the limits. All packets of the loopback are read by a socket of the kernel's packet
interface, and their sequence numbers compared. Prints; asserts nothing.

Sources: Linux, control groups versions 1 and 2; packet(7); ANSI E1.31-2018, tables 4-1 and 6-1.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench.figures import AS_JSON, NOTED, note, run

MAX_MIB = 512
PERIOD_US, QUOTA_US = 10_000, 5_000
UNITS = 7
GROUPS = Path("/sys/fs/cgroup")
ETH_P_ALL = 3
FORCED_BUFFER = 33  # SO_RCVBUFFORCE: socket(7)
LOOK_S = 0.05
LOSS_S = 2.5
"""E131_NETWORK_DATA_LOSS_TIMEOUT. Source: ANSI E1.31-2018, appendix A."""


@dataclass
class Limits:
    """Control groups of one process, of version 1 or 2.

    Attributes:
        folders: the groups.
        released: where processes are moved to.
    """

    folders: list[Path] = field(default_factory=list)
    released: list[Path] = field(default_factory=list)

    @staticmethod
    @contextlib.contextmanager
    def made() -> Iterator[Limits]:
        """Make the groups, and remove them at the end."""
        limits = Limits()
        name = f"benchtest-{os.getpid()}"
        if (GROUPS / "cgroup.controllers").exists():
            rows = {GROUPS: {
                "memory.max": MAX_MIB << 20, "memory.swap.max": 0,
                "cpu.max": f"{QUOTA_US} {PERIOD_US}",
            }}  # fmt: skip
            (GROUPS / "cgroup.subtree_control").write_text("+memory +cpu")
        else:
            rows = {
                GROUPS / "memory": {"memory.limit_in_bytes": MAX_MIB << 20},
                GROUPS / "cpu": {"cpu.cfs_period_us": PERIOD_US, "cpu.cfs_quota_us": QUOTA_US},
            }
        for parent, values in rows.items():
            folder = parent / name
            folder.mkdir()
            limits.folders.append(folder)
            limits.released.append(parent)
            for key, value in values.items():
                (folder / key).write_text(str(value))
        try:
            yield limits
        finally:
            for folder in limits.folders:
                with contextlib.suppress(OSError):
                    folder.rmdir()

    def enter(self, pid: int) -> None:
        """Put a process into the groups."""
        for folder in self.folders:
            (folder / "cgroup.procs").write_text(str(pid))

    def keep_only(self, pid: int) -> None:
        """Move all other processes out of the groups, to any core."""
        for folder, parent in zip(self.folders, self.released, strict=True):
            for other in map(int, (folder / "cgroup.procs").read_text().split()):
                if other != pid:
                    with contextlib.suppress(OSError):  # it has just ended
                        (parent / "cgroup.procs").write_text(str(other))
                        os.sched_setaffinity(other, range(os.cpu_count() or 1))

    def read(self, *names: str) -> int:
        """Return a number of the first file that exists."""
        for folder in self.folders:
            for name in names:
                if (folder / name).exists():
                    return int((folder / name).read_text().split()[0])
        raise FileNotFoundError(names)

    def throttled_share(self) -> float:
        """Return the share of periods in which the process had to wait."""
        found = {}
        for folder in self.folders:
            if (folder / "cpu.stat").exists():
                rows = (folder / "cpu.stat").read_text().split("\n")
                found = dict(row.split() for row in rows if row)
        return int(found["nr_throttled"]) / max(1, int(found["nr_periods"]))


class Wire:
    """All E1.31 data packets of the loopback: lost ones, and pauses while lit."""

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(ETH_P_ALL))
        self._socket.setsockopt(socket.SOL_SOCKET, FORCED_BUFFER, 64 << 20)
        self._socket.bind(("lo", ETH_P_ALL))
        self._socket.settimeout(0.2)
        self._last: dict[tuple[bytes, int], tuple[int, float, bool]] = {}
        self._ended: set[tuple[bytes, int]] = set()
        self.packets = self.lost = 0
        self.longest_s = 0.0
        self._done = False
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._done:
            try:
                octets, origin = self._socket.recvfrom(2048)
            except TimeoutError:
                continue
            # the loopback shows each packet twice, once as outgoing; IPv4 and UDP have 28 octets
            if origin[2] != socket.PACKET_OUTGOING and octets[9:10] == b"\x11":
                self._read(octets[28:], time.monotonic())

    def _read(self, packet: bytes, now_s: float) -> None:
        if len(packet) < 126 or packet[40:44] != b"\0\0\0\x02":  # VECTOR_E131_DATA_PACKET
            return
        key = packet[22:38], int.from_bytes(packet[113:115], "big")
        number, is_lit = packet[111], any(packet[126:])
        if key in self._last and (key not in self._ended or packet[112] & 0x40):
            before, then_s, was_lit = self._last[key]
            self.lost += (number - before - 1) % 256
            if was_lit and not packet[112] & 0x40:
                self.longest_s = max(self.longest_s, now_s - then_s)
        self.packets += 1
        self._last[key] = number, now_s, is_lit
        if packet[112] & 0x40:  # Stream_Terminated: the next unit's stream counts from 0
            self._ended.add(key)
        else:
            self._ended.discard(key)

    def close(self) -> None:
        """Stop reading."""
        self._done = True
        self._thread.join()
        self._socket.close()


def evening(units: int, limits: Limits) -> int:
    """Run the evening in the limits; note its figures and return its exit code."""

    def enter() -> None:
        limits.enter(os.getpid())
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})

    words = [sys.executable, "-m", "tests.bench.evening_memory", "--units", str(units), "--json"]
    process = subprocess.Popen(
        words, preexec_fn=enter, stdout=subprocess.PIPE, text=True,
        env={k: v for k, v in os.environ.items() if k != AS_JSON},
    )  # fmt: skip
    while process.poll() is None:
        limits.keep_only(process.pid)
        time.sleep(LOOK_S)
    printed, _ = process.communicate()
    if process.returncode == 0:
        NOTED.extend(json.loads(printed.splitlines()[-1])["figures"])
    return process.returncode


def main() -> int:
    """Run an evening in the limits."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--units", type=int, default=UNITS)
    units = parser.parse_args().units
    if os.geteuid() != 0:
        parser.error("control groups need root")
    wire = Wire()
    start_s = time.monotonic()
    try:
        with Limits.made() as limits:
            code = evening(units, limits)
            peak = limits.read("memory.max_usage_in_bytes", "memory.peak") / 2**20
            throttled = limits.throttled_share()
    finally:
        wire.close()
    took_s = time.monotonic() - start_s
    note("units tested", units)
    note("memory of the group at most, with page cache", peak, "MiB", most=MAX_MIB)
    note("periods in which it waited for the core", 100.0 * throttled, "%")
    note("packets sent", wire.packets)
    note("packets lost or out of order", wire.lost, most=0)
    note("longest pause between packets while lit", wire.longest_s, "s", most=LOSS_S)
    print(f"{units} units in {took_s:.0f} s; {peak:.0f} MiB; throttled in {throttled:.0%}")
    print(f"{wire.packets} packets, {wire.lost} lost, longest pause {wire.longest_s:.2f} s")
    return code


if __name__ == "__main__":
    run(main)
