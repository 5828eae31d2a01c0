"""The sending side of the drive benchmark: a process of its own, so that its load is its own.

`python -m tests.bench.drive_sender MODE UNIVERSES SECONDS PORT` prints what it found, as JSON.
"""

from __future__ import annotations

import json
import random
import resource
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import numpy as np
import sacn

from benchtest.drive.e131.driver import E131Driver, SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.prop.design import Design
from benchtest.prop.reader import parse_design
from tests.tui.conftest import make_ready

Found = dict[str, object]
PERIOD_S = 0.025
KEYS = 50

PROP = """
format = 1
name = "Willow wall"
[node]
kind = "ws2811-5v"
[[strand]]
count = {strands}
nodes = 85
pitch_mm = 30.0
lead_mm = [60.0, 60.0]
wire = "16 AWG"
[[bus]]
name = "foot"
joins = "A"
copper = {{ weight_oz = 2.0, width_mm = 20.0 }}
spacing_mm = 40.0
[[feed]]
name = "main"
at = "foot:1"
volts = 5.0
wire = "8 AWG"
length_mm = 500.0
"""


def prop_text(universes: int) -> str:
    """A prop file that fills so many universes: two strands of 85 RGB nodes each."""
    return PROP.format(strands=2 * universes)


def _level(design: Design, level: int) -> np.ndarray:
    return np.full((design.node_count, 3), level, dtype=np.uint8)


@contextmanager
def _clock(universes: int, port: int, *, sync: bool = False) -> Iterator[tuple[FrameClock, Design]]:
    design = parse_design(prop_text(universes), "prop")
    sender = SourceSettings(uuid4(), sync_address=1 if sync else 0)
    driver = E131Driver(design, sender, "127.0.0.1", port)
    with FrameClock(driver, design.node_count, 3).start() as clock:
        yield clock, design


def _waited_ms() -> float:
    """Time that this process's threads were ready to run and had no processor. [ms]

    Source: Linux, Documentation/scheduler/sched-stats: second figure of a task's schedstat.
    """
    tasks = Path("/proc/self/task").glob("*/schedstat")
    return sum(int(task.read_text().split()[1]) for task in tasks) / 1e6


def _used_s() -> float:
    """Time that this process has had of a core. [s]"""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def bare(universes: int, seconds: float, port: int) -> Found:
    """Nothing but sleep to absolute deadlines: what this machine itself is late by."""
    start_s, before_s, before_ms = time.monotonic(), _used_s(), _waited_ms()
    woken_s = []
    for frame in range(int(seconds / PERIOD_S)):
        time.sleep(max(0.0, start_s + frame * PERIOD_S - time.monotonic()))
        woken_s.append(time.monotonic())
    gaps = (np.diff(woken_s) * 1e3).tolist()
    late_ms = max(woken - start_s - place * PERIOD_S for place, woken in enumerate(woken_s)) * 1e3
    cpu = (_used_s() - before_s) / seconds
    return {"cpu": cpu, "waited_ms": _waited_ms() - before_ms, "late_ms": late_ms, "gaps": gaps}


def ours(universes: int, seconds: float, port: int, *, sync: bool = False) -> Found:
    """Our clock and driver: one slow ramp, so that each frame is worked out and differs."""
    with _clock(universes, port, sync=sync) as (clock, design):
        clock.show(_level(design, 255), ramp_s=seconds + 1.0)
        before_s, before_ms = _used_s(), _waited_ms()
        time.sleep(seconds)
        cpu = (_used_s() - before_s) / seconds
        # by the clock itself: what is late on the wire and not here was held up behind it
        late_ms = max(clock._late_s, default=0.0) * 1e3
        return {"cpu": cpu, "waited_ms": _waited_ms() - before_ms, "late_ms": late_ms}


def ours_sync(universes: int, seconds: float, port: int) -> Found:
    """The same with synchronization packets."""
    return ours(universes, seconds, port, sync=True)


@contextmanager
def _library(universes: int) -> Iterator[sacn.sACNsender]:
    # without these, it takes the receiver's port on this machine and broadcasts discovery
    sender = sacn.sACNsender(bind_address="127.0.0.1", bind_port=0, fps=40, universeDiscovery=False)
    sender.start()
    try:
        for universe in range(1, universes + 1):
            sender.activate_output(universe)
            sender[universe].destination = "127.0.0.1"
        yield sender
    finally:
        sender.stop()


def _library_frames(universes: int, seconds: float, *, flush: bool) -> Found:
    with _library(universes) as sender:
        sender.manual_flush = flush
        start_s, before_s, before_ms = time.monotonic(), _used_s(), _waited_ms()
        for frame in range(int(seconds / PERIOD_S)):
            time.sleep(max(0.0, start_s + frame * PERIOD_S - time.monotonic()))
            slots = bytes([frame % 256]) * 512
            for universe in range(1, universes + 1):
                sender[universe].dmx_data = slots
            if flush:
                sender.flush()
        cpu = (_used_s() - before_s) / (time.monotonic() - start_s)
        return {"cpu": cpu, "waited_ms": _waited_ms() - before_ms}


def library_auto(universes: int, seconds: float, port: int) -> Found:
    """The library's thread at 40 frames a second; the program sets all universes as often."""
    return _library_frames(universes, seconds, flush=False)


def library_flush(universes: int, seconds: float, port: int) -> Found:
    """The library's manual flush, called 40 times a second on the monotonic clock."""
    return _library_frames(universes, seconds, flush=True)


def keys_at_rest(universes: int, seconds: float, port: int) -> Found:
    """Changes at random moments while the prop rests; when each was asked for. [ns]"""
    return _keys(universes, port, lambda clock, design, level: None)


def keys_in_a_ramp(universes: int, seconds: float, port: int) -> Found:
    """The same in the middle of a ramp, while frames go out 40 times a second."""

    def ramp(clock: FrameClock, design: Design, number: int) -> None:
        clock.show(_level(design, 100 + number % 2 * 20), ramp_s=0.5)

    return _keys(universes, port, ramp)


def _keys(universes: int, port: int, before: Callable[[FrameClock, Design, int], None]) -> Found:
    asked_ns = []
    with _clock(universes, port) as (clock, design):
        clock.show(_level(design, 100))
        for number in range(KEYS):
            before(clock, design, number)
            time.sleep(random.uniform(0.06, 0.3))
            frame = _level(design, 100)
            frame[::170] = expected(number)
            asked_ns.append(time.clock_gettime_ns(time.CLOCK_REALTIME))
            clock.show(frame)
            time.sleep(0.05)  # or the next ramp would take its place
    return {"asked_ns": asked_ns}


def expected(number: int) -> tuple[int, int, int]:
    """Levels of each universe's first node that only this change has.

    No ramp comes by them, since a ramp is grey; and all are near 100, or the flash guard would
    rightly hold so many changes back.
    """
    return (100 + number // 15, 100 + number % 15, 122)


def screen(universes: int, seconds: float, port: int) -> None:
    """The terminal program itself, on a unit, while its clock has a ramp to send."""
    from benchtest.session.launch_options import LaunchOptions
    from benchtest.tui.app import BenchApp
    from benchtest.tui.bench_screen import BenchScreen

    folder = Path(sys.argv[5])
    prop = folder / "wall.toml"
    prop.write_text(prop_text(universes), encoding="utf-8")
    make_ready(folder, prop, "WF-03")  # its strands are the next thing to look at
    app = BenchApp(LaunchOptions(folder, f"e131:127.0.0.1:{port}", prop), "WF-03")

    def ramp() -> None:
        while not isinstance(app.screen_stack[-1:] and app.screen_stack[-1], BenchScreen):
            time.sleep(0.1)
        bench = app.screen_stack[-1]
        assert isinstance(bench, BenchScreen)
        time.sleep(1.0)
        clock, design = bench.workbench.clock, bench.workbench.design
        clock.show(_level(design, 255), ramp_s=seconds)

    if seconds > 0.0:
        threading.Thread(target=ramp, daemon=True).start()
    app.run()


MODES: dict[str, Callable[[int, float, int], Found | None]] = {
    "bare sleep, no packets": bare,
    "ours": ours,
    "ours, synchronised": ours_sync,
    "sacn, its own thread": library_auto,
    "sacn, manual flush": library_flush,
    "keys at rest": keys_at_rest,
    "keys in a ramp": keys_in_a_ramp,
    "screen": screen,
}


def main() -> None:
    """Send as asked, and print what was found."""
    mode, universes, seconds, port = sys.argv[1:5]
    print(json.dumps(MODES[mode](int(universes), float(seconds), int(port))))


if __name__ == "__main__":
    main()
