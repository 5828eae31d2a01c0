"""A driven session on real UDP: dark, ramp, rest, change, dark, end."""

from __future__ import annotations

import gc
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import pytest

from benchtest.drive.driver import KEEP_ALIVE_INTERVAL_S
from benchtest.drive.e131.driver import E131Driver, SourceSettings
from benchtest.drive.frame_clock import FrameClock
from benchtest.drive.target import Target, driver_for
from benchtest.drive.udp import UdpSender
from benchtest.errors import DriveFault, InputError
from benchtest.operating_system import may_raise_thread_priority
from benchtest.prop.design import Design
from benchtest.virtual.e131_receiver import E131Receiver
from tests.waiting import beats, until, until_still, wait_until_s

LOOPBACK = "127.0.0.1"


@dataclass(frozen=True)
class Heard:
    at_s: float
    octets: bytes

    @property
    def universe(self) -> int:
        return int.from_bytes(self.octets[113:115], "big")

    @property
    def sequence(self) -> int:
        return self.octets[111]

    @property
    def terminated(self) -> bool:
        return bool(self.octets[112] & 0x40)

    @property
    def slots(self) -> bytes:
        return self.octets[126:]


class Ear:
    """A receiver of all packets on a loopback port, with the time of each."""

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind((LOOPBACK, 0))
        self._socket.settimeout(0.1)
        self.port: int = self._socket.getsockname()[1]
        self.heard: list[Heard] = []
        self._done = False
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        while not self._done:
            try:
                octets = self._socket.recv(2000)
            except TimeoutError:
                continue
            self.heard.append(Heard(time.monotonic(), octets))

    def until(self, true: Callable[[], bool], within_s: float = 10.0) -> None:
        until(true, within_s, lambda: f"{len(self.heard)} packets")

    def of(self, universe: int) -> list[Heard]:
        return [packet for packet in self.heard if packet.universe == universe]

    def close(self) -> None:
        self._done = True
        self._thread.join()
        self._socket.close()


@pytest.fixture
def ear() -> Iterator[Ear]:
    made = Ear()
    yield made
    made.close()


def _clock(design: Design, ear: Ear) -> FrameClock:
    driver = driver_for(Target("e131", LOOPBACK, ear.port), design, SourceSettings(uuid4()))
    return FrameClock(driver, design.node_count, design.node.channels)


def _white(design: Design) -> np.ndarray:
    return np.full((design.node_count, design.node.channels), 255, dtype=np.uint8)


def test_a_session_from_dark_to_end(make_fan: Callable[..., Design], ear: Ear) -> None:
    fan = make_fan(4, 50)  # 200 nodes: two universes
    with _clock(fan, ear).start() as clock:
        ear.until(lambda: len(ear.of(1)) >= 3)
        clock.show(_white(fan), ramp_s=0.5)
        # three equal ones, then two that keep the stream alive at rest
        ear.until(lambda: sum(p.slots[:1] == b"\xff" for p in ear.of(1)) >= 5)
        assert clock.status().errors == 0
    ear.until(lambda: sum(p.terminated for p in ear.heard) == 6)
    for universe in (1, 2):
        _check_stream(ear.of(universe))


def _check_stream(packets: list[Heard]) -> None:
    lives = [packet for packet in packets if not packet.terminated]
    assert not any(lives[0].slots)  # starts dark
    assert not any(lives[-1].slots)  # goes dark before it ends: slots of terminations are ignored
    assert [p.terminated for p in packets[-3:]] == [True] * 3
    assert len(packets) - len(lives) == 3
    numbers = [packet.sequence for packet in packets]
    assert numbers == [(numbers[0] + step) % 256 for step in range(len(packets))]
    levels = [packet.slots[0] for packet in lives[:-1]]
    assert levels == sorted(levels)  # the ramp only rises
    assert levels[-1] == 255
    assert len(set(levels)) > 8  # and does not jump
    full = [packet for packet in lives if packet.slots[0] == 255]
    gaps = [b.at_s - a.at_s for a, b in pairwise(full)]
    assert max(gaps) < 1.2  # at most 1 s by the standard; the rest is this machine's
    assert sum(gaps) > 1.2  # few packets at rest


def test_a_faster_repeat_survives_three_lost_packets(
    make_fan: Callable[..., Design], ear: Ear
) -> None:
    """E131_NETWORK_DATA_LOSS_TIMEOUT is 2.5 s. Source: ANSI E1.31-2018, appendix A."""
    fan = make_fan(1, 10)
    driver = driver_for(Target("e131", LOOPBACK, ear.port), fan, SourceSettings(uuid4()))
    with FrameClock(driver, 10, 3, keep_alive_s=0.4).start() as clock:
        assert clock.info is not None
        assert clock.info.unusual == "keep-alive 0.4 s"
        clock.show(_white(fan))
        # three equal ones, then five at rest
        ear.until(lambda: sum(p.slots[:1] == b"\xff" for p in ear.heard) >= 8)
    lit = [packet for packet in ear.heard if packet.slots[:1] == b"\xff"][:8]
    kept, lost = [*lit[:4], lit[7]], lit[4:7]
    assert lost[-1].at_s - lost[0].at_s > 0.7  # three at rest in a row
    controller = E131Receiver.for_universes([1])
    for packet in kept:
        controller.expire_sources(packet.at_s)
        assert controller.receive(packet.octets, packet.at_s)
    assert controller.packet_counts["data lost"] == 0
    assert controller.slots()[1][:1] == b"\xff"
    # at the usual interval the same loss is a black prop
    assert controller.expire_sources(kept[4].at_s + 4 * KEEP_ALIVE_INTERVAL_S)


def test_fast_changes_send_no_more_than_44_frames_a_second(
    make_fan: Callable[..., Design], ear: Ear
) -> None:
    fan = make_fan(1, 10)
    with _clock(fan, ear).start() as clock:
        ear.until(lambda: bool(ear.heard))
        start_s = time.monotonic()
        for change in beats(0.002, 1.0):
            clock.show(np.full((10, 3), (change + 1) % 256, dtype=np.uint8))
        mine = [p for p in ear.heard if start_s <= p.at_s < start_s + 1.0]
    assert 25 < len(mine) <= 45  # ANSI E1.31-2018, 6.6.1, with the times of E1.11


def test_the_end_of_a_stream_is_within_the_ceiling(
    make_fan: Callable[..., Design], ear: Ear
) -> None:
    fan = make_fan(1, 10)
    driver = E131Driver(fan, SourceSettings(uuid4()), LOOPBACK, ear.port)
    driver.open()
    driver.show(_white(fan))
    driver.close()
    ear.until(lambda: len(ear.heard) == 5)
    gaps_s = [b.at_s - a.at_s for a, b in pairwise(ear.heard)]
    # four gaps of 22.676 ms, 513 slots by the times of ANSI E1.11, less the delay of the receiver
    assert sum(gaps_s) > 0.06


def test_a_lower_frame_rate_is_kept(make_fan: Callable[..., Design], ear: Ear) -> None:
    fan = make_fan(1, 10)
    driver = E131Driver(fan, SourceSettings(uuid4()), LOOPBACK, ear.port)
    with FrameClock(driver, 10, 3, frames_per_s=10.0).start() as clock:
        ear.until(lambda: bool(ear.heard))
        clock.show(_white(fan), ramp_s=0.8)
        ear.until(lambda: ear.heard[-1].slots[:1] == b"\xff")
        count = len(ear.heard)
    assert 4 <= count <= 12  # one dark, eight or nine of the ramp; at 40 a second it would be 33


@pytest.mark.parametrize("frames_per_s", [0.0, 0.5, 41.0, float("nan")])
def test_frame_rates_outside_one_to_forty_are_rejected(
    make_fan: Callable[..., Design], frames_per_s: float
) -> None:
    driver = E131Driver(make_fan(1, 1), SourceSettings(uuid4()), LOOPBACK)
    with pytest.raises(InputError, match="1 to 40"):
        FrameClock(driver, 1, 3, frames_per_s)


class Slow(E131Driver):
    """A driver that needs time, as on a busy network."""

    def show(self, frame: np.ndarray) -> None:
        super().show(frame)
        wait_until_s(time.monotonic() + 0.012)


def test_time_that_sending_takes_does_not_add_up(make_fan: Callable[..., Design], ear: Ear) -> None:
    fan = make_fan(1, 10)
    driver = Slow(fan, SourceSettings(uuid4()), LOOPBACK, ear.port)
    with FrameClock(driver, 10, 3).start() as clock:
        clock.show(_white(fan), ramp_s=1.6)
        ear.until(lambda: len(ear.of(1)) >= 58)
        pace = clock.pace()
        packets = ear.of(1)
    first, last = packets[-50], packets[-1]
    behind_s = last.at_s - first.at_s - (last.sequence - first.sequence) % 256 * 0.025
    # sleeping 25 ms after each frame would be 0.6 s behind by now
    assert abs(behind_s) < 0.2
    assert 0.0 <= pace.late_p50_s <= pace.late_p99_s
    assert pace.interval_s > 0.0


class Timed(E131Driver):
    """A driver that records the time of each frame and is slow at every fifth."""

    def __init__(self, *words: Any) -> None:
        super().__init__(*words)
        self.given_s: list[float] = []
        self.left_s: list[float] = []

    def show(self, frame: np.ndarray) -> None:
        self.given_s.append(time.monotonic())
        if len(self.given_s) % 5 == 4:
            # as a thread that is suspended between its decision and the socket
            wait_until_s(time.monotonic() + 0.04)
        super().show(frame)
        self.left_s.append(self.sent_s)
        if len(self.given_s) % 5 == 0:
            wait_until_s(time.monotonic() + 0.04)


def test_no_two_frames_are_closer_than_the_ceiling_after_a_late_one(
    make_fan: Callable[..., Design], ear: Ear
) -> None:
    """ANSI E1.31-2018, 6.6.1, by the times of E1.11: 22.676 ms between two of a universe."""
    fan = make_fan(1, 10)
    driver = Timed(fan, SourceSettings(uuid4()), LOOPBACK, ear.port)
    with FrameClock(driver, 10, 3).start() as clock:
        clock.show(_white(fan), ramp_s=3.0)
        ear.until(lambda: len(driver.left_s) > 40)
    gaps = np.diff(driver.left_s)
    assert (gaps > 0.03).sum() >= 4  # some frames were late
    assert len(gaps) > 20
    assert gaps.min() >= 0.022676


def test_a_prepared_frame_that_is_not_sent_leaves_no_trace(
    make_fan: Callable[..., Design], ear: Ear
) -> None:
    fan = make_fan(4, 50)
    driver = E131Driver(fan, SourceSettings(uuid4(), sync_address=1), LOOPBACK, ear.port)
    driver.open()
    driver.show(_white(fan))
    for level in (10, 20):
        driver.prepare(np.full((200, 3), level, dtype=np.uint8))
    for level in (30, 40):
        driver.show(np.full((200, 3), level, dtype=np.uint8))
    driver.prepare(np.full((200, 3), 50, dtype=np.uint8))
    driver.close()
    ear.until(lambda: len(ear.heard) == 4 * 3 + 3 * 2)
    lives = [p for p in ear.of(2) if not p.terminated]
    assert [p.slots[0] for p in lives] == [255, 30, 40, 0]
    numbers = [p.sequence for p in ear.of(2)]
    assert numbers == [(numbers[0] + step) % 256 for step in range(7)]
    # synchronization packets, 49 octets: sequence in octet 44. ANSI E1.31-2018, 6.3
    counts = [p.octets[44] for p in ear.heard if len(p.octets) == 49]
    assert counts == [counts[0] + step for step in range(4)]


class Ahead(E131Driver):
    """A driver that records how long each frame was ready before it went out."""

    def __init__(self, *words: Any) -> None:
        super().__init__(*words)
        self.ready: tuple[np.ndarray, float] | None = None
        self.ahead_s: list[float] = []

    def prepare(self, frame: np.ndarray) -> None:
        super().prepare(frame)
        self.ready = frame, time.monotonic()

    def show(self, frame: np.ndarray) -> None:
        if self.ready is not None and self.ready[0] is frame:
            self.ahead_s.append(time.monotonic() - self.ready[1])
        else:
            self.ahead_s.append(0.0)
        super().show(frame)


def test_packets_are_ready_before_their_deadline(make_fan: Callable[..., Design], ear: Ear) -> None:
    fan = make_fan(4, 50)
    driver = Ahead(fan, SourceSettings(uuid4()), LOOPBACK, ear.port)
    with FrameClock(driver, 200, 3).start() as clock:
        clock.show(_white(fan), ramp_s=1.5)
        ear.until(lambda: len(ear.of(1)) >= 50)
        ahead_s = driver.ahead_s[:50]
    # not the first of the session, nor that of the change; few on a machine that stalls
    assert np.mean(np.array(ahead_s) > 0.005) > 0.8
    levels = [p.slots[0] for p in ear.of(1)]
    steps = np.diff([level for level in levels if 20 < level < 230])
    # 255 levels in 1.5 s, every 25 ms: 4.25 levels
    assert np.mean((steps == 4) | (steps == 5)) > 0.8


class Recorded(E131Driver):
    """A driver that records the level of each frame."""

    def __init__(self, *words: Any) -> None:
        super().__init__(*words)
        self.levels: list[int] = []

    def show(self, frame: np.ndarray) -> None:
        self.levels.append(int(frame[0, 0]))
        super().show(frame)


@pytest.mark.parametrize("frames_per_s", [20.0, 40.0])
def test_a_change_replaces_the_frame_that_was_prepared(
    make_fan: Callable[..., Design], ear: Ear, frames_per_s: float
) -> None:
    fan, firsts = make_fan(1, 10), []
    driver = Recorded(fan, SourceSettings(uuid4()), LOOPBACK, ear.port)
    with FrameClock(driver, 10, 3, frames_per_s).start() as clock:
        for level in range(60, 76):  # too alike to count as flashes
            clock.show(np.full((10, 3), 50, dtype=np.uint8), ramp_s=5.0)
            begun = len(driver.levels)
            until(lambda begun=begun: len(driver.levels) >= begun + 2)  # type: ignore[misc]
            clock.show(np.full((10, 3), level, dtype=np.uint8))
            begun = len(driver.levels)
            until(lambda level=level: level in driver.levels)  # type: ignore[misc]
            firsts.append(driver.levels[begun] == level)
    # a frame that was on its way already may come first, which is rare
    assert np.mean(firsts) > 0.8


class Alone(E131Driver):
    """A driver that records whether two threads ever sent at once."""

    busy = overlaps = 0

    def __init__(self, *words: Any) -> None:
        super().__init__(*words)
        self.threads: set[int] = set()

    def show(self, frame: np.ndarray) -> None:
        self.threads.add(threading.get_ident())
        self.busy += 1
        self.overlaps += self.busy > 1
        super().show(frame)
        wait_until_s(time.monotonic() + 0.03)  # longer than a frame lasts
        self.busy -= 1


def test_frames_are_sent_one_after_the_other(make_fan: Callable[..., Design], ear: Ear) -> None:
    fan = make_fan(1, 10)
    driver = Alone(fan, SourceSettings(uuid4()), LOOPBACK, ear.port)
    with FrameClock(driver, 10, 3).start() as clock:
        clock.show(_white(fan), ramp_s=2.0)
        ear.until(lambda: len(ear.of(1)) >= 30)
        threads = set(driver.threads)
    assert driver.overlaps == 0
    # every frame is late here, so that helpers wait for deadlines too
    assert (len(threads) > 1) != may_raise_thread_priority()
    levels = [p.slots[0] for p in ear.of(1) if not p.terminated]
    assert levels[:-1] == sorted(levels[:-1])


SLICE = r"""
import ctypes, os
from benchtest.operating_system import shorten_thread_slice

os.nice(3)
assert shorten_thread_slice()
libc = ctypes.CDLL(None)
assert libc.prctl(30, 0, 0, 0, 0) == 1, "timer slack"  # PR_GET_TIMERSLACK: prctl(2)
found = (ctypes.c_uint64 * 7)()  # struct sched_attr: sched_setattr(2)
# sched_getattr of x86_64 and of the machines with the general table
number = 315 if os.uname().machine == "x86_64" else 275
assert libc.syscall(ctypes.c_long(number), 0, ctypes.byref(found), 56, 0) == 0
policy, nice, slice_ns = found[0] >> 32, found[2] & 0xFFFFFFFF, found[3]
print(policy, nice, slice_ns)
"""


def test_a_thread_without_rights_gets_a_short_time_slice() -> None:
    """By the answer of the kernel itself; the slice is of Linux 6.12 and later, sched-eevdf.rst."""
    words = ["setpriv", "--bounding-set=-sys_nice", "--inh-caps=-sys_nice"]
    done = subprocess.run(
        [*words, sys.executable, "-c", SLICE], capture_output=True, text=True, check=True
    )
    release = tuple(map(int, re.findall(r"\d+", os.uname().release)[:2]))
    assert done.stdout.split() == ["0", "3", "100000" if release >= (6, 12) else "0"]


def test_all_of_this_holds_without_real_time_rights() -> None:
    """Then helpers wait for deadlines too. Source: setpriv(1), capabilities(7)."""
    if not may_raise_thread_priority():  # every test here has run so already
        return
    words = ["setpriv", "--bounding-set=-sys_nice", "--inh-caps=-sys_nice", sys.executable, "-m"]
    words += ["pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", __file__, "-k"]
    chosen = "session or deadline or prepared or one_after_the_other or ceiling or add_up"
    done = subprocess.run([*words, chosen], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert "9 passed" in done.stdout, done.stdout


def test_packets_sent_one_by_one_are_the_same(ear: Ear) -> None:
    """Some systems cannot send many packets in one call."""
    packets = [(bytearray([number] * (200 + number)), "239.255.0.1") for number in range(12)]
    for in_one_call in (True, False):
        udp = UdpSender(LOOPBACK, ear.port, in_one_call=in_one_call)
        udp.open()
        udp.prepare(packets)
        udp.send_frame(len(packets))
        udp.close()
        assert (udp.packets, udp.errors) == (12, 0)
    ear.until(lambda: len(ear.heard) == 24)
    octets = [packet.octets for packet in ear.heard]
    assert octets[:12] == octets[12:] == [bytes(packet) for packet, _ in packets]


def test_a_driver_may_be_opened_again(make_fan: Callable[..., Design], ear: Ear) -> None:
    fan = make_fan(1, 10)
    driver = E131Driver(fan, SourceSettings(uuid4()), LOOPBACK, ear.port)
    for _ in range(2):
        driver.open()
        driver.show(_white(fan))
        driver.close()
    ear.until(lambda: len(ear.heard) == 10)
    with pytest.raises(DriveFault, match="closed"):
        driver.show(_white(fan))


def test_garbage_collection_is_suspended_only_while_light_moves(
    make_fan: Callable[..., Design], ear: Ear
) -> None:
    fan = make_fan(1, 10)
    assert gc.isenabled()
    with _clock(fan, ear).start() as clock:
        clock.show(_white(fan), ramp_s=0.3)
        ear.until(lambda: bool(ear.heard) and ear.heard[-1].slots[0] > 100)
        ear.until(gc.isenabled)  # once all is sent
        clock.show(_white(fan) // 2, ramp_s=5.0)
        ear.until(lambda: not gc.isenabled())
    assert gc.isenabled()


def test_a_key_held_down_cannot_make_the_prop_flash(
    make_fan: Callable[..., Design], ear: Ear
) -> None:
    # WCAG 2.2, success criterion 2.3.1: no more than three flashes in any one second
    fan = make_fan(1, 10)
    with _clock(fan, ear).start() as clock:
        for repeat in beats(0.033, 2.0):
            if repeat % 2:
                clock.dark()
            else:
                clock.show(_white(fan))
    levels = [(packet.at_s, packet.slots[0]) for packet in ear.of(1)]
    rises_s = [at_s for (_, a), (at_s, b) in pairwise(levels) if b > a]
    assert len(rises_s) >= 4
    # no four within a second, less the delay of the receiver; without a limit they take 0.2 s
    assert all(d - a > 0.9 for a, d in zip(rises_s, rises_s[3:], strict=False))


def test_a_missing_receiver_is_reported_and_sending_continues(
    make_fan: Callable[..., Design],
) -> None:
    fan = make_fan(1, 10)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind((LOOPBACK, 0))
        port = free.getsockname()[1]
    driver = E131Driver(fan, SourceSettings(uuid4()), LOOPBACK, port)
    driver.open()
    # the refusal of a packet is reported with a later one
    for _ in beats(0.02, 0.06):
        driver.show(_white(fan))
    status = driver.status()
    assert status.refused is not None
    assert "nothing there is listening on that port" in status.refused
    assert status.trouble is None  # sent anyway: a receiver may start later
    assert status.packets == 3
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as late:
        late.bind((LOOPBACK, port))
        late.settimeout(5.0)
        driver.show(_white(fan))
        assert late.recv(2000)[111] == 3  # none was dropped
        driver.close()
    driver.close()  # may be called again


def test_a_change_at_rest_is_sent_at_once(make_fan: Callable[..., Design], ear: Ear) -> None:
    fan = make_fan(1, 10)
    waits_s = []
    with _clock(fan, ear).start() as clock:
        ear.until(lambda: len(ear.heard) >= 3)
        for level in range(1, 6):
            until_still(lambda: len(ear.heard), for_s=0.1)  # four ticks without a packet
            count = len(ear.heard)
            asked_s = time.monotonic()
            clock.show(np.full((10, 3), level, dtype=np.uint8))
            ear.until(lambda count=count: len(ear.heard) > count)  # type: ignore[misc]
            waits_s.append(ear.heard[count].at_s - asked_s)
    assert sorted(waits_s)[2] < 0.02  # the median: not delayed to the next tick of 25 ms


def test_an_unknown_host_is_reported_before_any_light(make_fan: Callable[..., Design]) -> None:
    driver = E131Driver(make_fan(1, 4), SourceSettings(uuid4()), "no.such.host.invalid")
    with pytest.raises(DriveFault, match="no such host"):
        driver.open()


def test_synchronised_universes_share_one_packet_after_the_last(
    make_fan: Callable[..., Design], ear: Ear
) -> None:
    fan = make_fan(4, 50)
    driver = E131Driver(fan, SourceSettings(uuid4(), sync_address=7000), LOOPBACK, ear.port)
    driver.open()
    driver.show(_white(fan))
    ear.until(lambda: len(ear.heard) == 3)
    assert [len(packet.octets) for packet in ear.heard] == [636, 216, 49]
    assert all(packet.octets[109:111] == b"\x1b\x58" for packet in ear.heard[:2])
    # force synchronization, 6.2.6: a receiver that gets no more of them continues to show data
    assert all(packet.octets[112] == 0x20 for packet in ear.heard[:2])
    assert ear.heard[2].octets[45:47] == b"\x1b\x58"
    driver.close()
    ear.until(lambda: len(ear.heard) == 6 + 6)
    kinds = [len(packet.octets) for packet in ear.heard[3:6]]
    assert kinds == [636, 216, 49]  # the dark frame is synchronised too
    assert ear.heard[5].octets[44] == 1  # with a sequence of its own
    assert all(packet.terminated for packet in ear.heard[6:])


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_ended_drive_command_sends_dark_and_terminates(ear: Ear, number: signal.Signals) -> None:
    prop = Path(str(files("benchtest.virtual").joinpath("willow-fan.toml")))
    process = subprocess.Popen(
        [sys.executable, "-m", "benchtest", "drive", str(prop), "by-strand",
         "--to", f"e131:{LOOPBACK}:{ear.port}"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        ear.until(lambda: any(any(packet.slots) for packet in ear.heard), within_s=30.0)
        process.send_signal(number)
        ear.until(lambda: sum(packet.terminated for packet in ear.heard) == 9)
        process.wait(timeout=10.0)
    finally:
        process.kill()
        process.wait()
    for universe in (1, 2, 3):
        lives = [packet for packet in ear.of(universe) if not packet.terminated]
        assert not any(lives[-1].slots)
