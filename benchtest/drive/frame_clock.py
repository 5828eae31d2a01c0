"""The frame clock: one thread that keeps what is shown alive, and shows changes at once.

Deadlines are absolute on the monotonic clock, so nothing drifts and a stepped wall clock does not
matter. The one who calls never waits for the network, and the network never ends the thread.
"""

from __future__ import annotations

import atexit
import contextlib
import gc
import sys
import threading
import time
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtest.drive.driver import Driver, DriverInfo, DriveStatus
from benchtest.drive.flash_limit import FlashGuard
from benchtest.drive.signals import add_light, defer_signals, remove_light
from benchtest.drive.thread_priority import raise_thread_priority
from benchtest.drive.universe_layout import Frame
from benchtest.errors import InputError

MAX_FRAMES_PER_S = 40.0
MIN_PACKET_INTERVAL_S = 0.0227
"""Least time between two packets of a universe. [s] Source: 513 slots by the times of ANSI E1.11,
22.676 ms; ANSI E1.31-2018, clause 6.6.1, sets that as the ceiling."""
_REPEATED_FRAMES = 3
"""Packets with the same data before a stream may rest. Source: ANSI E1.31-2018, clause 6.6.2."""
KEEP_ALIVE_INTERVAL_S = 0.81
"""Between packets at rest: within 800 to 1000 ms (6.6.2), and two lost in a row still fit into
the 2.5 s after which a receiver gives up."""
_MAX_SILENCE_S = 2.3
"""Time without a packet after which receivers may have given up, and the prop gone dark: light that
came back by itself then could meet somebody's hands. A little below the 2.5 s of receivers, for
they count in steps. Source: E131_NETWORK_DATA_LOSS_TIMEOUT, ANSI E1.31-2018, appendix A. [s]"""
RAMP_S = 0.5
"""Time that full white takes to come up: easy on supplies and on eyes."""
_THREAD_SWITCH_INTERVAL_S = 0.0001
"""How long another thread may keep the interpreter while this one waits for it, which it does some
sixteen times a frame: numpy lets the others in at every sum. With Python's own 5 ms, a busy screen
makes every frame late by as much. [s]"""
_MAX_LATENESS_SAMPLES = 400
"""Frames that the pace is told of: ten seconds of change."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How well the clock keeps time. A snapshot."""

    interval_s: float
    """Between the last two frames. [s]"""
    late_p50_s: float
    late_p99_s: float
    """From a frame's deadline until it went out, of the frames remembered. [s]"""


def _boot_time_s() -> float:
    """Return seconds that pass while the machine sleeps too, where the system counts them. [s]"""
    boot = getattr(time, "CLOCK_BOOTTIME", None)  # Linux; other systems stop while they sleep
    return time.monotonic() if boot is None else time.clock_gettime(boot)


class FrameClock:
    """Shows frames on a driver from a thread of its own.

    A context manager: leaving it, for whatever reason, takes the prop dark and ends the stream.

    Attributes:
        unlit_s: time in which nothing was sent, since `resume`; of the monotonic clock. [s]
    """

    def __init__(
        self,
        driver: Driver,
        nodes: int,
        colours: int,
        frames_per_s: float = MAX_FRAMES_PER_S,
        *,
        attended: bool = True,
    ) -> None:
        """Nothing is opened yet.

        Args:
            driver: where frames go.
            nodes: of the prop.
            colours: channels of a node.
            frames_per_s: while something changes, 1 to 40; a driver may allow fewer.
            attended: a person may have hands at the prop, so that it stays dark after a gap.

        Raises:
            InputError: so many frames a second are beyond these bounds.
        """
        if not 1.0 <= frames_per_s <= MAX_FRAMES_PER_S:
            raise InputError(f"{frames_per_s:g} frames a second: give 1 to {MAX_FRAMES_PER_S:g}")
        self.driver = driver
        self._period_s = 1.0 / frames_per_s
        # a change need not wait for the next frame, except where the user wants fewer
        self._gap_s = MIN_PACKET_INTERVAL_S if frames_per_s == MAX_FRAMES_PER_S else self._period_s
        self._guard = FlashGuard(nodes, colours)
        self._dark: Frame = np.zeros((nodes, colours), dtype=np.uint8)
        self._goal = self._dark
        self._start: NDArray[np.float32] = self._dark.astype(np.float32)
        self._ramp_span: NDArray[np.float32] = self._start
        self._ramp_start_s = self._ramp_s = 0.0
        self._changed = True
        self._to_repeat = _REPEATED_FRAMES
        self._sent_s = self._slot_s = float("-inf")
        self._interval_s = 0.0
        self._late_s: deque[float] = deque(maxlen=_MAX_LATENESS_SAMPLES)
        self._wake = threading.Condition()
        self._closing = self._holds_collector = False
        self._attended = attended
        self._held: str | None = None
        self._packet_boot_s, self._packet_s = _boot_time_s(), time.monotonic()
        self.dark_gap_s = 0.0
        self._thread = threading.Thread(target=self._run, name="frame clock", daemon=True)
        self.info: DriverInfo | None = None

    def start(self) -> FrameClock:
        """Open the driver and begin with a dark frame.

        Raises:
            DriveFault: the driver cannot be opened.
        """
        self.info = self.driver.open()
        self._period_s = max(self._period_s, 1.0 / self.info.max_fps)
        self._gap_s = max(self._gap_s, 1.0 / self.info.max_fps)
        atexit.register(self._close_at_exit)
        add_light(self)
        self._packet_boot_s, self._packet_s = _boot_time_s(), time.monotonic()
        sys.setswitchinterval(min(_THREAD_SWITCH_INTERVAL_S, sys.getswitchinterval()))
        self._thread.start()
        return self

    def show(self, frame: Frame, ramp_s: float = 0.0) -> None:
        """Show a frame from now on; returns at once.

        Args:
            frame: shape (nodes, colours), prop order.
            ramp_s: time over which it comes up from what is shown now. [s]
        """
        with self._wake:
            self._hold_after_gap()
            now_s = time.monotonic()
            if ramp_s > 0.0:
                start = self._frame_at(now_s).astype(np.float32)
                self._ramp_span = frame.astype(np.float32) - start
                self._start = start + np.float32(0.5)  # what is cut off then is rounded
            self._goal = frame.copy()
            self._ramp_start_s, self._ramp_s = now_s, ramp_s
            self._to_repeat = _REPEATED_FRAMES
            self._changed = True
            self._wake.notify()

    def dark(self) -> None:
        """Everything off, at once."""
        self.show(self._dark)

    def hold(self, why: str) -> None:
        """Go dark at once and stay so, whatever is to be shown, until `resume`.

        Args:
            why: for the person who comes back.
        """
        with self._wake:
            self._held = self._held or why
            self._to_repeat, self._changed = _REPEATED_FRAMES, True
            self._wake.notify()

    @property
    def held(self) -> str | None:
        """Why the prop is kept dark; None while it is not."""
        with self._wake:
            self._hold_after_gap()
            return self._held

    def resume(self) -> None:
        """Show again what is to be shown; it comes up by a ramp."""
        with self._wake:
            self._hold_after_gap()
            goal, held, self._held = self._goal, self._held, None
            self.dark_gap_s = 0.0
            if held is not None:
                self._goal, self._ramp_s = self._dark, 0.0
                self.show(goal, RAMP_S)

    @property
    def rests_dark(self) -> bool:
        """True once the prop is held dark and its dark frames have been sent; does not wait."""
        return self._held is not None and not self._changed and self._to_repeat == 0

    def _hold_after_gap(self) -> None:
        """Keep the prop dark where this program stood still, or its machine slept."""
        now_s, monotonic_s = _boot_time_s(), time.monotonic()
        gap_s = now_s - self._packet_boot_s
        if gap_s > _MAX_SILENCE_S and self._attended and self._thread.is_alive():
            self.dark_gap_s += monotonic_s - self._packet_s
            self._packet_boot_s, self._packet_s = now_s, monotonic_s
            self.hold(f"the program stood still for {gap_s:.0f} s")

    def showing(self) -> Frame:
        """What is shown at this moment, shape (nodes, colours)."""
        with self._wake:
            return self._frame_at(time.monotonic())

    def status(self) -> DriveStatus:
        """How driving goes."""
        return self.driver.status()

    def pace(self) -> Pace:
        """How well the clock keeps time."""
        with self._wake:
            late_s = sorted(self._late_s) or [0.0]
            p50, p99 = late_s[len(late_s) // 2], late_s[len(late_s) * 99 // 100]
            return Pace(self._interval_s, p50, p99)

    def _frame_at(self, now_s: float) -> Frame:
        """The frame of this moment: on the way from one to the next, in equal steps."""
        if self._held is not None:
            return self._dark
        if not self._ramping(now_s):
            return self._goal
        part = np.float32(max(0.0, (now_s - self._ramp_start_s) / self._ramp_s))
        return (self._ramp_span * part + self._start).astype(np.uint8)

    def _ramping(self, now_s: float) -> bool:
        return self._held is None and now_s < self._ramp_start_s + self._ramp_s

    def _run(self) -> None:
        raise_thread_priority()  # as soon as a frame is due
        while (frame := self._next_frame()) is not None:
            self.driver.show(frame)
            self._hold_collector()

    def _hold_collector(self) -> None:
        """No collection of garbage while light moves: it stops every thread, for up to 60 ms.

        At rest there is time for it, as frames are 810 ms apart.
        """
        moving = self._to_repeat > 0 or self._ramping(self._slot_s)
        if moving and gc.isenabled():
            gc.disable()
            self._holds_collector = True
        elif not moving:
            self._release_collector()

    def _release_collector(self) -> None:
        if self._holds_collector:
            gc.enable()
        self._holds_collector = False

    def _next_frame(self) -> Frame | None:
        """Wait until a frame is due; None when closing."""
        with self._wake:
            while not self._closing:
                self._hold_after_gap()
                due_s, now_s = self._due_s(), time.monotonic()
                if now_s < due_s:
                    self._wake.wait(due_s - now_s)
                    continue
                frame = self._frame_at(now_s)
                allowed_s = self._admit(frame, now_s)
                if now_s < allowed_s:
                    self._wake.wait(allowed_s - now_s)
                    continue
                self._record_sent(due_s, now_s)
                return frame
            return None

    def _admit(self, frame: Frame, now_s: float) -> float:
        """From when the frame may go out without flashing. [s, monotonic]"""
        moving = self._changed or self._ramping(self._slot_s)
        return self._guard.admit(frame, now_s) if moving else now_s

    def _record_sent(self, due_s: float, now_s: float) -> None:
        """A frame goes out now that was due a moment ago."""
        self._interval_s = now_s - self._sent_s if self._sent_s > 0.0 else 0.0
        if self._changed:
            self._slot_s = now_s
        else:
            late_s = now_s - due_s
            self._late_s.append(late_s)
            # a deadline missed by far is not made up for by a burst
            self._slot_s = due_s if late_s < self._period_s else now_s
        self._sent_s, self._changed = now_s, False
        self._packet_boot_s, self._packet_s = _boot_time_s(), now_s
        if not self._ramping(now_s):
            self._to_repeat = max(0, self._to_repeat - 1)

    def _due_s(self) -> float:
        """When the next frame is to go out. [s, monotonic]"""
        if self._changed:
            return self._sent_s + self._gap_s
        moving = self._to_repeat > 0 or self._ramping(self._slot_s)
        due_s = self._slot_s + (self._period_s if moving else KEEP_ALIVE_INTERVAL_S)
        # after a frame that went out late, the next keeps its deadline only as the ceiling lets it
        return max(due_s, self._sent_s + self._gap_s)

    def close(self) -> None:
        """Stop the thread, take the prop dark and end the stream. May be called again."""
        with defer_signals():
            with self._wake:
                if self._closing:
                    return
                self._closing = True
                self._wake.notify()
            atexit.unregister(self._close_at_exit)
            if self._thread.is_alive():
                self._thread.join()
            self._release_collector()
            self.driver.close()
            remove_light(self)

    def _close_at_exit(self) -> None:
        with contextlib.suppress(KeyboardInterrupt, SystemExit):  # it is ending already
            self.close()

    def __enter__(self) -> FrameClock:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
