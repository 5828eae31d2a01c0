"""Eight bench hours: growth of memory, threads and open files, and drift of the frame clock.

    python -m tests.bench.soak [HOURS] [DRIFT_SECONDS]

Compressed: of the eight hours only a person's waiting is left out. A real bench without a terminal
drives real packets on loopback at the real frame clock, and keeps real events; each of the hours'
units is begun, looked at strand by strand, read, diagnosed after every reading, repaired, signed
off and reported, as fast as it goes. Frames are those that this takes, not those of eight hours.
Not compressed: the frame clock's drift, against the kernel's time stamps of packets that arrive,
on `CLOCK_MONOTONIC_RAW`, which no time service slews.
"""

from __future__ import annotations

import gc
import socket
import sys
import tempfile
import threading
import time
from importlib.resources import files
from pathlib import Path
from uuid import uuid4

import numpy as np
import psutil

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchtest.drive.e131.driver import SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.target import Target, driver_for
from benchtest.evidence.meter import DEFAULT_METER
from benchtest.evidence.readings import Reading
from benchtest.prop.reader import parse_design
from benchtest.records.report import render_report
from benchtest.records.shelf import Shelf
from benchtest.session.log.events import ReadingTaken, RepairDone, SignedOff, VerdictGiven
from benchtest.session.report.report_content import report_content
from benchtest.session.session import Session
from benchtest.session.workbench.setup import collect_garbage
from benchtest.session.workbench.workbench import Workbench
from benchtest.virtual.e131_receiver import E131Receiver
from benchtest.virtual.injected_faults import parse_fault
from benchtest.virtual.virtual_prop import VirtualProp
from tests.bench.figures import note, run

UNITS_AN_HOUR = 6
"""A practised person tests a unit in some ten minutes."""
READINGS = 6
WARM_UNITS = 16
"""Units until caches are full; growth is counted from there. With 8 it still grew for a while, and
stood still from then on: 321 MiB after 16 units, 323 after 80."""
FAULTS = ("2A+=0.5", "3B-=open", "", "1A-=2.0")
TEXT = files("benchtest.virtual").joinpath("willow-fan.toml").read_text("utf-8")
PERIOD_S = 0.025


class Counted:
    """Memory, threads and files of this process."""

    def __init__(self) -> None:
        gc.collect()
        own = psutil.Process()
        self.mib = own.memory_info().rss / 2**20
        self.threads = threading.active_count()
        self.files = own.num_fds()


def one_unit(shelf: Shelf, number: int, clock: FrameClock, ear: Ear) -> None:
    """A whole test of one unit, every step kept and lit."""
    collect_garbage()  # as the program does
    design = parse_design(TEXT, "willow-fan.toml")
    fault = FAULTS[number % len(FAULTS)]
    prop = VirtualProp(design, [parse_fault(fault, design)] if fault else [], number)
    session = Session.start(shelf, TEXT, f"WF-{number:03}", DEFAULT_METER)
    workbench = Workbench(session, clock)
    for strand in design.strands:
        workbench.walk.choose_strand(strand.number)
        workbench.light_advice()
        session.record(VerdictGiven(strand.number, True))
    for _ in range(READINGS):
        ask = session.diagnose().next
        if ask.probe is None or ask.lit is None:
            break
        workbench.light.light(ask.lit, lower=True)
        prop.receive(_frame(ask.lit.duty(design)))
        reading = Reading(ask.lit, ask.probe, prop.measure(ask.probe))
        session.record(
            ReadingTaken(ask.lit.text(design), str(ask.probe), reading.volts, None, ask.lit.level)
        )
    found = session.diagnose()
    if found.suspects:
        session.record(RepairDone(found.suspects[0].where))
    session.record(SignedOff("R"))
    render_report(report_content(session))
    workbench.light.dark()
    ear.empty()


def _frame(duty: np.ndarray) -> np.ndarray:
    return np.round(duty * 255).astype(np.uint8)


class Ear:
    """Receiver of driven frames, with the kernel's time of arrival, for a virtual controller."""

    def __init__(self, universes: int) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, 35, 1)  # SO_TIMESTAMPNS
        self._socket.bind(("127.0.0.1", 0))
        self._socket.setblocking(False)
        self.port: int = self._socket.getsockname()[1]
        self.controller = E131Receiver.for_universes(range(1, universes + 1))
        self.heard = 0

    def empty(self) -> None:
        """Pass all waiting packets to the controller."""
        while True:
            try:
                octets = self._socket.recv(2000)
            except BlockingIOError:
                return
            self.heard += 1
            self.controller.receive(octets, time.monotonic())
            self.controller.expire_sources(time.monotonic())

    def arrivals(self, seconds: float) -> list[tuple[float, int]]:
        """Raw monotonic time of arrival [s] and universe of each packet, for some seconds."""
        found = []
        self._socket.settimeout(0.5)
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            octets, told, _, _ = self._socket.recvmsg(2000, 64)
            stamp = np.frombuffer(told[0][2], dtype=np.int64)
            arrived_s = stamp[0] + stamp[1] * 1e-9
            # the kernel stamps in wall time: taken over to the raw clock at this moment
            raw_s = time.clock_gettime(time.CLOCK_MONOTONIC_RAW)
            found.append((raw_s - (time.time() - arrived_s), octets[114]))
        self._socket.setblocking(False)
        return found

    def close(self) -> None:
        self._socket.close()


def drift_ppm(clock: FrameClock, ear: Ear, nodes: int, seconds: float) -> tuple[float, float, int]:
    """Drift of the frame clock [ppm], its standard error, and frames measured."""
    done = threading.Event()

    def move() -> None:
        level = 0
        while not done.wait(PERIOD_S / 3):  # a change is always due, so that every tick is sent
            level = level % 200 + 1
            clock.show(np.full((nodes, 3), level // 20, np.uint8))

    mover = threading.Thread(target=move)
    mover.start()
    time.sleep(1.0)
    ear.empty()
    at_s = np.array([arrived for arrived, universe in ear.arrivals(seconds) if universe == 1])
    done.set()
    mover.join()
    tick = np.round((at_s - at_s[0]) / PERIOD_S)
    (slope, _), spread = np.polyfit(tick, at_s, 1, cov=True)
    return (slope / PERIOD_S - 1) * 1e6, float(np.sqrt(spread[0, 0])) / PERIOD_S * 1e6, len(at_s)


def main() -> None:
    """Print the growth and the drift."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 8.0
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 240.0
    units = max(WARM_UNITS + 2, round(hours * UNITS_AN_HOUR))
    design = parse_design(TEXT, "willow-fan.toml")
    ear = Ear(-(-design.node_count // 170))
    driver = driver_for(Target("e131", "127.0.0.1", ear.port), design, SourceSettings(uuid4()))
    start_s = time.monotonic()
    with (
        tempfile.TemporaryDirectory() as folder,
        Shelf(Path(folder)) as shelf,
        FrameClock(driver, design.node_count, design.node.channels).start() as clock,
    ):
        before = Counted()
        for number in range(units):
            if number == WARM_UNITS:
                before = Counted()
            one_unit(shelf, number, clock, ear)
        after = Counted()
        events = sum(len(shelf.events(row.id)) for row in shelf.sessions())
        _say(units, before, after, events, ear.heard, time.monotonic() - start_s)
        ppm, error_ppm, frames = drift_ppm(clock, ear, design.node_count, seconds)
    ear.close()
    print(f"frame clock: {ppm:+.2f} ± {error_ppm:.2f} ppm over {frames} frames in {seconds:g} s")
    note(f"drift of the frame clock over {seconds:g} s, {frames} frames, by CLOCK_MONOTONIC_RAW; "
         f"one standard error {error_ppm:.2g} ppm", ppm, "ppm")  # fmt: skip


def _say(
    units: int, before: Counted, after: Counted, events: int, packets: int, took_s: float
) -> None:
    counted = units - WARM_UNITS
    grown = after.mib - before.mib
    print(f"{units} units in {took_s:.0f} s: {events} events, {packets} packets heard")
    print(
        f"memory {before.mib:.0f} to {after.mib:.0f} MiB over {counted} units, threads "
        f"{before.threads} to {after.threads}, files {before.files} to {after.files}"
    )
    note(f"units of eight hours' pace, in {took_s:.0f} s", units)
    note("events kept", events)
    note("packets heard", packets)
    note(f"memory grown over the last {counted} units", grown, "MiB")
    note("memory grown a unit", grown / counted * 1024, "KiB")
    note("threads more than before", after.threads - before.threads, most=0)
    note("open files more than before", after.files - before.files, most=0)


if __name__ == "__main__":
    run(main)
